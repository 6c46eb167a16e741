"""A live session on a terminal, for use over ssh: the same state, the same commands, by keys."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterator, Sequence
from textwrap import wrap

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.text import Text

from linkloss.campaign.result import CAUTION
from linkloss.live.commands import Command, CommandError
from linkloss.live.keys import Keys
from linkloss.live.menu import Menu, Row
from linkloss.live.running import Running
from linkloss.live.view import State
from linkloss.report.picture import columns, lamp
from linkloss.report.screen import printable
from linkloss.report.words import count

HELP = (
    "arrows choose and change  Enter does it  p pause  c f e next change, frame, event"
    "  + - speed  x clear all  s save  n anew  q quit"
)
_PICTURES_PER_S = 15


class Terminal:
    """Shows a running session and obeys keys."""

    def __init__(self, running: Running) -> None:
        self._running = running
        self._menu = Menu(running.vehicle, running.offers)
        self._states: deque[State] = deque(maxlen=1)
        self._said = ""
        self._wishes: deque[Command] = deque()
        self._wish = threading.Event()
        self._over = False

    def run(self, console: Console, keys: Keys) -> None:
        """Until ``q``."""
        ticket = self._running.add(self._states.append)
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
            self._wish.set()
            self._running.remove(ticket)

    def press(self, keys: Sequence[str]) -> None:
        """Keys were pressed."""
        for key in keys:
            if key == "q":
                self._over = True
            elif self._states:
                wish = self._menu.press(key, self._states[-1])
                if wish is not None:
                    self._wishes.append(wish)
                    self._wish.set()

    def _obey(self) -> None:
        """Saving takes a while: the picture goes on meanwhile."""
        while not self._over:
            self._wish.wait()
            self._wish.clear()
            while self._wishes:
                self.obey(self._wishes.popleft())

    def obey(self, wish: Command) -> None:
        """Do what was asked for, and keep what is said about it."""
        try:
            said = self._running.do(wish)
        except CommandError as error:
            said = str(error)
        self._said = said or self._said

    # ---- the picture ----

    def picture(self, state: State, width: int, height: int) -> RenderableType:
        """A state on a screen of so many characters and lines."""
        head = [*self._head(state), *self._rules(state)]
        loads = columns([lamp(name, level) for name, level in state["loads"].items()], width)
        foot = [Text(printable(self._said))]
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
        if state["failed"] or state["full"]:
            pace = state["failed"] or "the recording is full: save, and begin anew"
        elif state["paused"]:
            pace = "standing still"
        elif state["behind"]:
            pace = f"behind: up to {state['late'][0] / 1000:.0f} ms late"
        troubled = state["behind"] or state["full"] or bool(state["failed"])
        yield Text.assemble(
            (f"{title}  ", "bold"),
            f"{state['at'] / 1e6:.6f} s  ",
            (printable(pace), "red" if troubled else ""),
            f"  bus {100 * state['load']:.1f} %  late {state['late'][0] / 1000:.1f} ms",
        )
        given = [name for name, there in state["notices"].items() if there]
        yield Text(f"notices: {', '.join(given) or 'none'}", "yellow" if given else "")

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
        """The rows around the chosen one, each group under its name."""
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


def _frames(state: State, number: int) -> Iterator[Text]:
    for frame in state["last"][-number:]:
        fate = f"failed: {frame['failed']}" if frame["failed"] else frame["text"]
        text = f"{frame['at'] / 1e6:>11.4f} s  {frame['identifier']:<4} {frame['name']:<14} {fate}"
        yield Text(printable(text), "red" if frame["failed"] else "dim")
