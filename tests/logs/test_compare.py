"""What differs between two runs: nothing, something missing, late, changed."""

from __future__ import annotations

import json

import can
import pytest
from replay_lab import MS, S, real, text_log, wren

from linkloss.campaign.run import run
from linkloss.logs.compare import Side, compare, read_side
from linkloss.recording import series
from linkloss.report.export import write_log
from linkloss.report.machine import run_json
from linkloss.scenario import load_scenario


def side(rows, **more) -> Side:
    return Side("x", {(0xA0, False, False): rows} if rows else {}, **more)


def only(found):
    [message] = found.messages
    return message


REGULAR = [(n * 50 * MS, bytes([0, n % 16, 0, 0xFF])) for n in range(20)]


def test_a_side_does_not_differ_from_itself():
    found = compare(side(REGULAR), side(REGULAR))
    assert not found.differs
    assert only(found).paired == 20


def test_a_missing_and_an_additional_frame_are_found_where_they_are():
    shorter = [row for row in REGULAR if row[0] != 300 * MS]
    found = only(compare(side(REGULAR), side(shorter)))
    assert (found.missing, found.first_missing_ns, found.extra, found.changed) == (
        1,
        300 * MS,
        0,
        0,
    )
    found = only(compare(side(shorter), side(REGULAR)))
    assert (found.extra, found.first_extra_ns, found.missing) == (1, 300 * MS, 0)


@pytest.mark.parametrize(("late_ns", "late"), [(5 * MS, 0), (5 * MS + 1, 1), (-5 * MS - 1, 1)])
def test_the_tolerance_is_kept_to_the_nanosecond(late_ns, late):
    moved = [(at + late_ns, data) if at == 500 * MS else (at, data) for at, data in REGULAR]
    found = only(compare(side(REGULAR), side(moved), tolerance_ns=5 * MS))
    assert found.late == late
    assert found.latest_ns == (late_ns if late else 0)


def test_a_signal_that_changed_is_named_and_a_counter_is_left_aside():
    counted_anew = [(at, bytes([7, (n + 3) % 16, 0, 0xFF])) for n, (at, _) in enumerate(REGULAR)]
    found = only(compare(side(REGULAR), side(counted_anew), messages=wren().messages))
    assert not found.differs
    lit = [
        (at, bytes([0, data[1] | (0x10 if at >= S // 2 else 0), 0, 0xFF])) for at, data in REGULAR
    ]
    found = only(compare(side(REGULAR), side(lit), messages=wren().messages))
    assert found.signals == {"Position": (10, 500 * MS, 0.0, 1.0)}
    assert (found.changed, found.name) == (10, "0A0 LampRequest")


def test_without_definitions_any_change_of_content_counts():
    other = [(at, b"\1" + data[1:]) for at, data in REGULAR]
    assert only(compare(side(REGULAR), side(other))).changed == 20


def test_outputs_are_compared_with_the_tolerance():
    a = side([], outputs={"lamp": series((0, 0.0), (S, 1.0))}, end_ns=2 * S)
    near = side([], outputs={"lamp": series((0, 0.0), (S + 5 * MS, 1.0))}, end_ns=2 * S)
    far = side([], outputs={"lamp": series((0, 0.0), (S + 6 * MS, 1.0))}, end_ns=2 * S)
    assert compare(a, near, tolerance_ns=5 * MS).outputs == []
    [output] = compare(a, far, tolerance_ns=5 * MS).outputs
    assert (output.load, output.times, output.total_ns, output.first_ns) == ("lamp", 1, 6 * MS, S)
    assert (output.in_a, output.in_b) == (1.0, 0.0)


def test_logs_that_began_at_different_times_are_laid_together(tmp_path):
    rows = [(n * 0.05, "100#00") for n in range(20)]
    a = text_log(tmp_path / "a.log", *rows)
    b = text_log(
        tmp_path / "b.log", (1000.0, "200#00"), *((at + 1001.5, body) for at, body in rows)
    )
    found = compare(read_side(a), read_side(b))
    assert found.offset_ns == -1500 * MS
    assert [(m.key[0], m.differs) for m in found.messages] == [(0x100, False), (0x200, True)]


@pytest.fixture(scope="module")
def story():
    return run(load_scenario(wren().path.parent / "tail_cable_pulled.toml"))


@pytest.mark.parametrize("suffix", [".log", ".asc", ".blf", ".csv", ".trc", ".db", ".log.gz"])
def test_a_recording_and_its_own_log_do_not_differ(tmp_path, story, suffix):
    write_log(story.recording, "car", tmp_path / f"a{suffix}")
    (tmp_path / "a.json").write_text(run_json(story))
    found = compare(
        read_side(tmp_path / "a.json"), read_side(tmp_path / f"a{suffix}"), tolerance_ns=1000
    )
    assert not found.differs
    good = sum(record.error is None for record in story.recording.frames)
    assert sum(message.paired for message in found.messages) == good


def test_a_recording_with_a_fault_differs_in_messages_and_loads(tmp_path, story):
    (tmp_path / "a.json").write_text(run_json(story))
    document = json.loads(run_json(story))
    document["outputs"]["tail_left"] = [[0, 0.0]]
    (tmp_path / "b.json").write_text(json.dumps(document))
    found = compare(read_side(tmp_path / "a.json"), read_side(tmp_path / "b.json"))
    assert [output.load for output in found.outputs] == ["tail_left"]
    assert not any(message.differs for message in found.messages)


def test_a_real_recording_does_not_differ_from_a_copy_in_another_format(tmp_path):
    path = real("rav4/rav4_pt.log")
    with can.LogReader(path) as reader, can.BLFWriter(tmp_path / "copy.blf") as writer:
        for message in reader:
            message.channel = 0
            writer.on_message_received(message)
    found = compare(read_side(path), read_side(tmp_path / "copy.blf"), tolerance_ns=1000)
    assert not found.differs
    assert sum(message.paired for message in found.messages) == 66_234
