"""The sources of a load: what can call for a state of it, and the news that each of them sends.

    source     sends news when
    mode       the node is reset (the hardware decides), falls asleep (``on_sleep`` holds), or its
               program sets the pins (the other sources decide)
    request    a good message asks for something, goes stale, has been stale for ``hold_for``
    local      the local input changes
    never      a condition that takes a state away begins or ends
    trip       one condition turns the load off until another one holds
    longest_on, shortest_off    the load has been on, or off, for that long
    tries      a switch reports a trip, and the load is to be tried again (tries.py)

``from`` is the instant from which a node may act on an item, ``by`` the one by which it must. What
a receiver may rightly refuse or miss is news that it may leave out.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from linkloss.judge.case import Case, Waiting
from linkloss.judge.requested import ANY_RECEIVER, BY_INPUT, Receiver, Request, state_of
from linkloss.judge.states import ANY, FLASH, OFF, ON, State
from linkloss.judge.tries import Asked, Tried, can_try, follow_tries
from linkloss.judge.uptimes import within
from linkloss.judge.walk import BEFORE_NS, NEVER, Combine, News, Source
from linkloss.vehicle.expression import Condition, split_signal
from linkloss.vehicle.load import LoadTable, NeverRule, TripTable, usual_early_ns
from linkloss.vehicle.loading import Vehicle

AWAY = frozenset({"stale", "then", "reset"})
"""The rules that allow something other than what is asked for."""
LIMITS = ("shortest_off", "longest_on", "tries")
"""The sources that bound how long and how often a load is on."""
HARDWARE, INPUT, SLEEP, PROGRAM = "hardware", "input", "sleep", "program"
"""Who decides over an output: the hardware while no program drives it, with its default or by the
local input; the vehicle's ``on_sleep`` while the node sleeps; or the program.
"""


@dataclass(slots=True)
class LoadSources:
    """The sources of one load by name, in the order in which :meth:`combine` takes what they call
    for.
    """

    name: str
    load: LoadTable
    waiting: Waiting
    named: dict[str, Source] = field(default_factory=dict)
    held: list[tuple[int, int, State]] = field(default_factory=list)
    """(from, to, state): when a latch may hold the load off although it is asked for, or a lost
    link may hold what was asked for last.
    """
    doubts: int = 0
    """How often a latch may or may not hold the load off."""
    tried: Tried | None = None
    heard: dict[str, Source] = field(default_factory=dict)
    """Those that hear of it by messages, as far as the recording tells it."""

    def hear(self, name: str, source: Source, known: Mapping[str, Source], at_ns: int) -> None:
        """Add a source, with what is ``known`` of it up to an instant."""
        self.heard[name] = source
        self.named[name] = source.behind(known[name], at_ns) if name in known else source

    @property
    def sources(self) -> list[Source]:
        """All of them."""
        return list(self.named.values())

    def combine(self) -> Combine:
        """A function that makes one state out of what one item of each source calls for."""
        load, names = self.load, list(self.named)
        hardware = ON if load.hardware_default == "on" else OFF
        mode, request, local, wired = (
            names.index(name) if name in names else -1
            for name in ("mode", "request", "local", "wired")
        )
        nevers = [
            (names.index(name), OFF if rule.state == "on" else ON)
            for index, rule in enumerate(load.never)
            for name in [rule_name(index)]
        ]
        asked = load.asked_state
        inputs: dict[State, int] = {name: names.index(name) for name in BY_INPUT if name in names}
        barred = [names.index(name) for name in LIMITS if name in names]
        tripped = [names.index("trip")] if "trip" in names else []

        def combined(calls: tuple[State, ...]) -> State:
            if calls[mode] == HARDWARE:
                return hardware
            if calls[mode] == INPUT:
                return str(calls[wired])
            if calls[mode] == SLEEP:
                return load.on_sleep
            state = calls[request] if request >= 0 else OFF
            if state in inputs:
                state = calls[inputs[state]]
            if local >= 0 and calls[local] != OFF:
                state = asked
            if any(calls[place] for place in barred):
                state = OFF
            for place, instead in nevers:
                if calls[place]:
                    state = instead
            return OFF if any(calls[place] for place in tripped) else state

        return combined

    def fade_over(self, begin_ns: int, lasts_ns: int) -> int:
        """By when a fade that begins at an instant is over: ``lasts_ns`` after the deadline of the
        news that may have started it. A program that stops meanwhile continues with the rest.
        """
        news = (entry for source in self.named.values() for entry in source.news if entry.must)
        due = (n.by_ns for n in news if n.from_ns <= begin_ns <= n.by_ns < NEVER)
        over_ns = max(due, default=begin_ns) + lasts_ns
        for start_ns, end_ns in self.waiting.spans:
            if begin_ns < end_ns and start_ns < over_ns:
                over_ns += end_ns - max(start_ns, begin_ns) + self.waiting.latency_ns
        return over_ns

    def trips(self) -> Iterator[tuple[int, int]]:
        """When the load may be off because it has tripped."""
        news = self.named["trip"].news if "trip" in self.named else []
        ends = [*(entry.by_ns for entry in news[1:]), NEVER]
        for entry, end_ns in zip(news, ends, strict=False):
            if entry.calls:
                yield entry.from_ns, end_ns

    def ordered_off(self, from_ns: int, to_ns: int) -> bool:
        """Whether a request or a local input asked for off within a span; a reset does not
        count.
        """
        for name in ("request", "local"):
            news = self.named[name].news if name in self.named else []
            ends = [*(entry.from_ns for entry in news[1:]), NEVER]
            for entry, end_ns in zip(news, ends, strict=False):
                told = entry.rule not in AWAY and entry.calls == OFF
                if told and entry.from_ns < to_ns and max(end_ns, entry.by_ns) > from_ns:
                    return True
        return False


def rule_name(index: int) -> str:
    """The name of a load's never rule: ``never``, ``never 2``, ..."""
    return "never" if index == 0 else f"never {index + 1}"


