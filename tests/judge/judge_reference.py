"""Two small models written from the rules' own words, sharing nothing with the judge.

:func:`first_wrong` says at which instant the levels of a load can no longer be explained by what
came before; :class:`Rear` is a right program that draws its reaction times within the limits.
Everything is in ns; a level is 0 or 1.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from itertools import product
from math import inf

MS = 1_000_000


@dataclass(frozen=True)
class Rules:
    """A load's demands, as a vehicle declares them."""

    on_stale: str = "off"
    on_reset: int = 0
    hardware: int = 0
    hold_for: int | None = None
    then: int = 0
    confirm: int = 1
    stale_after: int = 250 * MS
    early: int = 5 * MS
    reaction: int = 20 * MS
    latency: int = 20 * MS
    boot: int = 100 * MS

    @property
    def maybe(self) -> int:
        return self.stale_after - self.early

    @property
    def surely(self) -> int:
        return self.stale_after + self.reaction

    def stale_state(self, held: int) -> int:
        return held if self.on_stale == "hold" else int(self.on_stale == "on")

    def load(self) -> dict:
        """The same as a vehicle's table."""
        names = ("off", "on")
        table: dict[str, object] = {"on_stale": self.on_stale, "on_reset": names[self.on_reset]}
        table |= {"hardware_default": names[self.hardware], "confirm": self.confirm}
        if self.hold_for is not None:
            table |= {"hold_for": f"{self.hold_for // MS} ms", "then": names[self.then]}
        return table


@dataclass(frozen=True)
class Told:
    """A level that is called for: it may be followed from ``first`` to ``last``; with ``must`` it
    has to be by then.
    """

    level: int
    first: float
    last: float
    must: bool = True


def called_for(rules: Rules, resets, messages, end) -> list[Told]:
    """All that calls for a level behind the resets (reset, program runs), in order; ``messages``
    are (instant, asked), all good, none within a boot.
    """
    found = []
    ends = [*(reset for reset, _ in resets[1:]), end]
    for (reset, up), over in zip(resets, ends, strict=True):
        found.append(Told(rules.on_reset, reset, reset))
        heard = [entry for entry in messages if reset <= entry[0] < over]
        silent_to = heard[0][0] if heard else over
        since = min(up, reset + rules.boot)
        found += _silence(
            rules, since, (silent_to, silent_to), min(silent_to, over), must=False, closed=False
        )
        for place, (at, asked) in enumerate(heard):
            found += _message(rules, heard, place, at, asked)
            following = heard[place + 1][0] if place + 1 < len(heard) else inf
            sure = following > at + rules.surely
            stray = _stray(rules, heard, place, since)
            later = range(place + 1, len(heard))
            back = next((heard[k][0] for k in later if _row(rules, heard, k)[2]), inf)
            found += _silence(
                rules, at, (following, back), over, must=sure, closed=True, stray=stray
            )
    return sorted(found, key=lambda told: told.first)


def _row(rules, heard, place):
    """The first and the last of the messages in a row that a message belongs to, up to the one
    that is enough, and whether there is that one.
    """
    row = place
    while row and heard[row][0] - heard[row - 1][0] < rules.maybe:
        row -= 1
    last = row
    while last + 1 < len(heard) and last - row + 1 < rules.confirm:
        if heard[last + 1][0] - heard[last][0] >= rules.maybe:
            break
        last += 1
    return row, last, last - row + 1 == rules.confirm


def _stray(rules, heard, place, since):
    """Whether who lost its link before, and did not follow a message that was not followed by
    enough of them, may be beyond ``on_stale`` already.
    """
    row, _, enough = _row(rules, heard, place)
    lost_before = row > 0 or heard[row][0] >= since + rules.maybe
    return rules.hold_for is not None and not enough and lost_before


def _message(rules, heard, place, at, asked):
    """A message, the first ones behind a reset or a silence until enough have come in a row."""
    row, last, enough = _row(rules, heard, place)
    if place - row >= rules.confirm:
        if asked != heard[place - 1][1]:
            yield Told(asked, at, at + rules.latency)
        return
    # One that waits for more cannot know that no more will come, until the link may be lost.
    open_for = rules.latency if enough else rules.maybe - 1
    yield Told(asked, at, heard[last][0] + open_for, enough)


