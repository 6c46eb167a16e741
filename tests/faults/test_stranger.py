"""Frames that are nearly a message: what a stranger sends, and that a right node does not care."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from shutil import copytree

import pytest
from small_car import MS, fault, run, small_vehicle

from linkloss.campaign.cases import CaseMaker
from linkloss.campaign.run import run_case
from linkloss.campaign.selection import case_named
from linkloss.faults.catalogue import FaultError, catalogue, make_fault
from linkloss.faults.frame_faults import requests
from linkloss.faults.intruders import contrary, twins
from linkloss.scenario import TimedFault
from linkloss.session import simulate
from linkloss.vehicle.loading import load_vehicle

ROOT = Path(__file__).parents[2]
REQUEST = "LampRequest"
FORMS = ("neighbour", "twin", "length", "remote", "dlc")


@cache
def wren():
    return load_vehicle(ROOT / "scenarios" / "wren" / "vehicle.toml")


def sent(form, from_ms=200, until_ms=600):
    ran = run((fault("stranger", message=REQUEST, node="front", form=form), from_ms, until_ms))
    return [r.frame for r in ran.recording.frames if r.sender == "stranger at front"], ran


def test_every_identifier_one_bit_away_is_sent_in_turn_unless_it_is_somebodys():
    frames, _ = sent("neighbour")
    taken = {m.identifier for m in small_vehicle().messages.values()}
    near = [256 ^ 1 << bit for bit in range(11)]
    assert taken & set(near)  # else nothing is left out here
    assert {frame.identifier for frame in frames} == set(near) - taken
    assert not any(frame.extended or frame.remote for frame in frames)


def test_the_twin_has_the_number_in_the_other_format():
    frames, _ = sent("twin")
    found = {(frame.identifier, frame.extended) for frame in frames}
    assert found == {(256, True), (256 << 18, True)}
    extended = replace(small_vehicle().messages[REQUEST], identifier=0x18FF0103, extended=True)
    assert twins(extended) == [0x103, 0x18FF0103 >> 18]


def test_the_other_forms_have_the_identifier_itself_and_differ_in_one_thing():
    frames, _ = sent("length")
    assert {(f.identifier, f.extended, f.remote) for f in frames} == {(256, False, False)}
    assert {len(f.data) for f in frames} == {0, 1, 2, 4, 5, 6, 7, 8}
    frames, _ = sent("remote")
    assert {(f.identifier, f.remote, f.dlc) for f in frames} == {(256, True, 3)}
    frames, _ = sent("dlc")
    assert {(f.identifier, f.dlc, len(f.data)) for f in frames} == {
        (256, code, 8) for code in range(9, 16)
    }


def test_another_length_comes_with_the_checksum_of_the_message_and_with_its_own():
    message = wren().messages["LampRequest"]
    made = make_fault(
        "stranger", {"message": "LampRequest", "node": "front", "form": "length"}, wren()
    )
    case = CaseMaker(wren()).case("night_drive", (TimedFault(made, 700 * MS, 1300 * MS),))
    frames = simulate(case).frames
    strange = [r.frame.data for r in frames if r.sender == "stranger at front"]
    lengths = {0, 1, 2, 3, 5, 6, 7, 8}
    own = {len(data) for data in strange if data and message.checksum(data)}
    whole = {len(data) for data in strange if message.checksum((data + bytes(4))[:4])}
    assert {len(data) for data in strange} == lengths
    assert own == lengths - {0}
    assert whole >= {5, 6, 7, 8}


@pytest.mark.parametrize("form", FORMS)
def test_it_keeps_away_from_the_true_frames(form):
    _, ran = sent(form)
    assert {record.error for record in ran.recording.frames} == {None}


def test_it_says_the_contrary_with_the_next_counter_and_the_right_checksum():
    message = wren().messages["StartRequest"]
    asked = message.signals["Starter"]
    for counter in (3, (1 << message.counter.length_bits) - 1):
        data = next(
            contrary(wren(), message, bytes([first, second, *bytes(message.length - 2)]))
            for first in range(256)
            for second in range(256)
            if message.counter.raw(bytes([first, second, *bytes(message.length - 2)])) == counter
        )
        assert message.checksum(data)
        assert message.counter.raw(data) == (counter + 1) % (1 << message.counter.length_bits)
        assert asked.raw(data) == (1 << asked.length_bits) - 1


def test_a_message_of_eight_bytes_is_repeated_under_a_higher_length_code(tmp_path):
    copytree(Path(__file__).parent / "small", tmp_path / "small")
    for name, old, new in (
        ("small.dbc", "BO_ 256 LampRequest: 3", "BO_ 256 LampRequest: 8"),
        ("small_nodes.py", "self.counter, 0xAA]", "self.counter, 0xAA, 0, 0, 0, 0, 0]"),
    ):
        path = tmp_path / "small" / name
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new), encoding="utf-8")
    vehicle = load_vehicle(tmp_path / "small" / "vehicle.toml")
    made = make_fault("stranger", {"message": REQUEST, "node": "rear", "form": "dlc"}, vehicle)
    records = run((made, 200, 500), vehicle=vehicle, lights=[(300, "on")]).recording.frames
    last = None
    for record in (r for r in records if r.frame.identifier == 256):
        if record.sender == "dash":
            last = record.frame.data
        else:
            assert (record.frame.data, record.error) == (last, None)
    codes = {r.frame.dlc for r in records if r.sender == "stranger at rear"}
    assert codes == set(range(9, 16))


def test_the_catalogue_has_one_for_each_form_and_message_that_a_node_acts_on():
    found = [(f.message, f.form) for f in catalogue()["stranger"].every(wren())]
    assert found == [(message, form) for message in requests(wren()) for form in FORMS]


def test_what_does_not_fit_is_refused_in_words():
    with pytest.raises(FaultError, match="neighbour"):
        fault("stranger", message=REQUEST, node="front", form="cousin")
    with pytest.raises(FaultError, match="unknown message"):
        fault("stranger", message="LampRequst", node="front", form="twin")


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("message", ["LampRequest", "StartRequest", "EngineData"])
def test_a_right_car_does_not_care_and_the_case_has_a_name(message, form):
    made = make_fault("stranger", {"message": message, "node": "rear", "form": form}, wren())
    case = CaseMaker(wren()).case("cranking", (TimedFault(made, 700 * MS, 1900 * MS),))
    assert case.name == f"cranking/stranger({message},rear,{form})@700ms+1200ms"
    assert case_named(wren(), case.name) == case
    result = run_case(case)
    assert [verdict for verdict in result.verdicts if verdict.broken] == []