def decides_alone(load: LoadTable) -> bool:
    """Whether a load follows its local input only, and no message."""
    return load.local is not None and load.local_use == "follows"


def sources_of(
    case: Case,
    name: str,
    receiver: Receiver = ANY_RECEIVER,
    known: Mapping[str, Source] = {},
    known_ns: int = BEFORE_NS,
) -> LoadSources:
    """All that can call for a state of a load over a run, for one receiver or for any. ``known``:
    what sources that hear of it by messages have told up to ``known_ns``.
    """
    load = case.vehicle.loads[name]
    waiting = Waiting(case, load)
    found = LoadSources(name, load, waiting)
    found.named["mode"] = _mode(case, load, waiting)
    if load.request is not None and not decides_alone(load):
        request = Request(case, load, waiting, receiver)
        found.hear("request", request.source(), known, known_ns)
        found.held, found.doubts = request.held, request.doubts
    elif state_of(load.on_reset) != OFF:
        found.named["request"] = _unasked(case, load)
    if load.local is not None:
        found.named["local"] = _by_input(case, load, load.local, waiting, "local")
        if load.hardware_default == "local":
            found.named["wired"] = _wired(case, load)
    for state, condition, told in (
        ("on_stale", load.on_stale, "stale"),
        ("then", load.then, "then"),
    ):
        if isinstance(condition, Condition) and "request" in found.named:
            source = _by_input(case, load, condition, waiting, told)
            found.named[state] = _while_lost(source, found.named["request"], told)
    for index, rule in enumerate(load.never):
        found.hear(rule_name(index), _never(case, load, rule, waiting), known, known_ns)
    _bound(case, found)
    return found


def _bound(case: Case, found: LoadSources) -> None:
    """Add the sources that outrank everything that asks for a load."""
    load, waiting = found.load, found.waiting
    if load.trip is not None:
        found.named["trip"] = _trip(case, load, load.trip, waiting)
    if load.shortest_off is not None:
        found.named["shortest_off"] = _shortest_off(case, found, load.shortest_off)
    if load.longest_on is not None:
        found.named["longest_on"] = _longest_on(case, found, load.longest_on)
    if can_try(load):
        found.tried = follow_tries(case, found.name, _asked(found), waiting)
        if any(entry.calls for entry in found.tried.source.news):
            found.named["tries"] = found.tried.source


# ---- the node's program ----


def _mode(case: Case, load: LoadTable, waiting: Waiting) -> Source:
    news = [News(PROGRAM, BEFORE_NS, BEFORE_NS, "reset")]
    undriven = INPUT if load.hardware_default == "local" else HARDWARE
    for uptime in case.histories[load.node].uptimes:
        at_ns = uptime.reset_ns
        sleeps = uptime.cause == "sleep"
        news.append(
            News(SLEEP, at_ns, at_ns, "asleep") if sleeps else News(undriven, at_ns, at_ns, "reset")
        )
        by_ns = waiting.until(at_ns, uptime.boot_end_ns + load.latency)
        news.append(News(PROGRAM, uptime.anew_ns + 1, by_ns, "reset"))
    return Source(news)


