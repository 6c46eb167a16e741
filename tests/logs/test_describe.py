"""What a log holds: periods, load, signals, counters, checksums, stale times."""

from __future__ import annotations

import csv
import gzip
import random
import statistics
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from replay_lab import DRIVE, MS, S, real, text_log, wren

from linkloss.bus import Frame
from linkloss.bus.frame import length_bits
from linkloss.cli import main
from linkloss.logs.describe import Intervals, Load, describe
from linkloss.problem import BadInput
from linkloss.vehicle.dbc import read_dbc
from linkloss.vehicle.messages import crc8

DBC = wren().path.parent / wren().file.dbc


def lamp_log(path, rows):
    """LampRequest of Wren at instants: (seconds, counter, first payload byte, wrong checksum)."""
    lines = []
    for at, counter, content, wrong in rows:
        rest = bytes([counter | content << 4, 0, 0xFF])
        checksum = crc8(bytes([0, 0xA0]) + rest) ^ wrong
        lines.append((at, f"0A0#{checksum:02X}{rest.hex()}"))
    return text_log(path, *lines)


def seen(found, identifier):
    return next(entry for entry in found.seen if entry.identifier == identifier)


def test_period_jitter_and_longest_gap(tmp_path):
    draw = random.Random(1)
    times = [n * 0.050 + draw.uniform(0, 0.004) for n in range(200)]
    del times[100:103]
    path = text_log(tmp_path / "d.log", *((round(at, 6), "100#00") for at in times))
    spans = seen(describe(path), 0x100).intervals
    whole = [round(at, 6) for at in times]
    differences = [later - earlier for earlier, later in pairwise(whole)]
    assert spans.median_ns == pytest.approx(statistics.median_low(differences) * 1e9, abs=1000)
    assert spans.longest_ns == pytest.approx(max(differences) * 1e9, abs=1)
    assert spans.longest_at_ns == pytest.approx((whole[99] - whole[0]) * 1e9, abs=1)
    assert 1 * MS < spans.jitter_ns < 4 * MS


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(0, 50_000), min_size=2, max_size=300), st.integers(1, 50))
def test_the_median_does_not_depend_on_how_the_instants_are_handed_over(spans_us, piece):
    times, at_ns = [0], 0
    for span in spans_us:
        at_ns += span * 1000
        times.append(at_ns)
    whole, pieces = Intervals(), Intervals()
    whole.take(times)
    for start in range(0, len(times), piece):
        pieces.take(times[start : start + piece])
    for found in (whole, pieces):
        assert found.median_ns == statistics.median_low(spans_us) * 1000
        assert found.longest_ns == max(spans_us) * 1000
        assert found.count == len(spans_us)


def test_many_different_intervals_take_no_more_room_and_stay_near_the_truth():
    draw = random.Random(2)
    times, at_ns, spans = [0], 0, []
    for _ in range(20_000):
        spans.append(draw.randint(0, 100 * MS))
        at_ns += spans[-1]
        times.append(at_ns)
    found = Intervals()
    for start in range(0, len(times), 500):
        found.take(times[start : start + 500])
    assert len(found._counts) <= 2048
    assert found.median_ns == pytest.approx(statistics.median(spans), rel=0.01)


def test_the_load_is_exact_to_the_bit(tmp_path):
    rows = [(n * 0.010, f"{0x100 + n % 7:03X}#{bytes([n] * (n % 9)).hex()}") for n in range(250)]
    found = describe(text_log(tmp_path / "d.log", *rows), bit_rate=250_000)
    frames = [Frame(0x100 + n % 7, bytes([n] * (n % 9))) for n in range(250)]
    assert found.load.total_bits == sum(length_bits(frame) + 3 for frame in frames)
    assert found.load.bits[0] == sum(length_bits(frame) + 3 for frame in frames[:100])


def test_a_long_log_is_kept_in_coarser_slices():
    load = Load()
    for second in range(10_000):
        load.take(second * S, 100)
    assert len(load.bits) <= 4096
    assert load.slice_ns == 4 * S
    assert load.total_bits == 1_000_000
    assert sum(load.bits.values()) == 1_000_000
    assert load.profile(10_000 * S, 10) == pytest.approx([100.0] * 10, rel=0.01)


def test_ranges_of_signals_are_those_of_cantools(tmp_path):
    draw = random.Random(3)
    definition = wren().database.get_message_by_name("EngineData")
    contents = [draw.randbytes(5) for _ in range(200)]
    rows = [(n / 20, f"090#{data.hex()}") for n, data in enumerate(contents)]
    ranges = seen(describe(text_log(tmp_path / "d.log", *rows), vehicle=wren()), 0x90).all_ranges()
    decoded = [definition.decode(data, decode_choices=False) for data in contents]
    for name, limits in ranges.items():
        values = [row[name] for row in decoded]
        assert limits == pytest.approx((min(values), max(values)))
    assert list(ranges) == [signal.name for signal in definition.signals]


def test_a_counter_that_jumps_or_stands_still_is_counted(tmp_path):
    counters = [0, 1, 2, 5, 6, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 0, 1]
    rows = [(n * 0.05, value, 0, 0) for n, value in enumerate(counters)]
    guard = seen(describe(lamp_log(tmp_path / "d.log", rows), vehicle=wren()), 0xA0).protection
    assert (guard.steps, guard.jumps, guard.repeats) == (16, 1, 1)
    assert guard.first_jump_ns == 150 * MS
    assert guard.counts


def test_a_checksum_that_fails_is_counted(tmp_path):
    rows = [(n * 0.05, n % 16, 0, 0x40 if n in (5, 9) else 0) for n in range(20)]
    guard = seen(describe(lamp_log(tmp_path / "d.log", rows), vehicle=wren()), 0xA0).protection
    assert (guard.failed, guard.first_failed_ns) == (2, 250 * MS)


