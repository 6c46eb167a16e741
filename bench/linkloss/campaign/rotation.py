"""The axes that rotate: where a fault begins, and what the nodes' clocks show.

    side      a period or a few ms, before or behind an action      before [..] | A | [..] behind
    eighth    of the message period, counted from power-up            |0|1|2|3|4|5|6|7|
    counter   value of the message's rolling counter at the fault      0 1 2 ... 15
    clock     none, or one that rolls over near the fault: 16-bit ms, 32-bit us, 32-bit ms
    drift     right, or as wrong as a node declares, either way

Each case takes one value of each, by what cases of its kind of fault at its message or node took
before: the axes never multiply. :func:`unrotated` names what a plan has not met.

What goes over the bus in a situation without a fault: cases that are to meet a certain frame,
or a certain value of a counter, are placed by it.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import cache, partial
from itertools import count, pairwise
from typing import Literal, NamedTuple

from linkloss.bus import BusRecord
from linkloss.campaign.cases import MS, CaseMaker, instants
from linkloss.campaign.isolation import BRANCH_FROM_NS, apart
from linkloss.faults.base import Fault
from linkloss.faults.frame_faults import carries
from linkloss.scenario import Clocks, Drifts, Scenario
from linkloss.session import simulate
from linkloss.vehicle.load import LoadTable

LIMIT_S = 60.0
"""Real time for the run of a situation, in seconds."""


EIGHTHS = 8
MOST_PERIODS = 15
"""A fault begins up to so many periods further away from an action, to meet a counter's value."""
FEW_NS = 8 * MS
"""A few ms: a fault begins within this of the action."""
ROLL_OVERS = {"16-bit ms": 2**16 * MS, "32-bit us": 2**32 * 1_000, "32-bit ms": 2**32 * MS}
"""When counters of a clock that programs use begin anew, in ns."""

Half = Literal["before", "behind"]
SIDES: tuple[tuple[Half, str], ...] = (
    ("before", "period"),
    ("behind", "ms"),
    ("before", "ms"),
    ("behind", "period"),
)
Side = tuple[Half, str]
BEFORE = tuple(side for side in SIDES if side[0] == "before")
BEHIND: tuple[Side, ...] = (("behind", "period"),)
"""By then what the action asked for has happened."""
Met = tuple[str, object]
"""An axis and a value of it."""
_COUNTERS = ("counter", "repeated")
"""The axis of a counter's value, and that of a counter that a fault repeats."""