def _unasked(case: Case, load: LoadTable) -> Source:
    """The request of a load that no message asks for: its state after a reset."""
    news = [News(OFF, BEFORE_NS, BEFORE_NS, "reset")]
    for uptime in case.histories[load.node].uptimes:
        news.append(News(state_of(load.on_reset), uptime.anew_ns, uptime.anew_ns, "reset"))
    return Source(news)


# ---- inputs of the node ----


def _by_input(
    case: Case, load: LoadTable, condition: Condition, waiting: Waiting, rule: str
) -> Source:
    """What a condition over the node's own inputs asks for; only the local input is debounced."""
    values = case.condition(condition, load.node)
    news = [News(OFF, BEFORE_NS, BEFORE_NS, rule)]
    resets = [uptime.anew_ns for uptime in case.histories[load.node].uptimes]
    edges = [(at_ns, value, rule) for at_ns, value in values.changes() if at_ns > 0]
    # A reset voids what was noted before; the new program reads the input afresh.
    begins = [(at_ns + 1, values.at(at_ns), "reset") for at_ns in resets]
    news += [News(OFF, at_ns, at_ns, "reset") for at_ns in resets]
    debounce_ns = load.debounce if rule == "local" else 0
    for at_ns, value, told in sorted([*begins, *edges]):
        state = load.asked_state if value else OFF
        slack_ns = load.cycle_ns if state != FLASH and news[-1].calls == FLASH else 0
        latency_ns = debounce_ns + (load.latency if value else load.off_latency_ns)
        by_ns = waiting.until(at_ns, at_ns + latency_ns + slack_ns, latency_ns)
        news.append(News(state, at_ns, by_ns, told))
    return Source(news)


def _while_lost(source: Source, request: Source, rule: str) -> Source:
    """The input of a fail-safe state decides only while the link is lost. A node that receives the
    message again may already ignore the input, and has the deadline of the message to follow it.
    """
    heard = [e for e in request.news if e.calls not in BY_INPUT and e.by_ns < NEVER]
    return Source(
        [
            entry._replace(
                by_ns=max(
                    later.by_ns
                    for later in (entry, *heard)
                    if later.from_ns <= entry.by_ns and entry.from_ns <= later.by_ns
                )
            )
            if entry.rule == rule
            else entry
            for entry in source.news
        ]
    )


def _wired(case: Case, load: LoadTable) -> Source:
    """Hardware that follows a local input does so at once."""
    assert load.local is not None
    values = case.condition(load.local, load.node).changes()
    news = [News(OFF, BEFORE_NS, BEFORE_NS, "local")]
    return Source(news + [News(ON if on else OFF, at_ns, at_ns, "local") for at_ns, on in values])


def _never(case: Case, load: LoadTable, rule: NeverRule, waiting: Waiting) -> Source:
    """While the condition holds, its state is taken away; a separate rule judges by when. The
    condition is taken as it truly is.
    """
    node = load.node if case.pins_at_fault else None
    told = "local" if decides_alone(load) else "fresh"
    news = [News(False, BEFORE_NS, BEFORE_NS, told)]
    carriers = _carriers(case.vehicle, load, rule)
    holding = case.condition(rule.when, node, load.node)
    for at_ns, to_ns, holds in holding.stretches(case.end_ns):
        if holds:
            until_ns = waiting.until(at_ns, _known_ns(case, load, carriers, to_ns) + load.latency)
            news.append(News(True, at_ns, until_ns, told, must=False))
            if to_ns < case.end_ns:
                news.append(News(False, to_ns, until_ns, told))
    return Source(news)


