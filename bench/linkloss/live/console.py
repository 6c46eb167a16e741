"""A live session on a terminal, for use over ssh: the same state and commands, by single keys.

A menu offers inputs, active faults, nodes and kinds of faults.
"""

from __future__ import annotations

import os
import re
import select
import sys
import termios
import threading
import tty
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from queue import SimpleQueue
from textwrap import wrap

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.text import Text

from linkloss.campaign.result import CAUTION
from linkloss.live.room import WARN_SHARE
from linkloss.live.service import (
    Apply,
    Clear,
    Command,
    CommandError,
    Plain,
    Running,
    Save,
    Set,
    Speed,
    Step,
)
from linkloss.live.view import Offer, State
from linkloss.problem import printable
from linkloss.report.picture import columns, lamp
from linkloss.report.words import count
from linkloss.units import plain, shown_unit
from linkloss.vehicle.expression import Value
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.tables import InputTable

_NAMES = {
    "\x1b[A": "up", "\x1b[B": "down", "\x1b[C": "right", "\x1b[D": "left",
    "\x1bOA": "up", "\x1bOB": "down", "\x1bOC": "right", "\x1bOD": "left",
    "\x1b[5~": "page up", "\x1b[6~": "page down",
    "\r": "enter", "\n": "enter", " ": "enter", "\x7f": "backspace", "\x08": "backspace",
    "\t": "tab", "\x1b": "escape",
}  # fmt: skip
"""What a terminal sends for keys without a letter (ECMA-48, and xterm's application mode)."""
_KEY = re.compile("|".join(map(re.escape, sorted(_NAMES, key=len, reverse=True))) + "|.")

Keys = Callable[[float], list[str]]
"""Waits for up to so many seconds for a key, and returns the names of the keys pressed."""


def names(text: str) -> list[str]:
    """The names of the keys behind what a terminal sent. Unknown and unprintable input is left
    out.
    """
    keys = (_NAMES.get(key, key) for key in _KEY.findall(text))
    return [key for key in keys if key.isprintable()]


@contextmanager
def pressed() -> Iterator[Keys]:
    """Read single keys from the terminal on standard input, without echo."""
    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)

    def read(longest_s: float) -> list[str]:
        ready, _, _ = select.select([descriptor], [], [], longest_s)
        return names(os.read(descriptor, 256).decode(errors="ignore")) if ready else []

    try:
        tty.setcbreak(descriptor)
        yield read
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)


SPEEDS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
_NOTCHES = 20
"""Steps from one end of a sensor's range to the other."""


@dataclass(frozen=True, slots=True)
class Row:
    """A line of the menu. Enter gives the command ``chosen``, the arrow keys ``left`` and
    ``right``. For a row with a fault ``kind`` the arrows choose one fault of that kind.
    """

    group: str
    text: str
    chosen: Command | None = None
    left: Command | None = None
    right: Command | None = None
    kind: str = ""


