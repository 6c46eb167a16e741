"""*good* messages: which of those delivered count, seen through what a load must do."""

from __future__ import annotations

import pytest
from judge_lab import NS, Tape, broken, car, edge

from linkloss.bus import RecordList
from linkloss.judge.case import Case

PERIODS = 5
"""max_step by default: the periods of 50 ms in stale_after, 250 ms."""


def arrivals(tape, load="lamp"):
    """(ms, sure) of the good requests of the last life of the rear node."""
    tape.recording.frames = RecordList(sorted(tape._frames, key=lambda record: record.end_ns))
    case = Case(tape.vehicle, tape.recording)
    table = tape.vehicle.loads[load]
    found = case.arrivals("Request", "rear", case.link("Request", table))
    return [(entry.at_ns / 1e6, entry.sure) for entry in found[-1]]


def sequence(*entries, load=None):
    """Requests as (ms, counter)."""
    tape = Tape(car(lamp=load or {}), 3000)
    for at_ms, counter in entries:
        tape.request(at_ms, on=True, counter=counter)
    return tape


def test_the_first_message_is_good_whatever_its_counter():
    assert arrivals(sequence((100, 9))) == [(100, True)]


@pytest.mark.parametrize("step", range(1, PERIODS + 1))
def test_a_counter_may_move_by_up_to_the_periods_in_stale_after(step):
    assert arrivals(sequence((100, 3), (150, 3 + step))) == [(100, True), (150, True)]


@pytest.mark.parametrize("step", [0, PERIODS + 1, 15])
def test_a_repeat_a_leap_and_a_step_back_are_not_good(step):
    assert arrivals(sequence((100, 3), (150, (3 + step) % 16))) == [(100, True)]


def test_a_declared_max_step_counts():
    load = {"max_step": 1}
    assert arrivals(sequence((100, 3), (150, 5), load=load)) == [(100, True)]


def test_a_counter_wraps():
    assert arrivals(sequence((100, 15), (150, 0))) == [(100, True), (150, True)]
    assert arrivals(sequence((100, 14), (150, 3))) == [(100, True), (150, True)]
    assert arrivals(sequence((100, 14), (150, 4))) == [(100, True)]


def test_steps_count_from_the_last_good_message_not_from_the_last_one():
    """9 is a leap from 3 and is dropped; 4 then is a step of one from 3, 10 a leap of 6 from 4."""
    assert arrivals(sequence((100, 3), (150, 9), (200, 4), (250, 10))) == [
        (100, True),
        (200, True),
    ]


JUMP = (100, 3), (150, 5), (200, 6)
"""Counters of which one has moved by two, and the next follows it."""


@pytest.mark.parametrize(
    ("after_jump", "found"),
    [
        ("accept", [(100, True, False), (150, True, False), (200, True, False)]),
        ("refuse one", [(100, True, False), (200, True, False)]),
        ("lost", [(100, True, False), (150, True, True), (200, True, False)]),
        (
            "either",
            [(100, True, False), (150, False, True), (150, False, False), (200, True, False)],
        ),
    ],
)
def test_what_a_receiver_makes_of_a_jump_is_declared(after_jump, found):
    """(ms, surely, as a lost link): the jump is good, refused, a loss, or any of these; the next
    that follows it counts for all.
    """
    tape = sequence(*JUMP, load={"after_jump": after_jump})
    tape.recording.frames = RecordList(tape._frames)
    case = Case(tape.vehicle, tape.recording)
    link = case.link("Request", tape.vehicle.loads["lamp"])
    (entries,) = case.arrivals("Request", "rear", link)
    assert [(entry.at_ns / 1e6, entry.sure, entry.lost) for entry in entries] == found


def jump(after_jump, *levels, on=True):
    """Asked for on up to 460 ms with counters 1 to 9; from 510 ms on for ``on`` or off, with
    counters from 11 on. The lamp is lit from 70 ms on.
    """
    tape = Tape(car(lamp={"after_jump": after_jump}), 2000).requests(60, 461, on=True)
    tape.request(510, on=on, counter=11).requests(560, 2000, on=on)
    return tape.output("lamp", (70, 1), *levels)