def _carriers(vehicle: Vehicle, load: LoadTable, rule: NeverRule) -> dict[str, int]:
    """The messages that tell a load's node what others read or drive in a condition, each with the
    longest time from a change to a message that carries it, in ns. Empty where the node reads,
    drives or has received all of it itself.
    """
    delays: dict[str, int] = {}
    others = {vehicle.loads[name].node for name in rule.when.loads} - {load.node}
    for name in rule.when.names:
        table = vehicle.inputs.get(name)  # else a signal, as the node received it
        if table is None or load.node in table.wired_to:
            continue
        told: dict[str, int] = {}
        for signal, request in vehicle.requests.items():
            if any(name in condition.names for condition in request.conditions):
                message, delay_ns = split_signal(signal)[0], request.debounce + request.latency
                told[message] = max(told.get(message, 0), delay_ns)
        if isinstance(table.logged, str):
            told.setdefault(split_signal(table.logged)[0], table.settles)
        if not told:
            others |= set(table.wired_to)
        for message, delay_ns in told.items():
            delays[message] = max(delays.get(message, 0), delay_ns)
    for message, info in vehicle.messages.items():
        if not others.isdisjoint(info.senders):
            delays.setdefault(message, 0)
    for message in delays:  # what waits in a mailbox may be a cycle old
        delays[message] += vehicle.messages[message].period_ns or 0
    return delays


def _known_ns(case: Case, load: LoadTable, carriers: Mapping[str, int], at_ns: int) -> int:
    """When a load's node knows of a change: at once, or with the second message of each carrier
    that it has received before; a single one need not be believed.
    """
    known_ns = at_ns
    for message, delay_ns in carriers.items():
        heard = case.traffic(message).heard_by(load.node).times
        if heard and heard[0] <= at_ns:
            told_ns = at_ns + delay_ns
            place = bisect_left(heard, told_ns) + 1
            known_ns = max(known_ns, heard[place] if place < len(heard) else NEVER)
    return known_ns


def _trip(case: Case, load: LoadTable, table: TripTable, waiting: Waiting) -> Source:
    """Off from when one condition holds until the other does. A reset may clear a trip or not; a
    trip whose cause persists must be there again after it.
    """
    when = case.condition(table.when, load.node)
    until = case.condition(table.off_until, load.node)
    news = [News(False, BEFORE_NS, BEFORE_NS, "trip")]
    resets = [uptime.anew_ns for uptime in case.histories[load.node].uptimes]
    tripped, caused = {False}, False
    for at_ns in sorted({*when.times, *until.times, *resets}):
        causes, ends = when.at(at_ns), until.at(at_ns)
        off_ns = at_ns + load.off_latency_ns
        by_ns = waiting.until(at_ns, off_ns)
        if at_ns in resets:
            news.append(News(False, at_ns, at_ns, "reset"))
            if True in tripped and not causes and not ends:
                news.append(News(True, at_ns, by_ns, "trip", must=False))
                tripped = {False, True}
            else:
                tripped = {False}
            caused = False
        if causes and not caused and ends and True in tripped:
            # Of two inputs that change at one instant, either may be seen first.
            given_ns = waiting.until(at_ns, at_ns + load.latency)
            news.append(News(False, at_ns, given_ns, "trip", must=False))
            tripped = {False, True}
        if causes and not caused and tripped != {True}:
            # A program that cannot act just then may look too late.
            lasts = all(value for at, value in when.changes() if at_ns <= at <= by_ns)
            must = by_ns == off_ns or lasts
            news.append(News(True, at_ns, by_ns, "trip", must))
            tripped = {True} if must else {*tripped, True}
        elif True in tripped and ends and not causes:
            news.append(News(False, at_ns, waiting.until(at_ns, at_ns + load.latency), "trip"))
            tripped = {False}
        caused = causes
    return Source(news)


def _edges(case: Case, load: str) -> list[tuple[int, bool]]:
    """When the command of a load went on and off."""
    found: list[tuple[int, bool]] = []
    for at_ns, level in case.command(load).changes():
        if not found or found[-1][1] != (level > 0):
            found.append((at_ns, level > 0))
    return found


def _shortest_off(case: Case, found: LoadSources, least_ns: int) -> Source:
    """Off for ``least_ns`` once it went off, whatever asks for it. A reset clears this."""
    load = found.load
    news = [News(False, BEFORE_NS, BEFORE_NS, "shortest_off")]
    resets = {uptime.anew_ns for uptime in case.histories[load.node].uptimes}
    events = sorted({*(at_ns for at_ns, lit in _edges(case, found.name)[1:] if not lit), *resets})
    for at_ns, next_ns in zip(events, [*events[1:], NEVER], strict=True):
        behind_ns = at_ns + 1  # so that it does not explain the switching off itself
        told = "reset" if at_ns in resets else "shortest_off"
        news.append(News(at_ns not in resets, behind_ns, behind_ns, told))
        free_ns = at_ns + least_ns - case.slack(load.node, least_ns)
        if at_ns not in resets and free_ns < next_ns:
            by_ns = at_ns + least_ns + case.slack(load.node, least_ns) + load.latency
            news.append(News(False, free_ns, found.waiting.until(free_ns, by_ns), "shortest_off"))
    return Source(news)


