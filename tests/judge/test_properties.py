"""The judge against two models of its rules, over recordings drawn at random."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

from hypothesis import assume, given, settings
from hypothesis import strategies as st
from judge_lab import KEPT, MS, Tape, car, stretches
from judge_reference import Rear, Rules, allowed, reasons

END_MS = 3000
END = END_MS * MS

ms_steps = st.integers(1, 20).map(lambda n: n * 10 * MS)
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
    )


@st.composite
def gaps(draw, rules):
    """The distance to the next message: mostly a period, at times around one of the limits."""
    limit = draw(
        st.sampled_from(
            [50 * MS, 50 * MS, 10 * MS, rules.maybe, rules.surely, rules.rejoin, 600 * MS]
        )
    )
    return limit + draw(rough)


@st.composite
def histories(draw):
    """Rules, resets of the rear node as (reset, up), messages as (instant, asked), levels."""
    rules = draw(demands())
    resets = [(0, draw(st.integers(20, 100)) * MS)]
    if draw(st.booleans()):
        at = draw(st.integers(300, 2000)) * MS + draw(rough)
        resets.append((at, at + draw(st.integers(20, 100)) * MS))
    dead = [(reset, up) for reset, up in resets]
    messages, at = [], 40 * MS
    for _ in range(draw(st.integers(0, 25))):
        at += draw(gaps(rules))
        if at < END and not any(reset <= at < up for reset, up in dead):
            messages.append((at, draw(st.integers(0, 1))))
    levels, at, level = [(0, rules.hardware)], 0, rules.hardware
    for _ in range(draw(st.integers(0, 12))):
        at += draw(ms_steps) + draw(rough)
        level = 1 - level
        levels.append((at, level))
    return rules, resets, messages, [entry for entry in levels if entry[0] < END]


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


def critical(rules, resets, messages, levels):
    """Every instant at which anything may change, and its two neighbours."""
    spans = [
        0, rules.latency, rules.maybe, rules.surely, rules.rejoin, rules.boot,
        rules.maybe + rules.rejoin, rules.surely + rules.rejoin,
    ]  # fmt: skip
    hold_for = rules.hold_for or 0
    starts = [at for at, *_ in (*resets, *messages, *levels)] + [up for _, up in resets]
    instants = {at + span + held for at in starts for span in spans for held in (0, hold_for)}
    near = {at + shift for at in instants for shift in (-1, 0, 1)}
    return sorted(at for at in near if 0 <= at < END)


@settings(max_examples=80, deadline=None)
@given(histories())
def test_a_load_is_broken_exactly_where_the_rules_allow_it_no_such_level(history):
    rules, resets, messages, levels = history
    wrong = stretches(tape_of(rules, resets, messages, levels))
    instants = critical(rules, resets, messages, levels)
    said = [any(a <= t < b for a, b in wrong) for t in instants]

    def before(reset):
        return level_at(levels, reset - 1) if reset else 0

    expected = [
        level_at(levels, t) not in allowed(rules, resets, messages, before, t) for t in instants
    ]
    differing = [
        (t, is_said) for t, is_said, is_so in zip(instants, said, expected, strict=True)
        if is_said != is_so
    ]  # fmt: skip
    assert differing == []


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
        trust=draw(st.sampled_from([0, 200 * MS if recovers else rules.rejoin])),
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


@settings(max_examples=60, deadline=None)
@given(drives(recovers=True))
def test_a_right_program_that_recovers_is_never_called_broken(drive):
    """The fault clears at 1500 ms, everything is delivered from then on."""
    assert driven(drive, cleared=1500)[0].broken("lamp") == []


def plain(drive):
    """A drive without counters: the models then agree to the nanosecond on what is good."""
    rules, program, resets, delivered, _ = drive
    messages = [(at, asked) for at, asked, _ in delivered]
    counted = [(at, asked, index % 16) for index, (at, asked) in enumerate(messages)]
    return rules, program, resets, messages, program.run(resets, counted, END)


@settings(max_examples=80, deadline=None)
@given(drives(), st.data())
def test_a_level_that_is_turned_over_is_found_with_the_rule_that_forbids_it(drive, data):
    """Of a right program's output a stretch is inverted, dropped or drawn out."""
    rules, _, resets, messages, levels = plain(drive)
    at = data.draw(st.integers(0, END - 1), label="from")
    to = min(END, at + data.draw(st.sampled_from([1, MS, 40 * MS]), label="for"))
    was = dict(levels)
    turned = {t: level for t, level in was.items() if not at <= t <= to}
    turned |= {at: 1 - level_at(levels, at), to: level_at(levels, to)}
    changed = sorted(turned.items())

    def before(reset):
        return level_at(changed, reset - 1) if reset else 0

    may = reasons(rules, resets, messages, before, at)
    assume(1 - level_at(levels, at) not in {level for level, _ in may})
    rights = {rule for _, rule in may}
    family = rights | ({"rejoin"} if "fresh" in rights else set())
    tape = tape_of(rules, resets, messages, changed)
    assert any(start <= at < end for start, end in stretches(tape))
    found = [verdict for verdict in tape.judged() if verdict.broken]
    assert family & {verdict.rule for verdict in found if verdict.subject == "lamp"}