def test_an_accepted_jump_is_followed_at_once():
    """Asked off at 510 ms: due at 530 ms."""
    edge(lambda late: jump("accept", (530 + late, 0), on=False), "fresh", deadline_ms=530)


def test_a_refused_jump_is_not_followed_and_the_next_is():
    """Off from 560 ms on, by 580 ms. Who takes the jump at 510 ms does so too soon."""
    edge(lambda late: jump("refuse one", (580 + late, 0), on=False), "fresh", deadline_ms=580)
    assert jump("refuse one", (560, 0), on=False).broken() == []
    broken(jump("refuse one", (560 - NS, 0), on=False).verdict("fresh"), NS, 560 - NS)
    broken(jump("refuse one", (515, 0), on=False).verdict("fresh"), 45, 515)


def test_a_refused_jump_is_no_lost_link():
    """Asked for all the time: a lamp that goes dark for it is wrong."""
    assert jump("refuse one").broken() == []
    assert jump("refuse one", (520, 0), (580, 1)).broken() == [("lamp", "fresh")]


def test_who_refuses_one_jump_after_the_other_loses_the_link():
    """Counters that move by two each time, from 510 ms on: off by 460 + 270 = 730 ms. One that
    takes them stays on.
    """

    def tape(after_jump, *levels):
        made = Tape(car(lamp={"after_jump": after_jump}), 2000).requests(60, 461, on=True)
        for number, at_ms in enumerate(range(510, 2000, 50)):
            made.request(at_ms, on=True, counter=(11 + 2 * number) % 16)
        made.fault("alter", 500, None, content=True)
        return made.output("lamp", (70, 1), *levels)

    edge(lambda late: tape("refuse one", (730 + late, 0)), "stale", deadline_ms=730)
    broken(tape("refuse one").verdict("stale"), 1270, 730)
    assert tape("accept").broken() == []
    assert tape("accept", (730, 0)).broken("lamp") != []


def test_a_jump_that_counts_as_a_lost_link_has_the_reaction_and_is_followed_by_a_return():
    """Lost at 510 ms: off by 530 ms, whatever it asks for; good again at 560 and 610 ms: on from
    560 ms on, by 630 ms.
    """
    edge(lambda late: jump("lost", (530 + late, 0), (560, 1)), "stale", deadline_ms=530)
    edge(lambda late: jump("lost", (520, 0), (630 + late, 1)), "rejoin", deadline_ms=630)
    broken(jump("lost", (510 - NS, 0), (560, 1)).verdict("stale"), at_ms=510 - NS)
    broken(jump("lost", (520, 0), (560 - NS, 1)).verdict("rejoin"), NS, 560 - NS)
    broken(jump("lost").verdict("stale"), 30, 530)


LOST = (520, 0), (570, 1)
"""What a lamp shows whose node takes a jump for a lost link."""


@pytest.mark.parametrize("levels", [(), LOST])
def test_where_a_jump_is_left_open_a_lamp_that_stays_lit_and_one_that_blinks_are_right(levels):
    assert jump("either", *levels).broken() == []


@pytest.mark.parametrize(
    ("levels", "rule"),
    [
        (((510 - NS, 0), (560, 1)), "stale"),  # before the jump
        (((520, 0), (560 - NS, 1)), "rejoin"),  # back before anybody has asked again
        (((520, 0), (630 + NS, 1)), "rejoin"),  # back too late
        (((520, 0), (530, 1), (540, 0), (570, 1)), "rejoin"),  # twice
    ],
)
def test_where_a_jump_is_left_open_not_everything_is_right(levels, rule):
    assert jump("either", *levels).broken() == [("lamp", rule)]