def _longest_on(case: Case, found: LoadSources, most_ns: int) -> Source:
    """Off once it has been on for ``most_ns``, until it is no longer asked for or, where that is
    declared, has been off for ``shortest_off``. A reset clears this.
    """
    load = found.load
    news = [News(False, BEFORE_NS, BEFORE_NS, "longest_on")]
    resets = [uptime.anew_ns for uptime in case.histories[load.node].uptimes]
    asked = _asked(found)
    perhaps, surely = asked.perhaps_off, asked.surely_off
    edges = _edges(case, found.name)
    ends = [*(at_ns for at_ns, _ in edges[1:]), case.end_ns]
    events = [News(False, at_ns, at_ns, "reset") for at_ns in resets]
    for (at_ns, lit), end_ns in zip(edges, ends, strict=True):
        must_ns = at_ns + most_ns
        may_ns = must_ns - usual_early_ns(most_ns) - case.slack(load.node, most_ns)
        if not lit or end_ns < may_ns or any(at_ns < reset <= may_ns for reset in resets):
            continue
        must_ns += case.slack(load.node, most_ns)
        by_ns = found.waiting.until(may_ns, must_ns)
        # A load that goes off sooner may do so for another reason, and has not reached the limit.
        other = any(low <= end_ns <= high for low, high in asked.barred) and end_ns < must_ns
        events.append(News(True, may_ns, by_ns, "longest_on", must=not other))
        free_ns = NEVER if load.shortest_off is None else end_ns + load.shortest_off
        off_ns = max(may_ns, end_ns)  # the limit stands while it is on, even where it must be on
        sure_ns = min(
            (max(from_ns, off_ns) for from_ns, to_ns in surely if to_ns > off_ns), default=NEVER
        )
        for from_ns, to_ns in perhaps:
            if off_ns < to_ns and from_ns < min(sure_ns, free_ns):
                events.append(News(False, max(off_ns, from_ns), NEVER, "longest_on", must=False))
        if sure_ns < NEVER or free_ns < NEVER:
            from_ns = max(off_ns, min(sure_ns, free_ns))
            by_ns = found.waiting.until(from_ns, from_ns + load.latency)
            events.append(News(False, from_ns, by_ns, "longest_on"))
    return Source([*news, *events])


def _asked(found: LoadSources) -> Asked:
    """When a load was not asked for, and when another rule may have kept it off."""
    asked = [found.named[name] for name in ("request", "local") if name in found.named]
    perhaps, surely = (_unasked_spans(asked, sure=sure) for sure in (False, True))
    barred = [
        (entry.from_ns, until_ns)
        for name, source in found.named.items()
        if name in (*LIMITS, "trip") or name.startswith("never")
        for entry, until_ns in zip(
            source.news, [*(n.by_ns for n in source.news[1:]), NEVER], strict=True
        )
        if entry.calls
    ]
    return Asked(perhaps, surely, barred)


def _unasked_spans(asked: Sequence[Source], *, sure: bool) -> list[tuple[int, int]]:
    """When none of several sources asks for anything: surely, or as far as a node may know."""
    found = [(BEFORE_NS, NEVER)]
    for source in asked:
        news, due = source.news, source.due
        spans = []
        quiet = (OFF,) if sure else (OFF, *BY_INPUT)
        for index, entry in enumerate(news):
            if entry.calls not in quiet:
                continue
            later = [at for at in range(index + 1, len(news)) if news[at].calls not in quiet]
            if sure:
                ends = (news[place].from_ns for place in later)
                spans.append((due[index], min(ends, default=NEVER)))
            else:
                ends = (due[place] for place in later)
                spans.append((entry.from_ns, min(ends, default=NEVER)))
        found = [part for span in found for part in within(*span, spans)]
    return found


def spans_away(source: Source) -> Iterator[tuple[int, int, State]]:
    """(from, to, state): when a source may rightly call for something other than what is
    asked for.
    """
    due = source.due
    for index, entry in enumerate(source.news):
        if entry.rule in AWAY and index:
            later = zip(source.news[index + 1 :], due[index + 1 :], strict=True)
            calls = ANY if entry.calls in BY_INPUT else entry.calls
            yield entry.from_ns, next((by for _, by in later if by < NEVER), NEVER), calls
