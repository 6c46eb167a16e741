"""Old content that wins the bus when nobody asks for it any more; mailboxes that are all full.

The lamp is asked for until 1000 ms. Debounce 20 ms, latency 50 ms, cycle 50 ms: content may be
100 ms old.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from judge_lab import MS, NS, Tape, broken, car, kept, ns

from linkloss.judge.case import Case
from linkloss.judge.control import full
from linkloss.recording import Foreign, Handed

PLAIN = "Plain.Lamp"
ASKED = {PLAIN: {"follows": "switch == on", "debounce": "20 ms", "latency": "50 ms"}}


def handed(tape: Tape, at_ms, on, sent_ms=None, taken=True, **how) -> Tape:
    """A frame that was handed over at an instant, and the end of it on the bus at ``sent_ms``; it
    started half a millisecond before.
    """
    entries = tape.recording.handed.setdefault("Plain", [])
    entries.append(Handed(ns(at_ms), bytes([on]), taken))
    if sent_ms is not None:
        tape.frame(sent_ms, 0x101, [on], **how)
    return tape


def asked_until_1000(sent_ms, **how) -> Tape:
    """Handed over at 950 ms, when it was asked for, and sent later; the newest is right."""
    tape = Tape(car(requests=ASKED)).input("switch", (500, "on"), (1000, "off"))
    handed(tape, 60, 0, 61)
    handed(tape, 520, 1, 521)
    handed(tape, 950, 1, sent_ms, **how)
    handed(tape, 1030, 0)
    return tape


def test_content_that_waited_through_a_change_breaks_control():
    """The cable was off for 1.5 s: what was queued first comes first when it is back."""
    verdict = asked_until_1000(2450).verdict("control", PLAIN)
    broken(verdict, at_ms=2450 - 0.5)
    assert verdict.culprit == "dash"
    assert "content 1.500 s old" in verdict.text


@pytest.mark.parametrize(("more_ns", "old"), [(0, False), (NS, True)])
def test_it_may_be_as_old_as_a_cycle_and_the_latency(more_ns, old):
    tape = Tape(car(requests={PLAIN: {**ASKED[PLAIN], "debounce": "0 ms"}}))
    tape.input("switch", (500, "on"), (955, "off"))
    handed(tape, 60, 0, 61)
    handed(tape, 510, 1, 511)
    handed(tape, 950, 1, Fraction(2101, 2) + more_ns)
    handed(tape, 960, 0)
    assert tape.verdict("control", PLAIN).broken is old


def test_content_that_is_still_asked_for_may_be_as_old_as_it_likes():
    tape = Tape(car(requests=ASKED)).input("switch", (500, "on"))
    handed(tape, 60, 0, 61)
    handed(tape, 520, 1, 2500)
    kept(tape.verdict("control", PLAIN))


def test_content_that_reached_nobody_or_that_a_fault_made_old_is_not_told():
    kept(asked_until_1000(2450, to=()).verdict("control", PLAIN))
    delayed = asked_until_1000(2450).fault("delay", 900, 2400, content=True)
    kept(delayed.verdict("control", PLAIN))


def test_of_equal_content_the_youngest_is_what_was_sent():
    tape = asked_until_1000(960)
    tape.input("switch", (2000, "on"))
    handed(tape, 2030, 1, 2031)
    kept(tape.verdict("control", PLAIN))


# ---- full mailboxes


def spans(tape: Tape, mailboxes) -> list[tuple[float, float]]:
    """The spans in ms in which all mailboxes of the dash waited."""
    nodes = {"dash": {"mailboxes": mailboxes}}
    tape.vehicle = car(nodes=nodes, requests=ASKED)
    tape.judged()  # which puts the frames in order
    found = full(Case(tape.vehicle, tape.recording), "dash")
    return [(from_ns / MS, to_ns / MS) for from_ns, to_ns in found]


def test_mailboxes_are_full_from_the_last_that_is_filled_to_the_first_that_is_sent():
    tape = Tape(car(requests=ASKED)).status("dash")
    handed(tape, 100, 0)
    handed(tape, 150, 1, 400)
    handed(tape, 450, 1, 451)
    assert spans(tape, 2) == [(150, 400), (450, 451)]
    assert spans(tape, 3) == []


def test_what_is_not_the_nodes_to_send_fills_them_too():
    tape = Tape(car(requests=ASKED)).status("dash")
    tape.recording.foreign.append(Foreign(ns(100), "dash", 1, False, b"\0"))
    handed(tape, 150, 1, 400)
    assert spans(tape, 2) == [(150, 400)]


def test_a_frame_that_is_taken_shows_that_there_was_room():
    """The two that waited had been taken back."""
    tape = Tape(car(requests=ASKED)).status("dash")
    handed(tape, 100, 0)
    handed(tape, 150, 1)
    handed(tape, 300, 1)
    assert spans(tape, 2) == [(150, 300)]


def test_a_reset_empties_them_and_a_muted_controller_never_fills():
    tape = Tape(car(requests=ASKED)).status("dash")
    handed(tape, 100, 0)
    handed(tape, 150, 1)
    tape.reset("dash", 200)
    assert spans(tape, 2) == [(150, 200)]
    tape.fault("mute", 90, 200)
    tape.recording.faults[-1] = replace(tape.recording.faults[-1], nodes=("dash",))
    assert spans(tape, 2) == []


def waits(*, room: bool) -> Tape:
    """Two mailboxes, both waiting from 950 to 1500 ms for a cable that is off. The lamp is no
    longer asked for at 1000 ms; the program hands that over at 1510 ms.
    """
    nodes = {"dash": {"mailboxes": 3 if room else 2}}
    tape = Tape(car(nodes=nodes, requests=ASKED)).status("dash")
    tape.input("switch", (500, "on"), (1000, "off"))
    handed(tape, 60, 0, 61)
    handed(tape, 520, 1, 521)
    handed(tape, 900, 1, 1500, to=())
    handed(tape, 950, 1, 1501, to=())
    return handed(tape, 1510, 0, 1511)


def test_a_program_without_a_free_mailbox_need_not_hand_anything_over():
    kept(waits(room=False).verdict("control", PLAIN))
    broken(waits(room=True).verdict("control", PLAIN))