def test_where_a_jump_is_left_open_what_it_asks_for_is_due_with_the_next():
    """Who refuses the jump goes off by 580 ms; nobody before 510 ms or between."""
    edge(lambda late: jump("either", (580 + late, 0), on=False), "fresh", deadline_ms=580)
    assert jump("either", (510, 0), on=False).broken() == []
    assert jump("either", (530, 0), on=False).broken() == []
    assert jump("either", (510 - NS, 0), on=False).broken("lamp") != []
    assert jump("either", (530 + NS, 0), on=False).broken("lamp") != []
    assert jump("either", (560 - NS, 0), on=False).broken("lamp") != []


def jumps(*levels):
    """As :func:`jump`, with a second jump of two at 1010 ms."""
    tape = Tape(car(lamp={"after_jump": "either"}), 2000)
    tape.requests(60, 461, on=True).request(510, on=True, counter=11).requests(560, 1010, on=True)
    tape.request(1010, on=True, counter=(tape.counter + 2) % 16).requests(1060, 2000, on=True)
    return tape.output("lamp", (70, 1), *levels)


def test_a_node_does_the_same_with_each_jump():
    """It stays lit at both, or goes dark at both; not now this and now that."""
    again = (1020, 0), (1070, 1)
    assert jumps().broken() == []
    assert jumps(*LOST, *again).broken() == []
    assert jumps(*LOST).broken("lamp") != []
    assert jumps(*again).broken("lamp") != []


def test_the_first_message_after_a_loss_is_good_whatever_its_counter():
    """Surely lost behind 100 + 270 = 370 ms; from 345 ms on the receiver may see it either way."""
    assert arrivals(sequence((100, 3), (345 - NS, 3))) == [(100, True)]
    assert arrivals(sequence((100, 3), (345, 3))) == [(100, True), (345, False)]
    assert arrivals(sequence((100, 3), (370, 3))) == [(100, True), (370, False)]
    assert arrivals(sequence((100, 3), (370 + NS, 3))) == [(100, True), (370 + float(NS), True)]


def test_a_repeat_that_may_be_good_leaves_both_counters_open():
    """At 350 ms a repeat of 3. Who refused it has lost the link at 370 ms and takes the 9 at
    400 ms, a leap of 6 for the others; these take the 4 at 450 ms, a step back for the former.
    """
    found = arrivals(sequence((100, 3), (350, 3), (400, 9), (450, 4)))
    assert found == [(100, True), (350, False), (400, False), (450, False)]


def test_whoever_has_lost_the_link_may_refuse_a_message_that_repeats_itself():
    """Surely lost at 370 ms: the 3 at 400 ms may be the first one back, or the old one still. For
    whoever took it the 12 at 500 ms is a leap of 9.
    """
    old = [(at_ms, 3) for at_ms in (200, 300, 400)]
    found = arrivals(sequence((100, 3), *old, (500, 12), (550, 13)))
    assert found == [(100, True), (400, False), (500, False), (550, False)]


def repeated(*levels):
    """Asked for on with the counters 1 to 9 up to 460 ms; from 560 ms on the 9 repeats itself every
    100 ms until 1460 ms, and from 1510 ms on the request goes on. The lamp is lit from 70 ms on.
    """
    tape = Tape(car(lamp={"on_stale": "off"}), 2500).requests(60, 461, on=True)
    tape.fault("freeze", 500, 1500, content=True)
    for at_ms in range(560, 1461, 100):
        tape.request(at_ms, on=True, counter=9)
    return tape.requests(1510, 2500, on=True).output("lamp", (70, 1), *levels)


def test_a_receiver_that_a_repeated_message_keeps_on_is_broken():
    assert repeated((720, 0), (1560, 1)).broken() == []  # it refuses all that repeats itself
    edge(lambda late: repeated((730 + late, 0), (1560, 1)), "stale", deadline_ms=730)
    broken(repeated().verdict("stale"), 30, 730)  # at 760 ms it may have come back


def test_after_a_reset_of_the_sender_either_verdict_is_allowed():
    tape = sequence((100, 3), (1000, 3), (1050, 4), (1300, 0)).reset("dash", 1100)
    assert arrivals(tape)[-2:] == [(1050, True), (1300, False)]


