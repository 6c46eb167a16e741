"""The I/O board as the bench knows it: commands to it, what it felt, and what puts that in doubt.

Nothing here waits or reads a clock: :mod:`linkloss.desk.board_link` has the serial line, and hands
over the bytes with their instants. One command is on its way at a time, and goes again under the
same number until it is answered; the board carries it out once. Between commands the board is asked
for its time, which is the heartbeat.

Whatever came between the node and the bench is a doubt with its instant: lines that were lost,
edges that the board could not tell, a restart, a heartbeat that was missed, levels that do not
agree with the edges. What was felt around it tells nothing about the node.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from linkloss.desk.board_clock import BoardClock, RoundTrip
from linkloss.desk.line_protocol import VERSION, BoardLine, LineReader, written

BEAT_NS = 40_000_000
"""How often the board is asked for its time while nothing else is to be said."""
AGAIN_NS = 250_000_000
"""How long an answer is waited for."""
_TRIES = 8
_QUIET_NS = 2_000_000_000
"""A board that is not heard for so long is gone."""
_AGREE = 4
"""After so many times that its levels contradict the edges, some edge was missed."""

_FELL = "because the I/O board missed the heartbeat and went to rest"


class Equipment(NamedTuple):
    """What a board has, as it says itself."""

    version: int
    run: int
    digital: int
    analog: int
    drives: int
    relays: int


class Felt(NamedTuple):
    """A line changed its level at an instant of the board; it had been looked at ``since_us``
    before. ``duty`` (0 to 1) in place of an edge where there were too many.
    """

    line: int
    level: int
    board_us: int
    since_us: int
    duty: float | None = None


class Doubt(NamedTuple):
    """From an instant of the bench on, for a while, what was felt may not be what happened."""

    at_ns: int
    why: str


@dataclass(slots=True)
class Command:
    """Something that the board is to do; ``done_us`` is when it did, by its clock."""

    word: str
    fields: tuple[str, ...] = ()
    number: int = -1
    sent_ns: int = 0
    first_ns: int = 0
    tries: int = 0
    done_us: int | None = None
    failed: str = ""

    @property
    def over(self) -> bool:
        """Whether it was carried out or has failed."""
        return self.done_us is not None or bool(self.failed)


class IoBoard:
    """One I/O board behind a serial line."""

    def __init__(self) -> None:
        self.clock = BoardClock()
        self.equipment: Equipment | None = None
        self.alive = False
        """Whether the board counts the heartbeat as there: only then it leaves its rest."""
        self.felt: list[Felt] = []
        self.levels: dict[int, int] = {}
        """The level of each line, digital ones first, as last told."""
        self.beats = 0
        """How many questions for its time were answered since it started."""
        self.shown = 0
        """The levels of all lines in the last of these answers: bit n is line n."""
        self.doubts: list[Doubt] = []
        self.worst_trip_ns = 0
        self._reader = LineReader()
        self._waiting: deque[Command] = deque()
        self._out = bytearray()
        self._current: Command | None = None
        self._number = 0
        self._heard: int | None = None
        self._heard_ns: int | None = None
        self._beat_ns: int | None = None
        self._contradicted: dict[int, int] = {}
        self._by_duty: set[int] = set()
        self._told_damaged = 0

    # ---- what the bench asks for ----

    def drive(self, line: int, level: int) -> Command:
        """Drive a line, or leave it at rest (0)."""
        return self._ask("D", f"{line:02X}", f"{level}")

    def relay(self, number: int, level: int) -> Command:
        """Energise a relay, or let it go (0)."""
        return self._ask("R", f"{number:02X}", f"{level}")

    def thresholds(self, line: int, low: int, high: int) -> Command:
        """From which reading on an analogue line counts as high, and below which as low again, in
        steps of a converter of 10 bits.
        """
        return self._ask("L", f"{line:02X}", f"{low:04X}", f"{high:04X}")

    def _ask(self, word: str, *fields: str) -> Command:
        command = Command(word, fields)
        self._waiting.append(command)
        return command

    # ---- the serial line ----

    def output(self, now_ns: int) -> bytes:
        """What is to be sent now. ``now_ns`` is not later than the first byte leaves."""
        self._watch(now_ns)
        current = self._current
        if current is None:
            current = self._current = self._next(now_ns)
            if current is None:
                return b""
            self._number = (self._number + 1) % 256
            current.number = self._number
            current.first_ns = now_ns
        elif now_ns - current.sent_ns < AGAIN_NS:
            return b""
        elif current.word in "HT" or current.tries >= _TRIES:
            self._give_up(current, now_ns)
            return b""
        current.tries += 1
        current.sent_ns = now_ns
        return written(BoardLine(current.number, current.word, current.fields))

    def receive(self, data: bytes, now_ns: int) -> None:
        """Bytes that came. ``now_ns`` is not earlier than the last of them was there."""
        lines = self._reader.feed(data)
        if self._reader.damaged > self._told_damaged:
            self._told_damaged = self._reader.damaged
            self._doubt(now_ns, "because a line of the I/O board came damaged")
        for line in lines:
            try:
                self._take(line, now_ns)
            except (ValueError, IndexError):
                self._doubt(now_ns, f"because the I/O board said '{line.word}' in another form")

    def _next(self, now_ns: int) -> Command | None:
        if self.equipment is None:
            return Command("H")
        if not self.alive or not self._waiting:
            if self._beat_ns is not None and now_ns - self._beat_ns < BEAT_NS:
                return None
            self._beat_ns = now_ns
            return Command("T")
        return self._waiting.popleft()

    def _give_up(self, command: Command, now_ns: int) -> None:
        self._current = None
        if command.word not in "HT":
            command.failed = "the I/O board does not answer"
            self._doubt(now_ns, "because the I/O board did not answer")

    def _watch(self, now_ns: int) -> None:
        if self._heard_ns is None:
            self._heard_ns = now_ns
        if now_ns - self._heard_ns > _QUIET_NS:
            self._heard_ns = now_ns
            if self.equipment is not None:
                self._doubt(now_ns, "because the I/O board was not heard")
            self._forget()

    def _forget(self) -> None:
        """The board is gone or runs anew: it is at rest, and its clock is another one."""
        self.equipment = None
        self.alive = False
        self.beats = 0
        self.clock = BoardClock()
        self.levels.clear()
        self._by_duty.clear()
        self._contradicted.clear()
        self._heard = None
        for command in (*self._waiting, *([self._current] if self._current else ())):
            command.failed = "the I/O board restarted"
        self._waiting.clear()
        self._current = None

    def _doubt(self, now_ns: int, why: str) -> None:
        self.doubts.append(Doubt(now_ns, why))

    # ---- what the board says ----

    def _take(self, line: BoardLine, now_ns: int) -> None:
        self._heard_ns = now_ns
        if line.word == "B":
            self._greet(line, now_ns)
            return
        if self.equipment is None:
            return
        if line.number == self._heard:  # the same line twice
            return
        if self._heard is not None and line.number != (self._heard + 1) % 256:
            self._doubt(now_ns, "because lines of the I/O board were lost")
        self._heard = line.number
        if line.word in "AN":
            self._answered(line, now_ns)
        elif line.word == "E":
            which, level, shown_us, since_us = line.values
            self.felt.append(Felt(which, level, self.clock.whole(shown_us), since_us))
            self.levels[which] = level
            self._by_duty.discard(which)
            self._contradicted.pop(which, None)
        elif line.word == "P":
            which, mille, _, shown_us = line.values
            at_us = self.clock.whole(shown_us)
            self.felt.append(Felt(which, int(mille > 0), at_us, 0, duty=min(1.0, mille / 1000)))
            self._by_duty.add(which)
        elif line.word == "O":
            self._doubt(now_ns, f"because the I/O board lost {line.values[0]} edges")
        elif line.word == "F":
            self.alive = False
            self._doubt(now_ns, _FELL)

    def _greet(self, line: BoardLine, now_ns: int) -> None:
        found = Equipment(*line.values)
        if found.version != VERSION:
            raise ValueError(found.version)
        if self.equipment is not None and found.run == self.equipment.run:
            self._heard = line.number
            return
        if self.equipment is not None:
            self._doubt(now_ns, "because the I/O board restarted")
            self._forget()
        self.equipment = found
        self._heard = line.number
        if self._current is not None and self._current.word == "H":
            self._current = None

    def _answered(self, line: BoardLine, now_ns: int) -> None:
        number, shown_us, *rest = line.values
        command = self._current
        if command is None or number != command.number:
            return  # the answer to a question that was given up
        self._current = None
        at_us = self.clock.whole(shown_us)
        if line.word == "N":
            command.failed = "the I/O board refused it"
            return
        command.done_us = at_us
        self.clock.note(RoundTrip(command.first_ns, at_us, now_ns))
        self.worst_trip_ns = max(self.worst_trip_ns, now_ns - command.sent_ns)
        if command.word == "T":
            levels, was_alive = rest
            if self.alive and not was_alive:
                self._doubt(now_ns, _FELL)
            self.alive = bool(was_alive)
            self.beats += 1
            self.shown = levels
            self._compare(levels, now_ns)

    def _compare(self, levels: int, now_ns: int) -> None:
        """A level that contradicts the last edge several times: an edge was missed."""
        assert self.equipment is not None
        for which in range(self.equipment.digital + self.equipment.analog):
            level = levels >> which & 1
            if which in self._by_duty or self.levels.setdefault(which, level) == level:
                self._contradicted.pop(which, None)
                continue
            times = self._contradicted[which] = self._contradicted.get(which, 0) + 1
            if times >= _AGREE:
                del self._contradicted[which]
                self.levels[which] = level
                self._doubt(now_ns, "because an edge was missed between two looks at its levels")

    def take_felt(self) -> Iterator[Felt]:
        """What was felt since the last call."""
        found, self.felt = self.felt, []
        return iter(found)
