"""*foreign*: a program hands over what is its node's to send, and nothing else."""

from __future__ import annotations

from judge_lab import Tape, broken, car, kept, ns, untested
from sender_lab import drive, every, foreign, plain, verdict, verdicts, wren


def test_a_node_that_sends_its_own_keeps_it():
    made = plain(Tape(car(), 1000), *every(60, 1000))
    kept(verdict(made, "dash", "foreign"), None)
    untested(verdict(made, "rear", "foreign"))


def test_one_frame_of_another_identifier_breaks_it_and_only_its_node():
    made = plain(Tape(car(), 1000), *every(60, 1000))
    found = verdict(foreign(made, "rear", (500, 1, False)), "rear", "foreign")
    broken(found, at_ms=500)
    assert "0x001, which no message of the message definition has" in found.text
    assert not verdict(made, "dash", "foreign").broken


def test_the_finding_names_the_node_whose_frame_it_is():
    made = foreign(Tape(car(), 1000), "rear", (500, 0x101, False), (600, 0x101, False))
    assert verdict(made, "rear", "foreign").text == (
        "handed over a frame 0x101, Plain, which dash sends; 1 more such frame"
    )


def test_what_is_declared_may_be_sent_in_the_format_that_is_declared():
    also = {"rear": {"also_sends": ["0x123", "0x18FF0010x"]}}
    made = Tape(car(nodes=also), 1000)
    foreign(made, "rear", (300, 0x123, False), (400, 0x18FF0010, True))
    kept(verdict(made, "rear", "foreign"))
    broken(verdict(foreign(made, "rear", (500, 0x123, True)), "rear", "foreign"), at_ms=500)


def test_what_came_before_is_not_judged():
    made = foreign(Tape(car(), 1000), "rear", (500, 1, False))
    assert not verdicts(made.vehicle, made.recording, ns(600))[("rear", "foreign")].broken


def test_what_a_fault_sends_in_a_nodes_name_is_not_its_own():
    faults = (
        ("flood", {"node": "rear", "identifier": 1, "share": 0.3}, 700, 900),
        ("impostor", {"message": "EngineRequest", "node": "rear"}, 1000, 1500),
    )
    for node in ("rear", "engine"):
        kept(drive(wren(), "parked", *faults)[(node, "foreign")])