def test_a_message_without_a_counter_is_good_after_a_reset_of_its_sender():
    tape = Tape(car(lamp={"request": "Plain.Lamp"}), 3000).plain(100, 1000, on=True)
    tape.plain(1200, 1201, on=False).reset("dash", 1000)
    tape.recording.frames = RecordList(tape._frames)
    case = Case(tape.vehicle, tape.recording)
    link = case.link("Plain", tape.vehicle.loads["lamp"])
    assert all(entry.sure for entry in case.arrivals("Plain", "rear", link)[0])


def bad(tape, at_ms, kind):
    data = {"short": [1, 5], "long": [1, 5, 6, 0], "checksum": [1, 5, 7]}.get(kind, [1, 5, 6])
    if kind == "foreign":
        return tape.frame(at_ms, 0x102, data)
    if kind == "not delivered":
        return tape.frame(at_ms, 0x100, data, to=())
    if kind == "error":
        return tape.frame(at_ms, 0x100, data, error="disturbed")
    return tape.frame(at_ms, 0x100, data)


@pytest.mark.parametrize("kind", ["short", "long", "checksum", "foreign", "not delivered", "error"])
def test_what_is_not_good_does_not_count(kind):
    tape = sequence((100, 4))
    assert arrivals(bad(tape, 150, kind)) == [(100, True)]
    assert arrivals(bad(sequence((100, 4)), 150, "well formed")) == [(100, True), (150, True)]


def test_bad_messages_keep_no_link_alive():
    """Good up to 460 ms, then frames with a wrong checksum for ever: off is due at 730 ms."""
    tape = Tape(car(), 3000).requests(60, 461, on=True).fault("alter", 465, None, content=True)
    for at_ms in range(510, 3000, 50):
        bad(tape, at_ms, "checksum")
    tape.output("lamp", (70, 1), (730, 0))
    assert tape.verdict("stale").margin_ns == 0
    late = Tape(car(), 3000).requests(60, 461, on=True).fault("alter", 465, None, content=True)
    for at_ms in range(510, 3000, 50):
        bad(late, at_ms, "checksum")
    assert late.output("lamp", (70, 1), (730 + NS, 0)).broken() == [("lamp", "stale")]


def overrun(kind):
    tape = sequence((100, 3)).fault(kind, 120, 180)
    return tape.request(150, on=True, counter=4, overrun=("rear",))


def test_a_message_lost_to_a_full_fifo_counts_all_the_same():
    """A slow loop is the firmware's own fault."""
    assert arrivals(overrun("noise")) == [(100, True), (150, True)]


def test_under_a_flood_a_message_lost_to_a_full_fifo_may_have_been_seen_or_not():
    assert arrivals(overrun("flood")) == [(100, True), (150, False)]
    late = sequence((100, 3)).fault("flood", 160, 180)
    late.request(150, on=True, counter=4, overrun=("rear",))
    assert arrivals(late) == [(100, True), (150, True)]


def test_messages_that_came_before_the_reset_of_the_receiver_are_forgotten():
    """Counter 3 before, 3 after: the first after boot is good."""
    tape = sequence((900, 3), (1060, 3)).reset("rear", 1000)
    assert arrivals(tape) == [(1060, True)]


def test_a_frame_that_its_sender_repeats_counts_where_it_was_accepted():
    # an error in the last bits but one of the end of frame: the rear node has it, the sender does
    # not know; the repeat has the same counter
    tape = Tape(car(lamp={}), 3000)
    tape.request(100, on=True, counter=3, error="disturbed", to=["rear"])
    tape.request(101, on=True, counter=3)
    tape.request(150, on=True, counter=4)
    assert arrivals(tape) == [(100, True), (150, True)]
    traffic = Case(tape.vehicle, tape.recording).traffic("Request")
    assert [at_ns / 1e6 for at_ns in traffic.sent.times] == [101, 150]
    assert [at_ns / 1e6 for at_ns in traffic.heard_by("rear").times] == [100, 101, 150]
    assert [at_ns / 1e6 for at_ns in traffic.sent_by("dash").times] == [101, 150]
