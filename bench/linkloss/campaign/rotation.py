"""The axes that rotate: where a fault begins, and what the nodes' clocks show.

    side      a period or a few ms, before or after an action       before [..] | A | [..] after
    eighth    of the message period, counted from power-up            |0|1|2|3|4|5|6|7|
    counter   value of the message's rolling counter at the fault      0 1 2 ... 15
    clock     none, or one that rolls over near the fault: 16-bit ms, 32-bit us, 32-bit ms; in a car
              with an image 15-bit ms too
    drift     right, or as wrong as a node declares, either way

Each case takes one value of each axis. The choice depends on what earlier cases of its kind of
fault at its message or node took, so the axes never multiply. :func:`unrotated` names the values
that a plan does not reach.

:class:`Undisturbed` knows what is on the bus in a situation without a fault. It places cases that
must meet a certain frame, or a certain value of a counter.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cache, partial
from itertools import count, pairwise
from typing import Literal, NamedTuple

from linkloss.bus import BusRecord
from linkloss.campaign.cases import MS, CaseMaker, instants
from linkloss.campaign.isolation import BRANCH_FROM_NS, apart
from linkloss.faults.base import Fault
from linkloss.faults.frame_faults import sent_as
from linkloss.scenario import Clocks, Drifts, Scenario
from linkloss.session import simulate
from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.loading import Vehicle

LIMIT_S = 60.0
"""The limit of the run of a situation, in seconds, as that of :func:`apart`."""


EIGHTHS = 8
MOST_PERIODS = 15
"""How many periods further from an action a fault may begin, to meet a value of a counter."""
FEW_NS = 8 * MS
"""A few ms: a fault begins within this time of the action."""
ROLL_OVERS = {"16-bit ms": 2**16 * MS, "32-bit us": 2**32 * 1_000, "32-bit ms": 2**32 * MS}
"""When counters that programs derive from a clock start again at zero, in ns."""
_SIGNED = {"15-bit ms": 2**15 * MS}
"""When an int of 16 bits becomes negative, in ns."""

Half = Literal["before", "after"]
SIDES: tuple[tuple[Half, str], ...] = (
    ("before", "period"),
    ("after", "ms"),
    ("before", "ms"),
    ("after", "period"),
)
Side = tuple[Half, str]
BEFORE = tuple(side for side in SIDES if side[0] == "before")
AFTER: tuple[Side, ...] = (("after", "period"),)
"""By then what the action asked for has happened."""
Met = tuple[str, object]
"""An axis and a value on it."""
_COUNTERS = ("counter", "repeated")
"""The axis of a counter's value, and that of a counter that a fault repeats."""


class Key(NamedTuple):
    """A kind of fault and the message or node that it concerns, if any. Values rotate among the
    cases of one key.
    """

    kind: str
    subject: str


def key_of(fault: Fault) -> Key:
    """The key of a fault."""
    message: str | None = getattr(fault, "message", None)
    nodes = fault.nodes()
    return Key(fault.kind, message or (nodes[0] if nodes else ""))


class Seen(NamedTuple):
    """A situation's run without a fault: its frames, and when something changed, in ns."""

    frames: tuple[BusRecord, ...]
    changes: list[int]