class Menu:
    """The rows for a state, and the selected one."""

    def __init__(self, vehicle: Vehicle, offers: Sequence[Offer]) -> None:
        self._vehicle = vehicle
        self._kinds: dict[str, list[Offer]] = {}
        for offer in offers:
            self._kinds.setdefault(offer.fault.kind, []).append(offer)
        self._picked = dict.fromkeys(self._kinds, 0)
        self.at = 0

    def rows(self, state: State) -> list[Row]:
        """All rows, in order."""
        there = {active["number"] for active in state["faults"]}
        return [
            *(self._input(name, value) for name, value in state["inputs"].items()),
            *(self._there(state)),
            *(self._node(name, state) for name in state["nodes"]),
            *(self._kind(kind, there) for kind in self._kinds),
        ]

    def _input(self, name: str, value: Value) -> Row:
        table = self._vehicle.inputs[name]
        unit = f" {shown_unit(table.unit)}" if table.unit else ""
        return Row(
            "inputs",
            f"{name}  < {plain(value)}{unit} >",
            left=_set(name, _next_value(table, value, -1)),
            right=_set(name, _next_value(table, value, 1)),
            chosen=_set(name, _next_value(table, value, 1, around=True)),
        )

    @staticmethod
    def _there(state: State) -> Iterator[Row]:
        for active in state["faults"]:
            chosen = Clear(do="clear", fault=active["number"]) if active["number"] >= 0 else None
            yield Row("faults there now", f"{active['text']}  (Enter clears)", chosen)

    def _node(self, name: str, state: State) -> Row:
        node = state["nodes"][name]
        resets = (offer for offer in self._kinds.get("reset", []) if ("node", name) in offer.places)
        offer = next(resets, None)
        text = f"{name}: {node['program']}, {node['bus']}, TEC {node['tec']}, REC {node['rec']}"
        if offer is None:
            return Row("nodes", text)
        return Row("nodes", f"{text}  (Enter resets)", Apply(do="apply", fault=offer.number))

    def _kind(self, kind: str, there: set[int]) -> Row:
        offer = self._kinds[kind][self._picked[kind]]
        place = f"{self._picked[kind] + 1} of {len(self._kinds[kind])}"
        chosen: Command = Apply(do="apply", fault=offer.number)
        if offer.number in there:
            place, chosen = f"{place}, is there", Clear(do="clear", fault=offer.number)
        return Row("faults", f"{kind}  < {offer.fault.describe()} >  {place}", chosen, kind=kind)

    def press(self, key: str, state: State) -> Command | None:
        """The command that a key gives, if any; otherwise the key moves the selection."""
        if key in ("+", "-"):
            return _speed(state["speed"], 1 if key == "+" else -1)
        if key in _PLAIN:
            return _PLAIN[key]
        if key == "p":
            return Plain(do="resume" if state["paused"] else "pause")
        rows = self.rows(state)
        self.at = max(0, min(self.at + _MOVES.get(key, 0), len(rows) - 1))
        row = rows[self.at]
        if key in ("left", "right") and row.kind:
            step = 1 if key == "right" else -1
            self._picked[row.kind] = (self._picked[row.kind] + step) % len(self._kinds[row.kind])
            return None
        return {"left": row.left, "right": row.right, "enter": row.chosen}.get(key)


_PLAIN: dict[str, Command] = {
    "c": Step(do="step", to="change"),
    "f": Step(do="step", to="frame"),
    "e": Step(do="step", to="event"),
    "x": Plain(do="clear_all"),
    "n": Plain(do="anew"),
    "s": Save(do="save", name="live"),
}
_MOVES = {"up": -1, "k": -1, "down": 1, "j": 1, "page up": -10, "page down": 10}


def _set(name: str, value: Value) -> Set:
    return Set(do="set", input=name, value=value)


def _next_value(table: InputTable, value: Value, step: int, *, around: bool = False) -> Value:
    """The next value in a direction; at the end the last one or, with ``around``, the first one
    again.
    """
    if table.positions is not None:
        place = table.positions.index(str(value)) + step
        count = len(table.positions)
        return table.positions[place % count if around else max(0, min(place, count - 1))]
    assert table.range is not None
    low, high = table.range
    return max(low, min(high, float(value) + step * (high - low) / _NOTCHES))


def _speed(speed: float, step: int) -> Speed:
    beyond = [known for known in SPEEDS[::step] if (known - speed) * step > 0]
    return Speed(do="speed", value=beyond[0] if beyond else SPEEDS[::step][-1])


HELP = (
    "arrows choose and change  Enter does it  p pause  c f e next change, frame, event"
    "  + - speed  x clear all  s save  n anew  q quit"
)
_PICTURES_PER_S = 15


