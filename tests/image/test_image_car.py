"""A sketch as it is flashed, in the place of the demo car's rear node."""

from __future__ import annotations

import hashlib
import os
import signal
import subprocess
from itertools import pairwise
from pathlib import Path

import pytest
from image_cars import AVR, image_car, in_situation

from linkloss.clock.wallclock import process_time
from linkloss.faults.catalogue import make_fault
from linkloss.judge import judge
from linkloss.problem import BadInput
from linkloss.recording import recording_form
from linkloss.scenario import TimedFault
from linkloss.session import Session, simulate

MS = 1_000_000


def fault(vehicle, kind, at_ms, until_ms=None, **settings):
    made = make_fault(kind, {"node": "rear", **settings}, vehicle)
    return TimedFault(made, at_ms * MS, None if until_ms is None else until_ms * MS)


def test_it_keeps_its_rules_and_sends_its_heartbeat(tmp_path):
    vehicle = image_car(tmp_path)
    recording = simulate(in_situation(vehicle, "braking"))
    assert [str(each) for each in judge(vehicle, recording) if each.broken] == []
    sent = [each for each in recording.frames if each.sender == "rear" and each.error is None]
    assert {each.frame.identifier for each in sent} == {0x202}
    assert len(sent) == 30
    assert all(95 * MS < b.end_ns - a.end_ns < 105 * MS for a, b in pairwise(sent))
    assert recording.crashes == []
    assert set(recording.outputs["brake_lamps"].values) == {0.0, 1.0}


@pytest.mark.parametrize("kind", [None, "hang", "bus_off"])
def test_it_gets_the_verdicts_that_its_source_gets(tmp_path, kind):
    """The same sketch, compiled for the bench: the same rules kept, and none more exercised."""
    found = []
    for own in (AVR, ""):
        folder = tmp_path / ("image" if own else "source")
        folder.mkdir()
        vehicle = image_car(folder, own=own)
        end_ms = 1500 if kind == "hang" else None
        faults = [] if kind is None else [fault(vehicle, kind, 900, end_ms)]
        recording = simulate(in_situation(vehicle, "braking", *faults))
        verdicts = judge(vehicle, recording)
        found.append({(each.subject, each.rule, each.outcome) for each in verdicts})
    assert found[0] == found[1]


def test_the_same_run_is_the_same_to_the_byte(tmp_path):
    vehicle = image_car(tmp_path)
    scenario = in_situation(vehicle, "braking")
    first, second = simulate(scenario), simulate(scenario)
    assert written(first) == written(second)


def test_a_reset_and_a_hang_are_survived(tmp_path):
    vehicle = image_car(tmp_path)
    faults = [fault(vehicle, "reset", 700), fault(vehicle, "hang", 1500, 1900)]
    recording = simulate(in_situation(vehicle, "braking", *faults))
    assert [str(each) for each in judge(vehicle, recording) if each.broken] == []
    changes = [(each.state, each.cause) for each in recording.nodes["rear"]]
    assert changes[2:4] == [("reset", "fault"), ("running", "boot")]
    assert ("reset", "watchdog") in changes  # its own, of 120 ms


def test_a_run_that_parts_goes_on_in_the_child_as_in_the_parent(tmp_path):
    """Where the bench forks, the processor has a twin in the child."""
    vehicle = image_car(tmp_path)
    session = Session(in_situation(vehicle, "braking"))
    session.begin()
    session.run_to(1_000 * MS)
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.write(writer, digest(session.go_on(session.scenario)))
        finally:
            os._exit(0)
    os.close(writer)
    mine = digest(session.go_on(session.scenario))
    theirs = os.read(reader, 100)
    os.close(reader)
    os.waitpid(child, 0)
    assert theirs == mine


def test_who_waits_for_an_image_does_not_sleep(tmp_path):
    """A check that waits for the processor of an image on a busy machine is not called blocked."""
    session = Session(in_situation(image_car(tmp_path), "braking"))
    name = Path("/proc/self/comm")
    before = name.read_text()
    session.begin()
    session.run_to(100 * MS)
    child = subprocess.Popen(["sleep", "20"])
    helped = os.fork()
    if helped == 0:
        signal.pause()
        os._exit(0)
    try:
        while not process_time(child.pid).sleeps:
            pass
        while "State:\tS" not in Path(f"/proc/{helped}/status").read_text():
            pass
        assert not process_time(helped).sleeps
    finally:
        for process in (child.pid, helped):
            os.kill(process, signal.SIGKILL)
        child.wait()
        os.waitpid(helped, 0)
    assert name.read_text() != before
    session.end()
    assert name.read_text() == before


def written(recording):
    return recording_form().dump_json(recording)


def digest(recording):
    return hashlib.sha256(written(recording)).digest()


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (AVR, '\ntarget = "avr"\nboard = "megga"', "'megga'.*did you mean 'mega'"),
        (AVR, '\ntarget = "avr"', "an image runs on a processor; expected 'chip' or 'board'"),
        (AVR, '\ntarget = "avr"\nchip = "atmega328p"', "a chip has no pin 3; expected one like"),
        (AVR, '\ntarget = "avr"\nboard = "uno"', "board 'uno' has no pin 22; expected 0 to 19"),
        (AVR, '\nboard = "mega"', "'board' belongs to an image"),
        ("supply = { pin = 54,", "supply = { pin = 40,", "pin 40 leads to no channel"),
        ('pin = 54, volts = "25 V"', 'pin = 54, amps = "25 A"', "'supply' is sensed in volts"),
        ("tail_left = 3\n", 'tail_left = "PM1"\n', "'PM1' is no pin; expected a number"),
        ("select = 53", 'select = "PL9"', "'PL9' is no pin"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_told_in_a_line(tmp_path, old, new, told):
    with pytest.raises(BadInput, match=told):
        image_car(tmp_path, **{old: new})


def test_a_file_that_is_no_image_is_told(tmp_path):
    from linkloss.session.session import ready

    (tmp_path / "rear.elf").write_text("nonsense")
    vehicle = image_car(tmp_path, **{"c = [": 'image = "rear.elf"  # [', 'target = "avr"': ""})
    with pytest.raises(BadInput, match=r"nodes.rear.image: .*is no image; expected an ELF file"):
        ready(vehicle)


def test_a_package_that_is_missing_is_named(tmp_path, monkeypatch):
    from linkloss.firmware import avr

    monkeypatch.setattr(avr, "_LIBRARY_HEADER", tmp_path / "none")
    with pytest.raises(BadInput, match="an image needs libsimavr: apt install libsimavr-dev"):
        image_car(tmp_path)
