"""Truth signals of one load, read out of a recording in the plainest way.

Nothing here knows the judge's modules. What a receiver may rightly see either way is not worked
out: such spans are *masked*, and there nothing is compared.

    good    __|_|_|_|_________|_|_|_|_     one nanosecond at the end of each good message
    asks    __/~~~~~~~~~~~~~~~~~~~\\___     what the last of them asks for
    firm    ____/~~~~~~~~~~~~~~~~~~~~~     the link has carried enough of them in a row
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import cantools
from crccheck.crc import Crc8SaeJ1850

Span = tuple[int, int]
FOREVER = 1 << 62
ON_FROM = 0.9
"""A load that is not dimmed is on from this level on; between off and this it is neither."""
ROLL_OVER = 16
"""The counters of the demo car have four bits."""


@dataclass
class Life:
    """From one lawful reset of a node to the next."""

    born: int
    back: int
    """When its supply is there (again)."""
    up: int
    """When its program really ran."""
    end: int


@dataclass
class Numbers:
    """The times that a load's table declares, in ns."""

    latency: int
    may_stale: int
    must_stale: int
    may_then: int
    must_then: int
    longest_on: int
    debounce: int
    max_step: int
    boot: int

    @property
    def settled(self) -> int:
        """From a reset until the load shows what it must."""
        return self.boot + self.latency

    @classmethod
    def of(cls, vehicle: Any, name: str) -> Numbers:
        load = vehicle.loads[name]
        stale = load.stale_after or 0
        early = load.early if load.early is not None else max(2_000_000, stale // 50)
        hold = load.hold_for or 0
        early_then = load.early if load.early is not None else max(2_000_000, hold // 50)
        period = stale
        if load.request is not None:
            period = vehicle.messages[request_of(load)[0]].period_ns or stale
        return cls(
            latency=load.latency,
            may_stale=stale - early,
            must_stale=stale + load.reaction,
            may_then=stale - early + hold - early_then,
            must_then=stale + load.reaction + hold + load.reaction,
            longest_on=load.longest_on or 0,
            debounce=load.debounce,
            max_step=load.max_step or max(1, stale // max(1, period)),
            boot=vehicle.nodes[load.node].boot,
        )


def request_of(load: Any) -> tuple[str, str]:
    """Message and signal of a request that is one signal."""
    [reference] = load.request.names
    message, signal = reference.split(".")
    return message, signal


@dataclass
class Signals:
    """What the formulas speak of: each a list of [instant in ns, +1 or -1]."""

    of: dict[str, list[list[int]]]
    masks: list[Span]
    end: int

    def masked(self, at: int) -> bool:
        return any(start <= at < end for start, end in self.masks)

    def first_open(self, start: int, end: int) -> int | None:
        """The first instant of [start, end) that is not masked."""
        for a, b in self.masks:
            if a <= start < b:
                start = b
        return start if start < min(end, self.end) else None


def lives_of(recording: Any, node: str) -> tuple[list[Life], list[Span], int]:
    """A node's lives, the spans in which its program hung, and the first instant of a reset that
    nothing lawful caused: from there on nothing is compared.
    """
    lives: list[Life] = []
    hangs: list[Span] = []
    lost = FOREVER
    changes = recording.nodes[node]
    before = ""
    for place, change in enumerate(changes):
        at, state, cause = change.at_ns, change.state, change.cause
        after = changes[place + 1].at_ns if place + 1 < len(changes) else recording.end_ns
        if state == "off" and before != "off":
            lives.append(Life(at, recording.end_ns, FOREVER, FOREVER))
        elif before == "off":
            if state != "off":
                lives[-1].back = at
        elif state == "reset":
            if cause == "program" or (cause == "watchdog" and before not in ("hung", "reset")):
                lost = min(lost, at)
            lives.append(Life(at, at, FOREVER, FOREVER))
        if state == "hung":
            hangs.append((at, after))
        if state == "asleep":
            lives[-1].end = at
        if state == "running" and lives and lives[-1].up == FOREVER:
            lives[-1].up = at
        before = state
    for life, later in pairwise(lives):
        life.end = min(life.end, later.born)
    return lives, hangs, lost


def sleeps_of(recording: Any, node: str, settled: int) -> list[Span]:
    """From where a node falls asleep until it has waked, booted and settled, which takes so long:
    the formulas have no words for what it shows meanwhile.
    """
    changes = recording.nodes[node]
    ends = [*(change.at_ns + settled for change in changes[1:]), FOREVER]
    return [
        (change.at_ns, end)
        for change, end in zip(changes, ends, strict=True)
        if change.state == "asleep"
    ]


def step(changes: Sequence[tuple[int, bool]]) -> list[list[int]]:
    """A signal from its changes: the last at one instant counts."""
    found: list[list[int]] = []
    for at, value in changes:
        level = 1 if value else -1
        if found and found[-1][0] == at:
            found[-1][1] = level
        else:
            found.append([at, level])
        if len(found) > 1 and found[-2][1] == level:
            found.pop()
    return found


def pulses(times: Sequence[int]) -> list[list[int]]:
    """A signal that is true for one nanosecond at each instant."""
    edges = {0: False}
    for at in times:
        edges.setdefault(at + 1, False)
        edges[at] = True
    for at in times:
        edges[at] = True
    return step(sorted(edges.items()))


def inside(spans: Sequence[Span]) -> list[list[int]]:
    """A signal that is true within the spans."""
    found: list[tuple[int, bool]] = [(0, False)]
    for start, end in joined(spans):
        found += [(start, True), (end, False)]
    return step(found)


def joined(spans: Sequence[Span]) -> list[Span]:
    """Spans in order, those that touch as one."""
    found: list[Span] = []
    for start, end in sorted(span for span in spans if span[0] < span[1]):
        if found and start <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], end))
        else:
            found.append((start, end))
    return found