class Key(NamedTuple):
    """A kind of fault, and the message or the node that it concerns, if any: what cases of one key
    differ in rotates.
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
    """What goes over the bus without a fault: where in its period, and at which value of its
    counter, a message is at an instant. Each situation is run once, when first asked for.
    """

    def __init__(self, maker: CaseMaker, *, known: bool = True) -> None:
        """``known`` is false where a situation's run without a fault says nothing of its cases."""
        self.maker = maker
        self.vehicle = maker.vehicle
        self._known = known
        self.seen = cache(self._run)
        self._counts = cache(self._counted)

    def _run(self, situation: str) -> Seen:
        """No frames, and the changes of the situation itself, where a program fails even so."""
        found = apart(partial(_seen, self.maker, situation), LIMIT_S)
        return found or Seen((), instants(self.vehicle.situations[situation]))

    def frames(self, situation: str) -> Iterator[BusRecord]:
        """The good frames in their order."""
        return (record for record in self.seen(situation).frames if record.error is None)

    def _counted(self, name: str, situation: str) -> tuple[list[int], list[int]]:
        """When the frames of a message that has a counter are over, and its values."""
        message = self.vehicle.messages.get(name)
        if not self._known or message is None or message.counter is None:
            return [], []
        own = [record for record in self.frames(situation) if carries(message, record.frame)]
        values = [message.counter.raw(record.frame.data) for record in own]
        return [record.end_ns for record in own], values

    def period_ns(self, subject: str) -> int:
        """Of a message, or the shortest of those that a node sends."""
        messages, usual_ns = self.vehicle.messages, self.maker.spans.period
        if subject in messages:
            return messages[subject].period_ns or usual_ns
        own = [m.period_ns for m in messages.values() if subject in m.senders and m.period_ns]
        return min(own, default=usual_ns)

    def eighth(self, subject: str, at_ns: int) -> int:
        """The eighth of the period, counted from power-up."""
        period_ns = self.period_ns(subject)
        return at_ns % period_ns * EIGHTHS // period_ns

    def counter(self, subject: str, situation: str, at_ns: int) -> int | None:
        """The counter in the last frame of a message that is over by then; None before the first,
        behind the situation's end, without a counter, and where nobody knows.
        """
        ends, values = self._counts(subject, situation)
        sent = bisect_right(ends, at_ns)
        lasts_ns = self.vehicle.situations[situation].lasts
        return values[sent - 1] if sent and at_ns <= lasts_ns else None

    def overtaken(self, subject: str, situation: str, at_ns: int, load: LoadTable) -> bool:
        """Whether a message that repeats itself from an instant on comes when a load's link goes
        stale: the first behind that is good, so that nobody need have noticed.
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
        return bisect_left(ends, last_ns + from_ns) != bisect_right(ends, last_ns + to_ns)

    def counter_values(self, subject: str) -> int:
        """How many values a message's counter takes; 0 without one."""
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
        """``up_ns`` is when all nodes have booted: faults begin behind it, where they can."""
        self.undisturbed = undisturbed
        self.vehicle = undisturbed.vehicle
        self._up_ns = up_ns
        self._turns: dict[object, Iterator[int]] = defaultdict(count)
        self._used: Counter[tuple[Key, Met]] = Counter()

    def turn(self, fault: Fault) -> int:
        """A running number within the kind of fault at its message or node: a further fault, or a
        further node, leaves the cases of all others as they are.
        """
        return next(self._turns[key_of(fault)])

    def place(
        self, fault: Fault, situation: str, action_ns: int, sides: Sequence[Side] = SIDES
    ) -> int:
        """When a fault begins beside an action: on the side whose turn it is, in an eighth and at a
        value of the counter that came least so far.
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
        """When a fault begins that is to meet as much as it can of what no case of its key has
        met, up to MOST_PERIODS away from the action, where that ``suits``; None where it would
        meet nothing. Of one that repeats a counter, no other case has met its values.
        """
        key = key_of(fault)
        lacking = self._lacking(key, "repeated" if fault.repeats else "counter")
        if not lacking:
            return None
        starts = [
            (len(self._axes(key, situation, at_ns, side, *_COUNTERS) & lacking), at_ns, side)
            for side in SIDES
            for at_ns in self._starts(key.subject, action_ns, side, MOST_PERIODS)
            if at_ns >= self._up_ns
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

    def _axes(self, key: Key, situation: str, at_ns: int, side: Side, *counters: str) -> set[Met]:
        counter = self.undisturbed.counter(key.subject, situation, at_ns)
        eighth = self.undisturbed.eighth(key.subject, at_ns)
        return {("eighth", eighth), ("side", side), *((name, counter) for name in counters)}

    def _use(self, key: Key, situation: str, at_ns: int, side: Side, *counters: str) -> None:
        axes = self._axes(key, situation, at_ns, side, *counters)
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
        """What the nodes' clocks show at their start: every fourth time 0, else so that one of
        ROLL_OVERS comes in the fault, before its deadlines are over or just behind its end. Those
        of cases with a beginning in common stay as they are.
        """
        turn = next(self._turns[key_of(fault), "clock"])
        choice = turn % (len(ROLL_OVERS) + 1)
        if at_ns >= BRANCH_FROM_NS or choice == len(ROLL_OVERS):
            return {}
        rolls_ns = list(ROLL_OVERS.values())[choice]
        near = (at_ns + brief_ns, (until_ns or at_ns + brief_ns) + brief_ns // 2)
        into_ns = near[turn // (len(ROLL_OVERS) + 1) % len(near)]
        return dict.fromkeys(self.vehicle.nodes, rolls_ns - into_ns)

    def drifts(self, fault: Fault, at_ns: int) -> Drifts:
        """How wrong the nodes' clocks run: right, as much too fast as a node declares, or as much
        too slow, in turn.
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


def rolled_over(case: Scenario) -> Iterator[tuple[str, str]]:
    """(node, roll-over) of the clocks that begin anew while a case runs. A momentary fault of a
    node counts as its reset, which sets its clock back.
    """
    for node, start_ns in case.clocks.items():
        resets = [t.at_ns for t in case.faults if not t.fault.lasting and node in t.fault.nodes()]
        lives = [0, *sorted(resets), case.lasts_ns]
        longest_ns = max(end_ns - begin_ns for begin_ns, end_ns in pairwise(lives))
        for name, rolls_ns in ROLL_OVERS.items():
            if 0 < rolls_ns - start_ns <= longest_ns:
                yield node, name


def _sides_of(undisturbed: Undisturbed, case: Scenario) -> Iterator[Side]:
    """On which sides of the actions of its situation a case's fault begins."""
    timed = case.faults[0]
    period_ns = undisturbed.period_ns(key_of(timed.fault).subject)
    for action_ns in instants(case.vehicle.situations[case.situation]):
        far_ns = timed.at_ns - action_ns
        half: Half = "before" if far_ns < 0 else "behind"
        if 0 < abs(far_ns) <= FEW_NS:
            yield half, "ms"
        elif period_ns // MS * MS <= abs(far_ns) <= (2 + MOST_PERIODS) * period_ns:
            yield half, "period"


def unrotated(undisturbed: Undisturbed, cases: Iterable[Scenario]) -> list[str]:
    """In words, what cases with one fault have not met: every value of the counter for each kind
    of fault at a message, every side of an action and eighth of a period for each kind at a
    message or node, every roll-over for each node. Empty when all is well.
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
        for name in ROLL_OVERS
        if (node, name) not in rolled
    ]
    return found


def _values(undisturbed: Undisturbed, key: Key, axis: str) -> Iterator[tuple[object, str]]:
    """The values of an axis for a key, and what they are called."""
    if axis == "eighth":
        yield from ((eighth, f"eighth {eighth} of the period") for eighth in range(EIGHTHS))
    elif axis == "side":
        yield from ((side, f"{side[1]} {side[0]} an action") for side in SIDES)
    else:
        values = range(undisturbed.counter_values(key.subject))
        yield from ((value, f"counter value {value}") for value in values)