LATE = st.sampled_from(["follow", "lost", "trust"])


@settings(max_examples=80, deadline=None)
@given(drives(), LATE)
def test_one_nanosecond_behind_a_limit_is_broken_by_that_nanosecond(drive, which):
    """All reactions come exactly at their limits, which is kept; then one of them too late."""
    rules, program, *_ = drive
    limits = {"follow": rules.latency, "lost": rules.reaction, "trust": rules.rejoin}
    for name, limit in limits.items():
        setattr(program, name, limit)
    _, _, resets, messages, levels = plain(drive)
    assert stretches(tape_of(rules, resets, messages, levels)) == []
    setattr(program, which, limits[which] + 1)
    _, _, resets, messages, late = plain(drive)

    def before(reset):
        return level_at(late, reset - 1) if reset else 0

    wrong = [
        t
        for t in critical(rules, resets, messages, late)
        if level_at(late, t) not in allowed(rules, resets, messages, before, t)
    ]
    found = stretches(tape_of(rules, resets, messages, late))
    assert found == [(t, t + 1) for t in wrong]


def triggers(rules, resets, messages):
    """The rules that a history puts to the test at all, with their deadline in the recording."""
    ends = [*(reset for reset, _ in resets[1:]), END]
    for (reset, _), end in zip(resets, ends, strict=True):
        heard = [entry for entry in messages if reset <= entry[0] < end]
        first = heard[0][0] if heard else end
        if reset + rules.boot < first:
            yield "reset"
        for here, following in pairwise([*heard, (end, None)]):
            if following[1] not in (None, here[1]) and following[0] + rules.latency < end:
                yield "fresh"
            if here[0] + rules.surely < following[0]:
                yield "stale"
            if rules.hold_for and here[0] + rules.surely + rules.hold_for < following[0]:
                yield "then"


@settings(max_examples=80, deadline=None)
@given(histories())
def test_a_rule_is_never_kept_without_its_trigger(history):
    rules, resets, messages, levels = history
    found = tape_of(rules, resets, messages, levels).judged()
    kept = {v.rule for v in found if v.subject == "lamp" and v.outcome is KEPT}
    assert kept <= set(triggers(rules, resets, messages))


@settings(max_examples=80, deadline=None)
@given(histories(), st.integers(0, 1))
def test_a_load_that_never_moves_keeps_no_rule_that_asks_it_to_move(history, level):
    """Only ``hold`` and ``reset`` can be kept by staying as one is."""
    rules, resets, messages, _ = history
    found = tape_of(rules, resets, messages, [(0, level)]).judged()
    kept = {v.rule for v in found if v.subject == "lamp" and v.outcome is KEPT}
    assert kept <= ({"reset", "stale"} if rules.on_stale == "hold" else {"reset"})