@dataclass
class Bus:
    """The frames of one message as one node's controller got them."""

    intact: list[tuple[int, int, dict[str, Any]]]
    """(end of the frame, counter, signals)."""
    bad: list[int]
    overrun: list[int]


def bus_of(recording: Any, dbc: Any, message: str, node: str) -> Bus:
    """Right identifier, length and checksum; the checksum is worked out by another library."""
    entry = dbc.get_message_by_name(message)
    found = Bus([], [], [])
    for record in recording.frames:
        frame = record.frame
        if frame.identifier != entry.frame_id or frame.extended or frame.remote:
            continue
        if record.error is not None and not record.receivers:
            continue
        if node in record.lost_overrun:
            found.overrun.append(record.end_ns)
        if node not in record.receivers:
            continue
        head = entry.frame_id.to_bytes(2, "big")
        if len(frame.data) != entry.length or frame.data[0] != Crc8SaeJ1850.calc(
            head + frame.data[1:]
        ):
            found.bad.append(record.end_ns)
            continue
        values = entry.decode(frame.data, decode_choices=False)
        found.intact.append((record.end_ns, values["Counter"], values))
    found.intact.sort(key=lambda one: one[0])
    return found


def database(path: str) -> Any:
    """The message definitions, read by cantools."""
    return cantools.database.load_file(path)


@dataclass
class _Reading:
    """Good messages at a receiver, with what is in doubt."""

    good: list[int] = field(default_factory=list)
    asks: list[tuple[int, bool]] = field(default_factory=list)
    heard: list[Span] = field(default_factory=list)
    firm: list[Span] = field(default_factory=list)
    masks: list[Span] = field(default_factory=list)
    turns: list[tuple[int, int, bool]] = field(default_factory=list)
    """(from, by, towards) of all that may call for a change."""