class Undisturbed:
    """What is on the bus without a fault: where in its period, and at which value of its counter, a
    message is at an instant. Each situation runs once, when it is first needed.
    """

    def __init__(self, maker: CaseMaker, *, known: bool = True) -> None:
        """``known`` is false if a situation's run without a fault says nothing about its cases."""
        self.maker = maker
        self.vehicle = maker.vehicle
        self._known = known
        self.seen = cache(self._run)
        self._counts = cache(self._counted)

    def _run(self, situation: str) -> Seen:
        """Runs a situation. If a program fails even without a fault, there are no frames, and the
        changes are the situation's own.
        """
        found = apart(partial(_seen, self.maker, situation), LIMIT_S)
        return found or Seen((), instants(self.vehicle.situations[situation]))

    def frames(self, situation: str) -> Iterator[BusRecord]:
        """The frames without an error, in order."""
        return (record for record in self.seen(situation).frames if record.error is None)

    def _counted(self, name: str, situation: str) -> tuple[list[int], list[int]]:
        """The ends in ns of the frames of a message with a counter, and the counter's values."""
        message = self.vehicle.messages.get(name)
        if not self._known or message is None or message.counter is None:
            return [], []
        own = [record for record in self.frames(situation) if sent_as(message, record)]
        values = [message.counter.raw(record.frame.data) for record in own]
        return [record.end_ns for record in own], values

    def period_ns(self, subject: str) -> int:
        """The period of a message, or the shortest period of those that a node sends, in ns."""
        messages, usual_ns = self.vehicle.messages, self.maker.spans.period
        if subject in messages:
            return messages[subject].period_ns or usual_ns
        own = [m.period_ns for m in messages.values() if subject in m.senders and m.period_ns]
        return min(own, default=usual_ns)

    def eighth(self, subject: str, at_ns: int) -> int:
        """The eighth of the period at an instant, counted from power-up."""
        period_ns = self.period_ns(subject)
        return at_ns % period_ns * EIGHTHS // period_ns

    def counter(self, subject: str, situation: str, at_ns: int) -> int | None:
        """The counter in the last frame of a message that has ended by then. None before the first
        frame, after the situation's end, for a message without a counter, and if it is unknown.
        """
        ends, values = self._counts(subject, situation)
        sent = bisect_right(ends, at_ns)
        lasts_ns = self.vehicle.situations[situation].lasts
        return values[sent - 1] if sent and at_ns <= lasts_ns else None

    def overtaken(
        self, subject: str, situation: str, at_ns: int, load: LoadTable, gap_ns: int = 0
    ) -> bool:
        """Whether the first good frame after a message begins to repeat itself comes about when a
        load's link goes stale, so that nobody has to notice. ``gap_ns``: the least time between two
        of its frames from then on.
        """
        if not self._known or subject not in self.vehicle.messages:
            return False
        stale_ns = load.stale_after or 0
        from_ns, to_ns = stale_ns - load.early_ns - MS, stale_ns + load.reaction + MS
        ends, _ = self._counts(subject, situation)
        sent = bisect_right(ends, at_ns)
        last_ns = ends[sent - 1] if sent else 0
        if not sent or last_ns + to_ns > self.vehicle.situations[situation].lasts:
            return True
        passed_ns = last_ns
        for end_ns in ends[sent : bisect_right(ends, last_ns + to_ns)]:
            if end_ns - passed_ns >= gap_ns:
                passed_ns = end_ns
        return passed_ns >= last_ns + from_ns

    def counter_values(self, subject: str) -> int:
        """How many values a message's counter takes; 0 if it has none or it is unknown."""
        message = self.vehicle.messages.get(subject)
        if not self._known or message is None or message.counter is None:
            return 0
        return int(2**message.counter.length_bits)


def _seen(maker: CaseMaker, situation: str) -> Seen:
    recording = simulate(maker.case(situation, ()))
    changes = {action.at_ns for action in recording.actions}
    for output in recording.outputs.values():
        changes.update(output.times)
    for node in recording.nodes.values():
        changes.update(change.at_ns for change in node)
    return Seen(tuple(recording.frames), sorted(changes))


