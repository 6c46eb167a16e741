"""Frames of a log under faults: which fall away, what they are counted under, what comes behind."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from replay_lab import CAR, MS, S, car_log, logged_car, real, text_log

from linkloss.campaign.run import run
from linkloss.logs.compare import compare, read_side
from linkloss.logs.drive import Drive, Selection
from linkloss.logs.source import LogFile
from linkloss.logs.stream import Tally, frames
from linkloss.recording import Recording
from linkloss.report.machine import run_json
from linkloss.scenario import timed_fault
from linkloss.session import simulate
from linkloss.vehicle.electrical import NodeSupplyTable, SupplyTable
from linkloss.vehicle.loading import Vehicle, load_vehicle

ENGINE, PEDALS = 0x100, 0x110


@pytest.fixture(scope="module")
def log(tmp_path_factory) -> Path:
    return car_log(tmp_path_factory.mktemp("fallen") / "drive.log")


@cache
def supplied() -> Vehicle:
    """The same car with a battery and a feed to each node."""
    lead = {"size": "1.5 mm2", "length": "2 m"}
    feed = NodeSupplyTable.model_validate({"feed": lead, "ground": lead})
    vehicle = logged_car()
    nodes = {name: node.model_copy(update={"supply": feed}) for name, node in vehicle.nodes.items()}
    file = vehicle.file.model_copy(update={"supply": SupplyTable(), "nodes": nodes})
    return replace(vehicle, file=file)


def replayed(path: Path, *faults: str, vehicle: Vehicle | None = None) -> Recording:
    vehicle = logged_car() if vehicle is None else vehicle
    timed = [timed_fault(text, vehicle) for text in faults]
    found = simulate(Drive(path, vehicle, Selection()).scenario(faults=timed))
    accounted_for(found)
    return found


def accounted_for(recording: Recording) -> None:
    """Every frame of the log was sent, or fell away under a fault that is named."""
    shift = recording.shift
    assert shift.logged == shift.sent + sum(shift.fallen.values())
    assert shift.stray == 0


def came(recording: Recording, identifier: int = ENGINE) -> list[tuple[int, bytes]]:
    return [
        (record.end_ns, record.frame.data)
        for record in recording.frames
        if record.frame.identifier == identifier and record.error is None
    ]


def late(path: Path, recording: Recording) -> list[int]:
    """By how much the frames of the engine came later than logged, in ns; each has a content of
    its own.
    """
    drive = Drive(path, logged_car(), Selection())
    at = {e.frame.data: e.at_ns for e in drive.frames() if e.frame.identifier == ENGINE}
    return [end_ns - at[data] for end_ns, data in came(recording)]


@pytest.mark.parametrize(
    ("fault", "fallen"),
    [
        # The pedals send 50 frames in a second, the first 3 ms after it began.
        ("unplug(pedals)@5s+1s", {"the CAN plug of pedals was pulled": 50}),
        ("hang(pedals)@5s+1s", {"the program of pedals hung": 50}),
        ("mute(pedals)@5s+1s", {"pedals fell mute": 50}),
        # 128 x 11 recessive bits take 6 ms: one frame more.
        ("held_bus_off(pedals)@5s+1s", {"pedals was held in bus-off (REC 57)": 51}),
        ("bus_off(pedals)@5s", {"pedals went bus-off": 1}),
        # A boot of 50 ms: those at 3, 23 and 43 ms.
        ("reset(pedals)@5s", {"pedals was reset": 3}),
        ("slow_boot(pedals)@5s+1s", {"pedals was reset and booted slowly": 3}),
        # The last of 50 resets comes at 5.98 s, its boot is over at 6.03 s.
        (
            "reset(pedals,period=20 ms)@5s+1s",
            {"pedals was reset again and again, every 20 ms": 52},
        ),
        # The engine is alone then, and sends 100 in a second; the pedals still have the body.
        ("cut(engine,pedals)@5s+1s", {"the cable between engine and pedals was cut": 100}),
        ("cut(pedals,body)@5s+1s", {}),
        ("drop(Pedals,receiver=body)@5s+1s", {}),
        ("alter(Pedals)@5s+1s", {}),
        ("unplug(body)@5s+1s", {}),
    ],
)
def test_what_a_fault_keeps_away_falls_away_and_nothing_else(log, fault, fallen):
    found = replayed(log, fault)
    assert found.shift.fallen == fallen
    assert found.shift.sent == 1200 - sum(fallen.values())
    assert max(late(log, found)) < MS


def test_a_node_without_supply_sends_nothing_of_its_log(log):
    """Off for a second, then a boot of 50 ms."""
    found = replayed(log, "brown_out(node=pedals)@5s+1s", vehicle=supplied())
    assert list(found.shift.fallen.values()) == [53]
    assert "pedals" in next(iter(found.shift.fallen))


def test_two_faults_at_a_time_each_have_their_own(log):
    """Reset while it hangs: from then on it is the reset, and behind the boot it sends again."""
    found = replayed(log, "hang(pedals)@5s+1s", "reset(pedals)@5.5s", "mute(engine)@5.2s+100ms")
    assert found.shift.fallen == {
        "the program of pedals hung": 25,
        "pedals was reset": 3,
        "engine fell mute": 10,
    }


@pytest.mark.parametrize(
    "fault", ["flood(body)@5s+1s", "short(beside=body,contact=CAN_H-CAN_L)@5s+1s",
              "noise(share=0.01)@5s+1s", "corrupt(EngineData)@5s+100ms"]
)  # fmt: skip
def test_behind_a_fault_that_holds_all_up_no_old_frame_comes(log, fault):
    """What is held up falls away a cycle late, so the log goes on at its own time."""
    found = replayed(log, fault)
    assert found.shift.fallen
    assert max(late(log, found)) <= 10 * MS
    cleared_ns = 6 * S + 20 * MS
    pairs = zip(late(log, found), came(found), strict=True)
    behind = [late_ns for late_ns, (at_ns, _) in pairs if at_ns > cleared_ns]
    assert len(behind) > 190
    assert max(behind) < MS


def test_a_frame_that_a_fault_delays_on_purpose_is_not_too_late(log):
    found = replayed(log, "delay(EngineData,by=80 ms)@5s+500ms")
    assert found.shift.fallen == {}
    assert max(late(log, found)) >= 80 * MS


def burst(path: Path) -> Path:
    """Three seconds at nine tenths of what the bus can carry, as an adapter stamps it that hands
    over 40 frames at a time, and a burst at the very end.
    """
    length_s = 0.00048  # of a frame of 8 bytes and its intermission at 250 kbit/s, at most 132 bits
    rows, at_s = [], 0.0
    for n in range(5400):
        at_s = (n // 40) * 40 * length_s / 0.9
        rows.append((at_s, f"{ENGINE + n % 37:03X}#{n * 0x9E3779B97F4A7C15 % (1 << 64):016X}"))
    rows += [(at_s + 0.02, f"{0x200 + n:03X}#00") for n in range(7)]
    return text_log(path, *rows)


def compared(path: Path, vehicle: Vehicle, folder: Path, tolerance_ns: int):
    """A log beside its own undisturbed replay, in which nothing is simulated that it holds."""
    result = run(Drive(path, vehicle, Selection()).scenario())
    accounted_for(result.recording)
    assert result.recording.shift.fallen == {}
    document = folder / "run.json"
    document.write_text(run_json(result))
    found = compare(read_side(path), read_side(document), tolerance_ns=tolerance_ns)
    own = {(info.identifier, info.extended) for info in vehicle.messages.values()
           if info.senders == ("body",)}  # fmt: skip
    return [m for m in found.messages if m.differs and m.key[:2] not in own], result


def test_a_crowded_log_and_its_replay_do_not_differ(tmp_path):
    different, result = compared(burst(tmp_path / "d.log"), logged_car(), tmp_path, 5 * MS)
    assert different == []
    assert result.recording.shift.sent == 5407


def test_the_last_frames_of_a_log_are_played_out(tmp_path):
    rows = [(n / 10, "100#00") for n in range(10)]
    rows += [(1.0, f"{0x100 + n:03X}#0011223344556677") for n in range(20)]
    found = replayed(text_log(tmp_path / "d.log", *rows))
    assert found.shift.sent == 30
    assert found.end_ns < 1.02 * S


def test_a_log_that_ends_under_a_fault_ends_all_the_same(log):
    found = replayed(log, "short(beside=body,contact=CAN_H-CAN_L)@7s")
    assert 7.99 * S < found.end_ns < 8.02 * S
    assert sum(found.shift.fallen.values()) > 140


def test_the_first_frames_are_acknowledged_though_no_program_runs_yet(tmp_path):
    """On the day of the log the car was awake before it began."""
    path = text_log(tmp_path / "d.log", *((n / 1000, "110#00") for n in range(200)))
    vehicle = logged_car("unlisted")
    assert vehicle.along == ("body", "pedals")
    found = replayed(path, vehicle=vehicle)
    assert [record.error for record in found.frames] == [None] * len(found.frames)
    assert found.shift.most_ns < MS


def test_a_car_of_which_only_frames_are_known_goes_on_while_the_own_node_is_reset(tmp_path):
    path = text_log(tmp_path / "d.log", *((n / 100, "555#00") for n in range(200)))
    found = replayed(path, "reset(body)@1s", "unplug(body)@1.5s+100ms")
    assert found.shift.sent == 200
    assert not [record for record in found.frames if record.error and record.sender == "(log)"]


_NODES = st.sampled_from(["engine", "pedals", "body"])
_FAULTS = st.one_of(
    st.builds("{}({})".format, st.sampled_from(["unplug", "hang", "mute", "reset", "bus_off",
              "held_bus_off", "flood", "swapped"]), _NODES),
    st.sampled_from(["cut(engine,pedals)", "cut(pedals,body)", "noise(share=0.003)",
                     "short(beside=engine,contact=CAN_H-CAN_L)", "corrupt(EngineData)",
                     "duplicate(Pedals)", "freeze(EngineData)", "impostor(EngineData,node=body)"]),
)  # fmt: skip
_ROWS = st.lists(
    st.tuples(st.integers(0, 9), st.sampled_from([ENGINE, PEDALS, 0x555, 0x7AA])),
    min_size=1, max_size=60,
)  # fmt: skip


@settings(max_examples=25, deadline=None, derandomize=True)
@given(_ROWS, st.lists(st.tuples(_FAULTS, st.integers(0, 250), st.integers(1, 150)), max_size=3))
def test_frames_logged_are_frames_sent_and_frames_counted_under_faults(rows, faults):
    at_ms, lines = 0, []
    for number, (span_ms, identifier) in enumerate(rows):
        at_ms += span_ms
        lines.append((at_ms / 1000, f"{identifier:03X}#{number:04X}"))
    texts = [
        f"{name}@{at}ms" + ("" if name.startswith(("reset", "bus_off")) else f"+{lasts}ms")
        for name, at, lasts in faults
        if at <= at_ms - rows[0][0]  # the log begins with its first frame
    ]
    with TemporaryDirectory() as folder:
        path = text_log(Path(folder) / "d.log", *lines)
        found = replayed(path, *texts)
        again = replayed(path, *texts)
    assert found.shift.logged == len(rows)
    assert found == again
    if not texts:
        assert found.shift.sent == len(rows)


def own_car(path: Path, folder: Path, bit_rate: str, *, fd: bool) -> Vehicle:
    """A vehicle whose first node sends all that is in a log."""
    longest: dict[tuple[int, bool], int] = {}
    for _, frame, _ in frames(LogFile(path), Tally(), fd=fd):
        key = (frame.identifier, frame.extended)
        longest[key] = max(longest.get(key, 1), len(frame.data))
    text = (CAR / "car.dbc").read_text()
    for (identifier, extended), length in longest.items():
        number = identifier | (1 << 31 if extended else 0)
        text += f"\nBO_ {number} M{identifier:X}: {length} engine\n"
    text = text.replace("BO_ 256 ", "BO_ 2045 ").replace("BO_ 272 ", "BO_ 2046 ")
    text = text.replace("BO_ 768 ", "BO_ 2047 ").replace("BO_ 784 ", "BO_ 2044 ")
    for old, new in (("256", "2045"), ("272", "2046"), ("768", "2047"), ("784", "2044")):
        text = text.replace(f'"GenMsgCycleTime" BO_ {old} ', f'"GenMsgCycleTime" BO_ {new} ')
    (folder / "car.dbc").write_text(text)
    (folder / "body.py").write_text((CAR / "body.py").read_text().replace("0x300", "0x7FF"))
    vehicle = (CAR / "vehicle.toml").read_text().replace("250 kbit/s", bit_rate)
    if fd:
        for node in ("engine", "pedals", "body"):
            vehicle = vehicle.replace(f"[nodes.{node}]\n", f"[nodes.{node}]\nfd = true\n")
    (folder / "vehicle.toml").write_text(vehicle)
    return load_vehicle(folder / "vehicle.toml")


@pytest.mark.parametrize(
    ("name", "bit_rate", "fd", "number"),
    [
        ("rav4/rav4_pt.log", "500 kbit/s", False, 66_234),
        ("boat/can0-2.from-pcap.log", "250 kbit/s", True, 47_166),
    ],
)
def test_a_real_log_and_its_replay_do_not_differ(tmp_path, name, bit_rate, fd, number):
    path = real(name)
    different, result = compared(path, own_car(path, tmp_path, bit_rate, fd=fd), tmp_path, 5 * MS)
    assert result.recording.shift.sent == number
    assert different == []
