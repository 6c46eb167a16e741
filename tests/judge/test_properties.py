"""The judge against two models of its rules, over recordings drawn at random."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st
from judge_lab import KEPT, MS, Tape, car, stretches
from judge_reference import Rear, Rules, called_for, first_wrong

END_MS = 3000
END = END_MS * MS

rough = st.integers(-2, 2)


@st.composite
def demands(draw):
    """A load's rules; half of them hold for a while only."""
    hold_for = draw(st.none() | st.sampled_from([100, 400, 800]))
    return Rules(
        on_stale=draw(st.sampled_from(["off", "on", "hold"])),
        on_reset=draw(st.integers(0, 1)),
        hardware=draw(st.integers(0, 1)),
        hold_for=None if hold_for is None else hold_for * MS,
        then=draw(st.integers(0, 1)),
        confirm=draw(st.integers(1, 3)),
    )


def exact(ns):
    """ns -> the ms that the tape takes."""
    return Fraction(ns, MS)


def tape_of(rules, resets, messages, levels, request="Plain.Lamp", cleared=None):
    """The same history as a recording; a fault that never clears leaves all to the load itself."""
    tape = Tape(car(lamp=rules.load() | {"request": request}), END_MS)
    tape.recording.nodes["rear"] = []
    for index, (reset, up) in enumerate(resets):
        tape.node("rear", (exact(reset), "reset", "fault" if index else "power-up"))
        tape.node("rear", (exact(up), "running", "boot"))
    for at, asked, *counter in messages:
        if request == "Plain.Lamp":
            tape.frame(exact(at), 0x101, [asked])
        else:
            tape.request(exact(at), asked, counter=counter[0])
    tape.fault("drop", 0, cleared)
    tape.recording.outputs["lamp"].times.clear()
    tape.recording.outputs["lamp"].values.clear()
    return tape.output("lamp", *((exact(at), level) for at, level in levels))


def level_at(levels, t):
    return [level for at, level in levels if at <= t][-1]


@st.composite
def drives(draw, recovers=False):
    """A right program over a lossy link: rules, program, resets, delivered messages, and the
    resets of their sender.
    """
    rules = draw(demands())
    cleared = 1500 * MS if recovers else END
    resets = [(0, draw(st.integers(20, 100)) * MS)]
    if draw(st.booleans()):
        at = draw(st.integers(300, 1300)) * MS
        resets.append((at, at + draw(st.integers(20, 100)) * MS))
    sender_reset = END if recovers else draw(st.integers(400, 5000)) * MS
    delivered, counter, at, lost_until = [], draw(st.integers(0, 15)), 30 * MS, 0
    asked, sent_anew = 0, []
    while at < END - 60 * MS:
        at += 50 * MS + draw(st.integers(-2 * MS, 2 * MS))
        counter = (counter + 1) % 16
        if at >= sender_reset:
            sent_anew = [at]
            at, counter, sender_reset = at + 100 * MS, draw(st.integers(0, 15)), END
        asked = asked ^ draw(st.sampled_from([0, 0, 0, 1]))
        if draw(st.integers(0, 9)) == 0 and at < cleared:
            lost_until = min(cleared, at + draw(st.integers(50, 700)) * MS)
        if at >= lost_until and not any(reset <= at < up for reset, up in resets):
            delivered.append((at, asked, counter))
    program = Rear(
        rules,
        follow=draw(st.sampled_from([0, rules.latency]) | st.integers(0, rules.latency)),
        lost=draw(
            st.sampled_from([-rules.early, 0, rules.reaction])
            | st.integers(-rules.early, rules.reaction)
        ),
        trust=draw(st.integers(1, rules.confirm)),
    )
    return rules, program, resets, delivered, sent_anew


def driven(drive, cleared=None):
    """The recording of a drive, and what its program made of the output."""
    rules, program, resets, delivered, sent_anew = drive
    levels = program.run(resets, delivered, END)
    tape = tape_of(rules, resets, delivered, levels, "Request.Lamp", cleared)
    for at in sent_anew:
        tape.reset("dash", exact(at), boots_in=90)
    return tape, levels


@settings(max_examples=80, deadline=None)
@given(drives())
def test_a_right_program_is_never_called_broken(drive):
    found = [verdict for verdict in driven(drive)[0].judged() if verdict.subject == "lamp"]
    assert [verdict for verdict in found if verdict.broken] == []
    assert all((verdict.margin_ns or 0) >= 0 for verdict in found)


@settings(max_examples=40, deadline=None)
@given(drives(recovers=True))
def test_a_right_program_that_recovers_is_never_called_broken(drive):
    """The fault clears at 1500 ms, everything is delivered from then on."""
    assert driven(drive, cleared=1500)[0].broken("lamp") == []


@st.composite
def gaps(draw, rules):
    """The distance to the next message: mostly a period, at times around one of the limits."""
    limit = draw(
        st.sampled_from(
            [50 * MS, 50 * MS, 50 * MS, 10 * MS, rules.maybe, rules.surely, 600 * MS, 1200 * MS]
        )
    )
    return limit + draw(rough)


@st.composite
def histories(draw):
    """Rules, a right program, resets as (reset, up), and messages as (instant, asked): without
    counters, none of them within a boot, so that all of them surely count.
    """
    rules = draw(demands())
    resets = [(0, draw(st.integers(20, 100)) * MS)]
    if draw(st.booleans()):
        at = draw(st.integers(300, 2000)) * MS + draw(rough)
        resets.append((at, at + draw(st.integers(20, 100)) * MS))
    messages, at, asked = [], 90 * MS, 0
    for _ in range(draw(st.integers(0, 25))):
        at += draw(gaps(rules))
        asked ^= draw(st.integers(0, 1))
        if at < END and not any(reset <= at <= reset + rules.boot for reset, _ in resets):
            messages.append((at, asked))
    program = Rear(
        rules,
        follow=draw(st.sampled_from([0, 1, rules.latency])),
        lost=draw(st.sampled_from([-rules.early, 0, rules.reaction])),
        trust=draw(st.integers(1, rules.confirm)),
    )
    return rules, program, resets, messages