class Reader:
    """Reads the signals of any load out of one recording."""

    def __init__(self, vehicle: Any, recording: Any, dbc: Any) -> None:
        self.vehicle, self.recording, self.dbc = vehicle, recording, dbc
        self.end = recording.end_ns
        self.stories = {node: lives_of(recording, node) for node in vehicle.nodes}
        self._buses: dict[tuple[str, str], Bus] = {}

    def bus(self, message: str, node: str) -> Bus:
        if (message, node) not in self._buses:
            self._buses[message, node] = bus_of(self.recording, self.dbc, message, node)
        return self._buses[message, node]

    def signals(self, name: str, changes: Sequence[tuple[int, float | None]]) -> Signals:
        """The signals of a load whose node drove ``changes`` (None: nothing)."""
        load = self.vehicle.loads[name]
        numbers = Numbers.of(self.vehicle, name)
        lives, hangs, lost = self.stories[load.node]
        local = None
        if load.local is not None:
            local = self.condition(load.local, load.node)
        levels = self._levels(load, changes, local)
        on = [(at, level >= ON_FROM) for at, level in levels]
        born = [life.born for life in lives]
        boots = [(life.born, min(life.end, life.back + numbers.boot)) for life in lives]
        found = {
            "on": step(on),
            "dim": step([(at, 0 < level < ON_FROM) for at, level in levels]),
            "rose": pulses([at for (_, a), (at, b) in pairwise(on) if b and not a]),
            "fell": pulses([at for (_, a), (at, b) in pairwise(on) if a and not b]),
            "born": pulses(born),
            "boot": inside(boots),
        }
        masks = [(lost, FOREVER), *sleeps_of(self.recording, load.node, numbers.settled)]
        settle: Callable[[int], int] = lambda at: at + numbers.latency
        turns: list[tuple[int, int, bool]] = []
        if load.request is not None:
            reading = self._request(load, numbers, lives, boots)
            settle = self._settling(load, numbers, reading)
            masks += reading.masks
            turns += reading.turns
            found["good"] = pulses(reading.good)
            found["asks"] = step([(0, load.on_reset == "on"), *reading.asks])
            found["heard"] = inside(reading.heard)
            found["firm"] = inside(reading.firm)
            found["unheard_stale"] = inside(self._unheard(numbers, lives, boots, reading.heard))
        if local is not None:
            found["local"] = step(local)
            turns += self._local_turns(local, numbers, boots)
        if load.never:
            [rule] = load.never
            at_fault = any(f.group in ("input", "output") for f in self.recording.faults)
            found["barred"] = step(self.condition(rule.when, load.node if at_fault else None))
            got = self.recording.outputs[name].changes()
            lit = [(at, level > 0) for at, level in got]
            found["got"] = step([(0, False), *lit])
            found["got_rose"] = pulses(
                [at for (_, a), (at, b) in pairwise([(0, False), *lit]) if b and not a]
            )
        trips = self.recording.trips.get(name)
        tripped = [at for at, told in trips.changes() if told] if trips is not None else []
        if tripped:  # the formulas have no words for a load that is tried again
            masks.append((tripped[0], FOREVER))
        for start, end in [*hangs, *self._lean(load.node)]:
            masks.append((start, max(settle(end), end + numbers.latency)))
        masks += list(_contradictions(turns))
        return Signals(found, joined(masks), self.end)

    def _local_turns(
        self, local: list[tuple[int, bool]], numbers: Numbers, boots: Sequence[Span]
    ) -> Iterator[tuple[int, int, bool]]:
        """A program that begins may show what it read at any instant of its boot."""
        reads = [(start, at_of(local, start)) for start, _ in boots]
        for at, value in [*reads, *(edge for edge in local if edge[0])]:
            booted = [end for start, end in boots if start <= at <= end]
            yield at, max([at + numbers.debounce, *booted]) + numbers.latency, value

    # ---- what the node does ----

    def _levels(
        self,
        load: Any,
        changes: Sequence[tuple[int, float | None]],
        local: list[tuple[int, bool]] | None,
    ) -> list[tuple[int, float]]:
        times = sorted({0, *(at for at, _ in changes), *(at for at, _ in local or ())})
        driven = [at for at, _ in changes]
        found: list[tuple[int, float]] = []
        for at in times:
            place = bisect_right(driven, at) - 1
            level = changes[place][1] if place >= 0 else None
            if level is None:
                if load.hardware_default == "local" and local is not None:
                    level = float(at_of(local, at))
                else:
                    level = float(load.hardware_default == "on")
            found.append((at, level))
        return found

    def condition(self, condition: Any, node: str | None) -> list[tuple[int, bool]]:
        """A condition over inputs, as they are or as a node reads them."""
        sources = {}
        for name in condition.names:
            sources[name] = self.recording.inputs[name]
            if node is not None:
                wired = self.vehicle.inputs[name].wired_to
                sources[name] = self.recording.seen[name, node if node in wired else wired[0]]
        times = sorted({0, *(at for source in sources.values() for at in source.times)})
        found: list[tuple[int, bool]] = []
        for at in times:
            value = bool(condition({name: source.at(at) for name, source in sources.items()}))
            if not found or found[-1][1] != value:
                found.append((at, value))
        return found

    def _lean(self, node: str) -> Iterator[Span]:
        """When the voltage at a node is outside of its range."""
        supply, volts = self.vehicle.nodes[node].supply, self.recording.volts.get(node)
        if supply is None or volts is None:
            return
        low, high = supply.range
        for place, (at, value) in enumerate(zip(volts.times, volts.values, strict=True)):
            after = volts.times[place + 1] if place + 1 < len(volts.times) else self.end
            if not low <= value <= high:
                yield at, after

    # ---- what it is told ----

    def _unheard(
        self, numbers: Numbers, lives: Sequence[Life], boots: Sequence[Span], heard: Sequence[Span]
    ) -> list[Span]:
        """From when on a node that never got the message may take its link for lost."""
        found = []
        for life, (_, booted) in zip(lives, boots, strict=True):
            came = min(
                (start for start, _ in heard if life.born <= start < life.end), default=FOREVER
            )
            found.append((min(life.up, booted) + numbers.may_stale, min(came, life.end)))
        return found

    def _request(
        self, load: Any, numbers: Numbers, lives: Sequence[Life], boots: Sequence[Span]
    ) -> _Reading:
        message, signal = request_of(load)
        bus = self.bus(message, load.node)
        sender = self.vehicle.messages[message].senders[0]
        resets = [
            change.at_ns
            for change in self.recording.nodes[sender]
            if change.state in ("reset", "off")
        ]
        found = _Reading()
        for life, (_, booted) in zip(lives, boots, strict=True):
            self._life(found, load, numbers, life, booted, bus, signal, resets)
        return found

    def _life(
        self,
        found: _Reading,
        load: Any,
        numbers: Numbers,
        life: Life,
        booted: int,
        bus: Bus,
        signal: str,
        resets: Sequence[int],
    ) -> None:
        found.asks.append((life.born, load.on_reset == "on"))
        mine = [one for one in bus.intact if life.born <= one[0] < life.end]
        doubts: list[int] = [at for at in bus.overrun if life.born <= at < life.end]
        good: list[tuple[int, int, bool]] = []
        bad = [at for at in bus.bad if life.born <= at < life.end]
        before = life.born
        for at, counter, values in mine:
            if any(before < reset <= at for reset in resets):
                doubts.append(at)
            before = at
            if good:
                age = at - good[-1][0]
                follows = 1 <= (counter - good[-1][1]) % ROLL_OVER <= numbers.max_step
                if numbers.may_stale <= age <= numbers.must_stale:
                    doubts.append(at)
                elif not follows and age < numbers.may_stale:
                    bad.append(at)
                    continue
            good.append((at, counter, bool(values[signal])))
        if not good:
            return
        times = [at for at, _, _ in good]
        found.heard.append((times[0], life.end))
        found.good += times
        self._follow(found, load, numbers, life, booted, good, sorted(bad), doubts)
        for at in doubts:
            found.masks.append((at, self._settled(load, numbers, good, at, life, sorted(bad))))

    def _follow(
        self,
        found: _Reading,
        load: Any,
        numbers: Numbers,
        life: Life,
        booted: int,
        good: Sequence[tuple[int, int, bool]],
        bad: Sequence[int],
        doubts: list[int],
    ) -> None:
        """What is asked for, and from when on the link is firm: two in a row behind a loss."""
        row, firm_from, back_at = 0, FOREVER, 0
        before: int | None = None
        latched, asked = load.latch, load.on_reset == "on"
        for at, _, raw in good:
            sure = at > booted
            if before is None or at - before >= numbers.may_stale:
                if firm_from < FOREVER and before is not None:
                    found.firm.append((firm_from, at))
                row, firm_from, back_at = 0, FOREVER, at
                latched = load.latch
                if before is None and at >= min(life.up, booted) + numbers.may_stale:
                    doubts.append(at)
            elif firm_from == FOREVER and bisect_left(bad, before) != bisect_right(bad, at):
                doubts.append(back_at)
                row = 0
            if latched and not raw:
                latched = False
                if not sure:
                    doubts.append(at)
            value = raw and not latched
            row = row + 1 if sure else 0
            if value != asked:
                found.turns.append((at, at + numbers.latency, value))
                if firm_from == FOREVER and at != back_at:
                    doubts.append(at)
            if firm_from == FOREVER and row >= 2:
                firm_from = at
            found.asks.append((at, value))
            asked, before = value, at
        if firm_from < FOREVER:
            found.firm.append((firm_from, life.end))
        times = [at for at, _, _ in good]
        for at, after in [*pairwise(times), (times[-1], life.end)]:
            if after - at >= numbers.may_stale:
                if at <= booted:
                    doubts.append(at)
                if load.on_stale in ("on", "off"):
                    window = (at + numbers.may_stale, at + numbers.must_stale)
                    found.turns.append((*window, load.on_stale == "on"))

    def _settled(
        self,
        load: Any,
        numbers: Numbers,
        good: Sequence[tuple[int, int, bool]],
        at: int,
        life: Life,
        bad: Sequence[int],
    ) -> int:
        """From when on every receiver must have taken the same messages, whatever it believed at
        an instant: such a stretch without a fault is longer than any memory of an old counter.
        """
        start: tuple[int, int, bool] | None = None
        before: tuple[int, int, bool] | None = None
        released = not load.latch
        for one in good:
            if one[0] < at:
                continue
            broken = before is not None and (
                (one[1] - before[1]) % ROLL_OVER != 1
                or one[0] - before[0] >= numbers.may_stale
                or bisect_left(bad, before[0]) != bisect_right(bad, one[0])
            )
            if start is None or broken:
                start, released = one, not load.latch
            before = one
            long_enough = one[0] - start[0] >= numbers.must_stale + 150_000_000
            if long_enough and not one[2]:
                released = True
            if long_enough and released:
                return min(life.end, one[0] + numbers.latency)
        return life.end

    def _settling(self, load: Any, numbers: Numbers, reading: _Reading) -> Callable[[int], int]:
        message, signal = request_of(load)
        bus = self.bus(message, load.node)
        lives = self.stories[load.node][0]

        def settle(at: int) -> int:
            life = next(one for one in lives if at < one.end)
            times = set(reading.good)
            good = [
                (t, c, bool(v[signal])) for t, c, v in bus.intact if t in times and t < life.end
            ]
            return self._settled(load, numbers, good, at, life, sorted(bus.bad))

        return settle


def at_of(changes: Sequence[tuple[int, bool]], at: int) -> bool:
    """The value at an instant."""
    place = bisect_right(changes, at, key=lambda one: one[0])
    return changes[max(0, place - 1)][1]


def _contradictions(turns: list[tuple[int, int, bool]]) -> Iterator[Span]:
    """Where calls for on and for off are open at once, any order of them is right."""
    turns.sort()
    for place, (_, by, value) in enumerate(turns):
        for other, other_by, other_value in turns[place + 1 :]:
            if other > by:
                break
            if other_value != value:
                yield other, max(by, other_by)