def test_stale_times_that_the_drive_would_have_tripped(tmp_path):
    times = [n * 0.05 for n in range(40) if not 10 < n < 17]
    rows = [(at, n % 16, 0, 0) for n, at in enumerate(times)]
    found = describe(lamp_log(tmp_path / "d.log", rows), vehicle=wren())
    entry = seen(found, 0xA0)
    alarm = entry.intervals.alarms[250 * MS]
    assert (alarm.times, alarm.longest_ns, alarm.longest_at_ns) == (1, 350 * MS, 500 * MS)
    assert "tail_left" in entry.limits[250 * MS]


def test_a_message_that_stays_away_to_the_end_of_the_log_counts_as_stale(tmp_path):
    rows = [(n * 0.05, n % 16, 0, 0) for n in range(5)]
    path = lamp_log(tmp_path / "d.log", rows)
    path.write_text(path.read_text() + "(2.000000) can0 700#00\n")
    alarm = seen(describe(path, vehicle=wren()), 0xA0).intervals.alarms[250 * MS]
    assert (alarm.times, alarm.longest_ns) == (1, 1800 * MS)


def test_identifiers_that_the_dbc_does_not_know_and_messages_never_seen(tmp_path):
    found = describe(
        text_log(tmp_path / "d.log", (0, "700#00"), (1, "090#0000000000")), vehicle=wren()
    )
    assert [entry.identifier for entry in found.unknown] == [0x700]
    assert "LampRequest" in found.absent
    assert "EngineData" not in found.absent


def test_frames_of_another_length_are_counted_and_not_decoded(tmp_path):
    rows = [(0, "090#0000000000"), (1, "090#00"), (2, "090#0000000000")]
    entry = seen(describe(text_log(tmp_path / "d.log", *rows), vehicle=wren()), 0x90)
    assert (entry.count, entry.wrong_length) == (3, 1)


def test_the_bundled_drive_is_whole():
    found = describe(DRIVE, vehicle=wren())
    assert (found.frames, len(found.seen), found.absent, found.unknown) == (86_174, 10, [], [])
    assert found.lasted_ns == pytest.approx(600 * S, rel=0.001)
    for entry in found.seen:
        period_ns = wren().messages[entry.message.name].period_ns
        assert entry.intervals.median_ns == pytest.approx(period_ns, rel=0.01)
        # The gauge sleeps while there is nothing to show, and counts anew.
        jumps = {"GaugeStatus": 14}.get(entry.message.name, 0)
        assert (entry.protection.jumps, entry.protection.failed) == (jumps, 0)


def test_a_real_drive_decodes_like_another_program_decoded_it():
    """The extremes of the wheel speeds against a file that another program made of this drive."""
    dbc = read_dbc(real("rav4/toyota_new_mc_pt_generated.dbc"))
    told = [(flaw.message, flaw.text) for flaw in dbc.flaws]
    assert told == [("PCS_HUD", "signals PCS_TEMP and SET_ME_X10 overlap")]
    found = describe(real("rav4/rav4_pt.log"), database=dbc.database, bit_rate=500_000)
    assert (found.frames, len(found.seen)) == (66_234, 105)
    with gzip.open(real("rav4/truth_wheel_speed.csv.gz"), "rt") as file:
        rows = list(csv.DictReader(file))
    ranges = seen(found, 0xAA).all_ranges()
    for wheel in ("FL", "FR", "RL", "RR"):
        speeds = [float(row[f"{wheel}_mps"]) * 3.6 for row in rows]
        limits = ranges[f"WHEEL_SPEED_{wheel}"]
        assert limits == pytest.approx((min(speeds), max(speeds)), rel=1e-6)


def test_messages_for_any_sender_are_found_by_their_group():
    dbc = read_dbc(real("boat/canboat.dbc"))
    found = describe(real("boat/can0-2.from-pcap.log"), database=dbc.database)
    known = sum(entry.count for entry in found.seen if entry.message is not None)
    assert known > 0.9 * found.frames


@settings(
    max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    edits=st.lists(
        st.tuples(
            st.floats(0, 1), st.integers(0, 12), st.text('SGBO_ 0123456789|@+-(),"m', max_size=6)
        ),
        min_size=1,
        max_size=3,
    )
)
def test_no_damage_to_a_dbc_brings_the_description_down(tmp_path, edits):
    text = "\n".join(DBC.read_text().splitlines()[:40])
    for place, removed, patch in edits:
        at = int(place * len(text))
        text = text[:at] + patch + text[at + removed :]
    dbc = tmp_path / "fuzz.dbc"
    dbc.write_text(text)
    log = text_log(tmp_path / "d.log", *((n / 10, f"0A0#{n:02X}00FF01") for n in range(6)))
    try:
        database = read_dbc(dbc).database
    except BadInput as error:
        assert "\n" not in str(error)  # noqa: PT017
        return
    describe(log, database=database)


def test_a_log_of_can_fd_needs_no_vehicle(tmp_path, capsys):
    """The load is told to be too high where a part of the frames may be faster."""
    rows = [(n / 100, ("124##1" if n % 2 else "124##0") + "5A" * 64) for n in range(101)]
    path = text_log(tmp_path / "d.log", *rows)
    found = describe(path)
    assert (found.frames, found.seen[0].lengths) == (101, {64: 101})
    assert found.notes == [
        (
            "50 CAN FD frames with a faster part, whose bit rate no log tells: the load is less"
            " than it says"
        )
    ]
    assert main(["describe", str(path)]) == 0
    assert "101 frames of 1 identifier on channel can0 in 1 s" in capsys.readouterr().out