class Terminal:
    """Shows a running session, and carries out commands given by keys."""

    def __init__(self, running: Running) -> None:
        self._running = running
        self._menu = Menu(running.vehicle, running.offers)
        self._states: deque[State] = deque(maxlen=1)
        self._said = ""
        self._commands: SimpleQueue[Command | None] = SimpleQueue()
        self._over = False

    def run(self, console: Console, keys: Keys) -> None:
        """Run until ``q`` is pressed."""
        self._running.add(self._states.append)
        obeying = threading.Thread(target=self._obey, daemon=True)
        obeying.start()
        try:
            with Live(console=console, screen=True, auto_refresh=False) as live:
                while not self._over:
                    if self._states:
                        picture = self.picture(self._states[-1], console.width, console.height)
                        live.update(picture, refresh=True)
                    self.press(keys(1 / _PICTURES_PER_S))
        finally:
            self._over = True
            self._commands.put(None)
            self._running.remove(self._states.append)

    def press(self, keys: Sequence[str]) -> None:
        """Handle keys that were pressed."""
        for key in keys:
            if key == "q":
                self._over = True
            elif self._states:
                command = self._menu.press(key, self._states[-1])
                if command is not None:
                    self._commands.put(command)

    def _obey(self) -> None:
        """Carry out commands in a thread, so that the screen stays live while one takes long."""
        while (command := self._commands.get()) is not None:
            self.obey(command)

    def obey(self, command: Command) -> None:
        """Carry out a command, and keep its message for the screen."""
        try:
            said = self._running.do(command)
        except CommandError as error:
            said = str(error)
        self._said = said or self._said

    # ---- the picture ----

    def picture(self, state: State, width: int, height: int) -> RenderableType:
        """A state as a screen of this many characters and lines."""
        head = [*self._head(state), *self._rules(state)]
        loads = columns(
            [lamp(printable(name), level) for name, level in state["loads"].items()], width
        )
        foot = [Text(printable(self._said)), *_saved(state)]
        foot += [Text(line, "dim") for line in wrap(HELP, width, break_on_hyphens=False)]
        foot += [Text(line, "dim italic") for line in wrap(CAUTION, width)]
        free = height - len(head) - len(loads) - len(foot) - 1
        frames = list(_frames(state, max(1, free // 4)))
        menu = self._lines(self._menu.rows(state), max(3, free - len(frames)))
        lines = [*head, *loads, *menu, *frames, *foot]
        for line in lines:
            line.no_wrap = True
            line.truncate(width, overflow="ellipsis")
        return Group(*lines)

    def _head(self, state: State) -> Iterator[Text]:
        title = printable(self._running.vehicle.title)
        pace = f"{state['speed']:g} x real time"
        slow = state["pace"] < 0.95 * state["speed"]
        if state["failed"] or state["full"]:
            pace = state["failed"] or "the recording is full: save, and begin anew"
        elif state["paused"]:
            pace = "standing still"
        elif slow:
            pace = f"{state['pace']:.1f} x real time: too slow for {state['speed']:g} x"
        elif state["behind"]:
            pace = f"behind: up to {state['late'][0] / 1000:.0f} ms late"
        troubled = slow or state["behind"] or state["full"] or bool(state["failed"])
        yield Text.assemble(
            (f"{title}  ", "bold"),
            f"{state['at'] / 1e6:.6f} s  ",
            (printable(pace), "red" if troubled else ""),
            f"  bus {100 * state['load']:.1f} %  late {state['late'][0] / 1000:.1f} ms",
        )
        given = [name for name, there in state["notices"].items() if there]
        if state["room"] >= WARN_SHARE and not state["full"]:
            yield Text(f"the recording is {state['room']:.0%} full: save, and begin anew", "red")
        yield Text(printable(f"notices: {', '.join(given) or 'none'}"), "yellow" if given else "")

    @staticmethod
    def _rules(state: State) -> Iterator[Text]:
        if state["unjudged"]:
            yield Text(printable(state["unjudged"]), "red")
        elif not state["judged"]:
            yield Text("nothing has been judged yet")
        elif not state["broken"]:
            past = f", {len(state['past'])} broken before" if state["past"] else ""
            judged = f" (judged up to {state['judged'] / 1e6:.1f} s)"
            yield Text(f"no rule is broken at this moment{past}{judged}")
        else:
            yield Text(f"{count(len(state['broken']), 'rule')} broken at this moment:", "bold red")
            yield from (Text(f"* {printable(entry['text'])}") for entry in state["broken"][:4])

    def _lines(self, rows: Sequence[Row], number: int) -> list[Text]:
        """The rows around the selected one, each group under its name."""
        at = max(0, min(self._menu.at, len(rows) - 1))
        lines: list[Text] = []
        chosen, group = 0, ""
        for place, row in enumerate(rows):
            if row.group != group:
                group = row.group
                lines.append(Text(group, "bold underline"))
            if place == at:
                chosen = len(lines)
            mark = "> " if place == at else "  "
            lines.append(Text(mark + printable(row.text), "reverse" if place == at else ""))
        first = max(0, min(chosen - number // 2, len(lines) - number))
        return lines[first : first + number]


def _saved(state: State) -> Iterator[Text]:
    """The session that was saved last, and what the judge says of it."""
    for entry in state["saved"][-1:]:
        how = entry["text"] or f"is being judged, {entry['share']:.0%} done"
        yield Text(printable(f"{entry['name']}: {how}"))


def _frames(state: State, number: int) -> Iterator[Text]:
    for frame in state["last"][-number:]:
        fate = f"failed: {frame['failed']}" if frame["failed"] else frame["text"]
        text = f"{frame['at'] / 1e6:>11.4f} s  {frame['identifier']:<4} {frame['name']:<14} {fate}"
        yield Text(printable(text), "red" if frame["failed"] else "dim")