class Rotation:
    """Gives out the values of the axes in turn."""

    def __init__(self, undisturbed: Undisturbed, up_ns: int) -> None:
        """``up_ns`` is when all nodes have booted: faults begin after it, where possible."""
        self.undisturbed = undisturbed
        self.vehicle = undisturbed.vehicle
        self._up_ns = up_ns
        self._turns: dict[object, Iterator[int]] = defaultdict(count)
        self._used: Counter[tuple[Key, Met]] = Counter()
        self._choices = cache(self._found_choices)

    def turn(self, fault: Fault) -> int:
        """A running number within the kind of fault at its message or node: one more fault or one
        more node leaves the cases of all others as they are.
        """
        return next(self._turns[key_of(fault)])

    def place(
        self, fault: Fault, situation: str, action_ns: int, sides: Sequence[Side] = SIDES
    ) -> int:
        """When a fault begins beside an action, in ns: on the side whose turn it is, at the eighth
        and the counter value that have been used least.
        """
        key = key_of(fault)
        side = sides[next(self._turns[key, sides]) % len(sides)]
        starts = [(at_ns, side) for at_ns in self._starts(key.subject, action_ns, side, 2)]
        late = [(at_ns, side) for at_ns, side in starts if at_ns >= self._up_ns]
        at_ns, _ = min(
            late or [(max(0, at_ns), side) for at_ns, side in starts[:EIGHTHS]],
            key=lambda start: (self._times(key, situation, start[0]), abs(start[0] - action_ns)),
        )
        self._use(key, situation, at_ns, side, "counter")
        return at_ns

    def filling(
        self, fault: Fault, situation: str, action_ns: int, suits: Callable[[int], bool]
    ) -> int | None:
        """When a fault begins that is to reach as many missing values of its key as possible, in
        ns: up to MOST_PERIODS from the action, at an instant that ``suits``; None if it would reach
        none. For a fault that repeats a counter, only cases placed here count as having reached
        its values.
        """
        key = key_of(fault)
        lacking = self._lacking(key, "repeated" if fault.repeats else "counter")
        if not lacking:
            return None
        starts = [
            (len(axes & lacking), at_ns, side)
            for axes, at_ns, side in self._choices(key.subject, situation, action_ns)
        ]
        starts.sort(key=lambda start: -start[0])
        found = next(
            (start for start in starts if not start[0] or suits(start[1])), (0, 0, SIDES[0])
        )
        gain, at_ns, side = found
        if not gain:
            return None
        self._use(key, situation, at_ns, side, *_COUNTERS)
        return at_ns

    def _found_choices(
        self, subject: str, situation: str, action_ns: int
    ) -> list[tuple[set[Met], int, Side]]:
        """All starts around an action, each with the values that it reaches."""
        return [
            (self._axes(subject, situation, at_ns, side, *_COUNTERS), at_ns, side)
            for side in SIDES
            for at_ns in self._starts(subject, action_ns, side, MOST_PERIODS)
            if at_ns >= self._up_ns
        ]

    def _starts(self, subject: str, action_ns: int, side: Side, most: int) -> Iterator[int]:
        sign = -1 if side[0] == "before" else 1
        period_ns = self.undisturbed.period_ns(subject)
        for periods in range(most + 1):
            for step in range(EIGHTHS):
                if side[1] == "ms":
                    far_ns = (step + 1) * FEW_NS // EIGHTHS
                else:
                    far_ns = period_ns * (EIGHTHS + step) // EIGHTHS // MS * MS
                yield action_ns + sign * (far_ns + periods * period_ns)
            if side[1] == "ms":
                return

    def _times(self, key: Key, situation: str, at_ns: int) -> tuple[int, int]:
        counter = self.undisturbed.counter(key.subject, situation, at_ns)
        eighth = self.undisturbed.eighth(key.subject, at_ns)
        times = 0 if counter is None else self._used[key, ("counter", counter)] - 1
        return times, self._used[key, ("eighth", eighth)]

    def _axes(
        self, subject: str, situation: str, at_ns: int, side: Side, *counters: str
    ) -> set[Met]:
        counter = self.undisturbed.counter(subject, situation, at_ns)
        eighth = self.undisturbed.eighth(subject, at_ns)
        return {("eighth", eighth), ("side", side), *((name, counter) for name in counters)}

    def _use(self, key: Key, situation: str, at_ns: int, side: Side, *counters: str) -> None:
        axes = self._axes(key.subject, situation, at_ns, side, *counters)
        self._used.update((key, value) for value in axes)

    def _lacking(self, key: Key, counter: str) -> set[Met]:
        wanted = {
            (axis, value)
            for axis in ("eighth", "side", counter)
            for value, _ in _values(self.undisturbed, key, axis)
        }
        return {value for value in wanted if not self._used[key, value]}

    # ---- the nodes' clocks ----

    def clocks(self, fault: Fault, at_ns: int, until_ns: int | None, brief_ns: int) -> Clocks:
        """What the nodes' clocks show at their start, in ns: now and then 0, else a value with
        which one of the roll-overs comes during the fault, before its deadlines are over, or just
        after its end. Cases with a long common beginning keep clocks that start at 0.
        """
        turn = next(self._turns[key_of(fault), "clock"])
        all_ns = tuple(roll_overs(self.vehicle).values())
        choice = turn % (len(all_ns) + 1)
        if at_ns >= BRANCH_FROM_NS or choice == len(all_ns):
            return {}
        rolls_ns = all_ns[choice]
        near = (at_ns + brief_ns, (until_ns or at_ns + brief_ns) + brief_ns // 2)
        into_ns = near[turn // (len(all_ns) + 1) % len(near)]
        return dict.fromkeys(self.vehicle.nodes, rolls_ns - into_ns)

    def drifts(self, fault: Fault, at_ns: int) -> Drifts:
        """How wrong the nodes' clocks run, in ppm: right, as much too fast as a node declares, or
        as much too slow, in turn.
        """
        turn = next(self._turns[key_of(fault), "drift"])
        if at_ns >= BRANCH_FROM_NS:
            return {}
        found: dict[str, float] = {}
        for place, (name, node) in enumerate(self.vehicle.nodes.items()):
            ppm = float(getattr(node, "drift", 0.0)) * (0.0, 1.0, -1.0)[(turn + place) % 3]
            if ppm:
                found[name] = ppm
        return found


def roll_overs(vehicle: Vehicle) -> Mapping[str, int]:
    """When counters that programs of a vehicle may derive from a clock start again, in ns."""
    images = any(node.runs_image for node in vehicle.nodes.values())
    return {**_SIGNED, **ROLL_OVERS} if images else ROLL_OVERS


def rolled_over(case: Scenario) -> Iterator[tuple[str, str]]:
    """(node, roll-over) of the clocks that roll over during a case. A momentary fault of a node
    counts as its reset, which sets its clock back.
    """
    for node, start_ns in case.clocks.items():
        resets = [t.at_ns for t in case.faults if not t.fault.lasting and node in t.fault.nodes()]
        lives = [0, *sorted(resets), case.lasts_ns]
        longest_ns = max(end_ns - begin_ns for begin_ns, end_ns in pairwise(lives))
        for name, rolls_ns in roll_overs(case.vehicle).items():
            if 0 < rolls_ns - start_ns <= longest_ns:
                yield node, name


def _sides_of(undisturbed: Undisturbed, case: Scenario) -> Iterator[Side]:
    """The sides of its situation's actions on which a case's fault begins."""
    timed = case.faults[0]
    period_ns = undisturbed.period_ns(key_of(timed.fault).subject)
    for action_ns in instants(case.vehicle.situations[case.situation]):
        far_ns = timed.at_ns - action_ns
        half: Half = "before" if far_ns < 0 else "after"
        if 0 < abs(far_ns) <= FEW_NS:
            yield half, "ms"
        elif period_ns // MS * MS <= abs(far_ns) <= (2 + MOST_PERIODS) * period_ns:
            yield half, "period"


def unrotated(undisturbed: Undisturbed, cases: Iterable[Scenario]) -> list[str]:
    """Sentences about what cases with one fault do not reach: every counter value for each kind of
    fault at a message, every side of an action and eighth of a period for each kind at a message or
    node, every roll-over for each node. Empty if nothing is missing.
    """
    met: dict[str, dict[Key, set[object]]] = {"eighth": {}, "side": {}, "counter": {}}
    rolled: set[tuple[str, str]] = set()
    for case in cases:
        rolled.update(rolled_over(case))
        if len(case.faults) != 1:
            continue
        (timed,) = case.faults
        key = key_of(timed.fault)
        if not key.subject or getattr(timed.fault, "load", None) is not None:
            continue
        met["side"].setdefault(key, set()).update(_sides_of(undisturbed, case))
        met["eighth"].setdefault(key, set()).add(undisturbed.eighth(key.subject, timed.at_ns))
        counter = undisturbed.counter(key.subject, case.situation, timed.at_ns)
        if counter is not None:
            met["counter"].setdefault(key, set()).add(counter)
    found = []
    for axis, by_key in met.items():
        for key, values in by_key.items():
            for value, told in _values(undisturbed, key, axis):
                if value not in values:
                    found.append(f"{key.kind} at {key.subject}: {told}")
    found += [
        f"{node}: the roll-over of its clock at {name}"
        for node in undisturbed.vehicle.nodes
        for name in roll_overs(undisturbed.vehicle)
        if (node, name) not in rolled
    ]
    return found


def _values(undisturbed: Undisturbed, key: Key, axis: str) -> Iterator[tuple[object, str]]:
    """The values of an axis for a key, and their names."""
    if axis == "eighth":
        yield from ((eighth, f"eighth {eighth} of the period") for eighth in range(EIGHTHS))
    elif axis == "side":
        yield from ((side, f"{side[1]} {side[0]} an action") for side in SIDES)
    else:
        values = range(undisturbed.counter_values(key.subject))
        yield from ((value, f"counter value {value}") for value in values)
