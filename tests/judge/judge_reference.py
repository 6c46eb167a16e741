"""Two small models written from the rules' own words, sharing nothing with the judge.

:func:`allowed` says for one instant which levels a load may have; :class:`Rear` is a right program
that draws its reaction times within the limits. Everything is in ns; a level is 0 or 1.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from itertools import pairwise

MS = 1_000_000


@dataclass(frozen=True)
class Rules:
    """A load's demands, as a vehicle declares them."""

    on_stale: str = "off"
    on_reset: int = 0
    hardware: int = 0
    hold_for: int | None = None
    then: int = 0
    stale_after: int = 250 * MS
    early: int = 5 * MS
    reaction: int = 20 * MS
    latency: int = 20 * MS
    rejoin: int = 300 * MS
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
        table = {"on_stale": self.on_stale, "on_reset": names[self.on_reset]}
        table["hardware_default"] = names[self.hardware]
        if self.hold_for is not None:
            table |= {"hold_for": f"{self.hold_for // MS} ms", "then": names[self.then]}
        return table


def allowed(rules, resets, messages, level_before, t):
    """The levels that are allowed at ``t``.

    ``resets``: (reset, program runs); ``messages``: (instant, asked), all good; ``level_before``
    gives the level before a reset.
    """
    return {level for level, _ in reasons(rules, resets, messages, level_before, t)}


def reasons(rules, resets, messages, level_before, t):
    """The same with the rule that allows each level, as (level, rule)."""
    reset, up = max(entry for entry in resets if entry[0] <= t)
    heard = [entry for entry in messages if reset <= entry[0] <= t]
    found = {(level, "fresh") for level in _in_service(rules, heard, t)}
    if t < reset + rules.boot:
        levels = {level_before(reset), rules.hardware, rules.on_reset}
        found |= {(level, "reset") for level in levels}
    # Absences: from the reset to the first message, and every gap in which a loss may be seen.
    absences = [(None, reset, heard[0][0] if heard else None)]
    absences += [
        (here, here[0] + rules.maybe, following[0] if following else None)
        for here, following in pairwise([*heard, None])
        if (following[0] if following else t) - here[0] >= rules.maybe
    ]
    for index, (last, _, back) in enumerate(absences):
        if _may_be_away(rules, absences[index:], t):
            if last is None:
                states = _after_reset(rules, min(up, reset + rules.boot), t)
                found |= {(level, "reset") for level in states}
            else:
                found |= _after_loss(rules, last, back, t)
    return found


def _in_service(rules, heard, t):
    """The last request, and those that were replaced within the latency, while the link is up."""
    for here, following in pairwise([*heard, None]):
        until = here[0] + rules.surely
        if following is not None and following[0] <= until:
            until = following[0] + rules.latency
        if t < until:
            yield here[1]


def _may_be_away(rules, absences, t):
    """Not back yet, or back for less than ``rejoin``; a new gap meanwhile starts that again."""
    (_, _, back), *later = absences
    if back is None or back > t or t < back + rules.rejoin:
        return True
    return bool(later) and later[0][1] < back + rules.rejoin and _may_be_away(rules, later, t)


def _after_reset(rules, counted_from, t):
    states = {rules.on_reset}
    if t >= counted_from + rules.maybe:
        states.add(rules.stale_state(rules.on_reset))
        if rules.hold_for is not None and t >= counted_from + rules.maybe + rules.hold_for:
            states.add(rules.then)
    return states


def _after_loss(rules, last, back, t):
    age, state = t - last[0], rules.stale_state(last[1])
    if rules.hold_for is None:
        return {(state, "stale")}
    end = rules.surely + rules.hold_for
    states = set()
    if age < end or (back is not None and back <= t and back - last[0] < end):
        states.add((state, "stale"))
    if age >= rules.maybe + rules.hold_for:
        states.add((rules.then, "then"))
    return states


@dataclass
class Rear:
    """A right program: how late it follows, calls its link lost, and trusts it again."""

    rules: Rules
    follow: int
    """0 to ``latency``."""
    lost: int
    """-``early`` to ``reaction``."""
    trust: int
    """0 to ``rejoin``."""
    max_step: int = 5

    def run(self, resets, messages, end):
        """The output's changes. ``messages``: (instant, asked, counter)."""
        self.changes: list[tuple[int, int]] = [(0, self.rules.hardware)]
        self.queue: list[tuple] = []
        self.number = 0
        self.mode, self.want, self.counter = "dead", 0, None
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
        self._stop("stale", "then", "trusted")
        self.mode, self.counter, self.asked = "dead", None, []
        self._out(self.rules.hardware)

    def _up(self, _):
        self.mode, self.want = "waiting", self.rules.on_reset
        self._out(self.rules.on_reset)
        self._start("stale", self.now + self.rules.stale_after + self.lost)

    def _message(self, message):
        _, asked, counter = message
        if self.mode == "dead":
            return
        if self.counter is not None and not 1 <= (counter - self.counter) % 16 <= self.max_step:
            return
        self.counter, self.want = counter, asked
        self._stop("then")
        self._start("stale", self.now + self.rules.stale_after + self.lost)
        if self.mode in ("waiting", "away"):
            self.mode = "returning"
            self._start("trusted", self.now + self.trust)
        elif self.mode == "service":
            self._at(self.now + self.follow, "apply", (asked, self.turn["stale"]))

    def _apply(self, data):
        asked, _ = data
        if self.mode == "service":
            self._out(asked)

    def _trusted(self, _):
        self.mode = "service"
        self._out(self.want)

    def _stale(self, _):
        self._stop("trusted")
        self.mode, self.counter = "away", None
        self._out(self.rules.stale_state(self.want))
        if self.rules.hold_for is not None:
            self._start("then", self.now + self.rules.hold_for)

    def _then(self, _):
        self._out(self.rules.then)