def _silence(rules, since, ends, over, *, must, closed, stray=False):
    """What nothing but silence calls for; with ``closed`` by when it does. ``ends``: the next
    message, and the next that is one of enough in a row: the others end no loss.
    """
    following, back = ends
    lost = since + rules.maybe
    if following < lost or lost >= over or (not closed and following <= lost):
        return
    if rules.on_stale != "hold":
        by = since + rules.surely if closed else inf
        yield Told(rules.stale_state(0), lost, by, must and not stray)
    if rules.hold_for is not None:
        then = lost + rules.hold_for - max(2 * MS, rules.hold_for // 50)
        by = since + rules.surely + rules.hold_for + rules.reaction if closed else inf
        if then < min(back, over):
            yield Told(rules.then, then, by, must and following > by)


def first_wrong(rules: Rules, resets, messages, levels, end) -> int | None:
    """The first instant at which no right program could show what the load does: ``levels`` are
    (instant, level), the hardware's while no program runs.
    """
    asks = [Told(0, -1, -1), *called_for(rules, resets, messages, end)]
    runs = [Told(1, -1, -1)]  # 1: the program decides, 0: the hardware does
    for reset, _ in resets:
        set_by = reset + rules.boot + rules.latency
        runs += [Told(0, reset, reset), Told(1, reset + 1, set_by)]
    chains = (runs, asks)
    edges = {at for at, _ in levels} | {at for reset in resets for at in reset}
    edges |= {edge for chain in chains for told in chain for edge in (told.first, told.last)}
    instants = sorted(int(at) for at in edges if 0 <= at < end)
    places = {(0, 0)}
    for now in instants:
        shown = _shown(rules, resets, levels, now)
        before = _shown(rules, resets, levels, now - 1) if now else shown
        late = [_late(chain, now) for chain in chains]
        reached = set(places)
        for level in (before, shown):  # what is noted as the level still stands, and as it changes
            steps = {
                step
                for place in reached
                for step in product(
                    *(_steps(c, p, now) for c, p in zip(chains, place, strict=True))
                )
            }
            reached = {step for step in steps if _level(rules, chains, step) == level}
        places = {
            place
            for place in reached
            if all(p >= least for p, least in zip(place, late, strict=True))
        }
        if not places:
            return now
    return None


def _steps(chain, place, now):
    """Where a chain may go on to from a place: nowhere, or to one that is open."""
    later = range(place + 1, len(chain))
    return [place, *(q for q in later if chain[q].first <= now <= chain[q].last)]


def _late(chain, now):
    """The last one that has to be followed by now: not one that another has overtaken."""
    due = [
        place
        for place, told in enumerate(chain)
        if told.must
        and told.last <= now
        and not any(other.first <= told.last for other in chain[place + 1 :])
    ]
    return max(due, default=0)


def _level(rules, chains, place):
    runs, asks = chains
    return asks[place[1]].level if runs[place[0]].level else rules.hardware


def _shown(rules, resets, levels, now):
    if any(reset <= now < up for reset, up in resets):
        return rules.hardware
    return [level for at, level in levels if at <= now][-1]


@dataclass
class Rear:
    """A right program: how late it follows, calls its link lost, and sets its pins; and how many
    messages it wants to see before it trusts its link.
    """

    rules: Rules
    follow: int
    """0 to ``latency``."""
    lost: int
    """-``early`` to ``reaction``."""
    trust: int
    """1 to ``confirm``."""
    max_step: int = 5

    def run(self, resets, messages, end):
        """The output's changes. ``messages``: (instant, asked, counter)."""
        self.changes: list[tuple[int, int]] = [(0, self.rules.hardware)]
        self.queue: list[tuple] = []
        self.number = 0
        self.mode, self.want, self.counter, self.row = "dead", 0, None, 0
        self.turn: dict[str, int] = {}
        for reset, up in resets:
            self._at(reset, "reset")
            self._at(up, "up")
        for message in messages:
            self._at(message[0], "message", message)
        while self.queue and self.queue[0][0] <= end:
            self.now, _, kind, turn, data = heapq.heappop(self.queue)
            if turn is None or turn == self.turn.get(kind):
                getattr(self, f"_{kind}")(data)
        return self.changes

    def _at(self, instant, kind, data=None, turn=None):
        self.number += 1
        heapq.heappush(self.queue, (instant, self.number, kind, turn, data))

    def _start(self, kind, instant, data=None):
        """A timer of which only the last one counts."""
        self._stop(kind)
        self._at(instant, kind, data, self.turn[kind])

    def _stop(self, *kinds):
        for kind in kinds:
            self.turn[kind] = self.turn.get(kind, 0) + 1

    def _out(self, level):
        self.changes.append((self.now, level))

    def _reset(self, _):
        self._stop("stale", "then", "apply")
        self.mode, self.counter = "dead", None
        self._out(self.rules.hardware)

    def _up(self, _):
        self.mode, self.want, self.row = "away", self.rules.on_reset, 0
        self._out(self.rules.on_reset)
        self._start("stale", self.now + self.rules.stale_after + self.lost)

    def _message(self, message):
        _, asked, counter = message
        if self.mode == "dead":
            return
        if self.counter is not None and not 1 <= (counter - self.counter) % 16 <= self.max_step:
            return
        self.counter = counter
        self._stop("then")
        self._start("stale", self.now + self.rules.stale_after + self.lost)
        self.row += 1
        if self.row >= self.trust:
            self.mode = "service"
        if self.mode == "service":
            self.want = asked
            self._at(self.now + self.follow, "apply", asked, self.turn.setdefault("apply", 0))

    def _apply(self, asked):
        self._out(asked)

    def _stale(self, _):
        self._stop("apply")
        if self.mode == "service" or self.rules.on_stale != "hold":
            self._out(self.rules.stale_state(self.want))
        self.mode, self.counter, self.row = "away", None, 0
        if self.rules.hold_for is not None:
            self._start("then", self.now + self.rules.hold_for)

    def _then(self, _):
        self._out(self.rules.then)