def shown_by(history):
    """What the program makes of the messages, as changes in order, each instant once."""
    _, program, resets, messages = history
    counted = [(at, asked, index % 16) for index, (at, asked) in enumerate(messages)]
    return sorted(dict(program.run(resets, counted, END - 1)).items())


def agreed(history, levels):
    """Whether the judge finds the first thing wrong where the reference does; and where that is."""
    rules, _, resets, messages = history
    found = stretches(tape_of(rules, resets, messages, levels))
    expected = first_wrong(rules, resets, messages, levels, END)
    assert (found[0][0] if found else None) == expected
    return expected


@settings(max_examples=80, deadline=None)
@given(histories())
def test_judge_and_reference_agree_on_what_is_right(history):
    assert agreed(history, shown_by(history)) is None


@settings(max_examples=80, deadline=None)
@given(histories(), st.data())
def test_judge_and_reference_agree_on_a_pulse(history, data):
    """The level is turned over for a while."""
    levels = shown_by(history)
    near = [
        at for told in called_for(history[0], *history[2:], END) for at in (told.first, told.last)
    ]
    near = [int(at) for at in near if 0 <= at < END]
    at = data.draw(st.integers(0, END - 1) | st.sampled_from(near), label="from")
    to = min(END, at + data.draw(st.sampled_from([1, MS, 15 * MS, 40 * MS]), label="for"))
    turned = {t: level for t, level in levels if not at <= t <= to}
    turned |= {at: 1 - level_at(levels, at), to: level_at(levels, to)}
    agreed(history, sorted(turned.items()))


@settings(max_examples=80, deadline=None)
@given(histories(), st.data())
def test_judge_and_reference_agree_on_a_change_that_comes_at_another_time(history, data):
    """One change is late or early by a little, or does not come at all."""
    levels = shown_by(history)
    index = data.draw(st.integers(0, len(levels) - 1), label="which")
    by = data.draw(st.sampled_from([-MS, -1, 1, MS, 20 * MS, 30 * MS, END]), label="by")
    at, level = levels[index]
    moved = dict(levels[:index] + levels[index + 1 :])
    moved.setdefault(0, history[0].hardware)
    if 0 < at + by < END:
        moved[at + by] = level
    agreed(history, sorted(moved.items()))


@settings(max_examples=40, deadline=None)
@given(histories(), st.lists(st.tuples(st.integers(1, 299), rough), max_size=8))
def test_judge_and_reference_agree_on_anything_at_all(history, changes):
    levels, level = {0: history[0].hardware}, history[0].hardware
    for at in sorted({step * 10 * MS + off for step, off in changes}):
        level = 1 - level
        levels[at] = level
    agreed(history, sorted(levels.items()))


@settings(max_examples=40, deadline=None)
@given(histories(), st.sampled_from(["follow", "lost", "trust"]))
def test_one_nanosecond_behind_a_limit_is_broken_by_that_nanosecond(history, which):
    """All reactions come exactly at their limits, which is right; then one of them too late."""
    rules, program, *_ = history
    limits = {"follow": rules.latency, "lost": rules.reaction, "trust": rules.confirm}
    for name, limit in limits.items():
        setattr(program, name, limit)
    assert agreed(history, shown_by(history)) is None
    setattr(program, which, limits[which] + 1)
    levels = shown_by(history)
    agreed(history, levels)
    rules, _, resets, messages = history
    if which == "follow" and all(
        b - a > 2 * rules.latency for (a, _), (b, _) in pairwise(messages)
    ):
        found = stretches(tape_of(rules, resets, messages, levels))
        assert {to - at for at, to in found} <= {1}


def triggers(rules, resets, messages):
    """The rules that a history puts to the test at all, with their deadline in the recording."""
    yield "reset"
    ends = [*(reset for reset, _ in resets[1:]), END]
    for (reset, _), end in zip(resets, ends, strict=True):
        heard = [entry[0] for entry in messages if reset <= entry[0] < end]
        for here, following in pairwise([*heard, END]):
            yield from ("fresh", "rejoin") if here + rules.latency < END else ()
            if here + rules.surely < following:
                yield "stale"
            if rules.hold_for and here + rules.surely + rules.hold_for < following:
                yield "then"


def kept_rules(tape):
    """The rules that a lamp has kept; *steady* apart, which is judged wherever it changes."""
    return {v.rule for v in tape.judged() if v.subject == "lamp" and v.outcome is KEPT} - {"steady"}


@settings(max_examples=40, deadline=None)
@given(histories())
def test_a_rule_is_never_kept_without_its_trigger(history):
    rules, _, resets, messages = history
    tape = tape_of(rules, resets, messages, shown_by(history))
    assert kept_rules(tape) <= set(triggers(rules, resets, messages))


@settings(max_examples=40, deadline=None)
@given(histories())
def test_a_load_that_never_moves_keeps_no_rule_that_asks_it_to_move(history):
    """Only ``hold`` can be kept by staying as one is, and hardware that is on at power-up."""
    rules, _, resets, messages = history
    tape = tape_of(rules, resets, messages, [(0, rules.hardware)])
    may = {"stale"} if rules.on_stale == "hold" else set()
    assert kept_rules(tape) <= may | ({"reset"} if rules.hardware else set())
