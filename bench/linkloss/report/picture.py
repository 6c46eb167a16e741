"""A picture of a run at an instant: inputs, loads, nodes, the last frames, the last events.

A recording holds everything, so any instant can be drawn, in any order.

:func:`play` shows a run on the terminal, at a speed that eyes can follow.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from rich.cells import cell_len
from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.text import Text

from linkloss.bus import BusRecord
from linkloss.bus.controller import ErrorState
from linkloss.bus.message import hex_identifier
from linkloss.campaign.result import RunResult
from linkloss.clock.wallclock import monotonic_seconds, wait_seconds
from linkloss.problem import printable
from linkloss.recording import ControllerChange, NodeChange
from linkloss.report.timeline import Event, events_with_breaks, instant, state_words
from linkloss.units import plain, show_duration
from linkloss.vehicle.messages import MessageInfo

_ERRORS = {
    "ack": "no acknowledgement",
    "disturbed": "disturbed",
    "collision": "two senders",
    "broken_off": "broken off",
}
_GAP = 2
_FEWEST = 1
"""The least lines of events, and of frames, on a small screen."""
_ROOMY = 32
"""From this many lines on, parts are separated by empty lines."""


@dataclass(frozen=True)
class Pictures:
    """The pictures of one run on a screen of ``width`` by ``height`` characters."""

    result: RunResult
    width: int = 80
    height: int = 24

    def at(self, at_ns: int) -> RenderableType:
        """The picture of an instant."""
        parts = [
            [*self._head(at_ns), *self._faults(at_ns), *self._inputs(at_ns)],
            self._loads(at_ns),
            self._nodes(at_ns),
        ]
        gaps = [Text("")] if self.height >= _ROOMY else []
        lines = [line for part in parts for line in (*part, *gaps)]
        rest = max(2 * _FEWEST, self.height - len(lines) - len(gaps) - 1)
        lines += [*self._last_events(at_ns, rest - rest // 2), *gaps]
        lines += self._last_frames(at_ns, rest // 2)
        for line in lines:
            line.no_wrap = True
            line.truncate(self.width, overflow="ellipsis")
        return Group(*lines)

    # ---- the state ----

    def _head(self, at_ns: int) -> Iterator[Text]:
        scenario = self.result.scenario
        yield Text(printable(scenario.title or scenario.name), style="bold")
        done = self.width * min(at_ns, scenario.lasts_ns) // max(1, scenario.lasts_ns)
        clock = f"{instant(at_ns)} of {show_duration(scenario.lasts_ns)} "
        bar = max(0, done - len(clock))
        yield Text.assemble(clock, ("=" * bar, "blue"))

    def _faults(self, at_ns: int) -> Iterator[Text]:
        active = [
            fault.text
            for fault in self.result.recording.faults
            if fault.applied_ns <= at_ns and (fault.cleared_ns is None or at_ns < fault.cleared_ns)
        ]
        text = "; ".join(active)
        yield Text(f"fault   {printable(text)}" if text else "no fault", "bold red" if text else "")

    def _inputs(self, at_ns: int) -> list[Text]:
        inputs = self.result.recording.inputs
        parts = [f"{name} {plain(series.at(at_ns))}" for name, series in inputs.items()]
        return columns([Text(printable(part)) for part in parts], self.width)

    def _loads(self, at_ns: int) -> list[Text]:
        outputs = self.result.recording.outputs
        return columns([lamp(name, outputs[name].at(at_ns)) for name in outputs], self.width)

    def _nodes(self, at_ns: int) -> list[Text]:
        recording = self.result.recording
        cells = []
        for name, changes in recording.nodes.items():
            program = _latest(changes, at_ns)
            controller = _latest(recording.controllers.get(name, []), at_ns)
            bus = state_words("ACTIVE" if controller is None else controller.state)
            state = "" if program is None else program.state
            calm = state == "running" and bus == ErrorState.ACTIVE.value
            style = "" if calm else "yellow"
            cells.append(Text(f"{printable(name)}: {state}, {bus}", style=style))
        return columns(cells, self.width)

    # ---- what happened last ----

    @cached_property
    def _events(self) -> list[Event]:
        return events_with_breaks(self.result)

    def _last_events(self, at_ns: int, number: int) -> list[Text]:
        end = bisect_right(self._events, at_ns, key=lambda event: event.at_ns)
        shown = self._events[max(0, end - number) : end] if number > 0 else []
        lines = [
            Text(f"{instant(event.at_ns):>11}  {printable(event.text)}", style=event.style)
            for event in shown
        ]
        return lines + [Text("")] * (number - len(lines))

    @cached_property
    def _message_of(self) -> Callable[[BusRecord], MessageInfo | None]:
        return self.result.recording.finder(self.result.scenario.vehicle.messages.values())

    def _last_frames(self, at_ns: int, number: int) -> list[Text]:
        end = bisect_right(self._frames, at_ns, key=lambda record: record.start_ns)
        return [self._frame(record) for record in self._frames[max(0, end - number) : end]]

    @cached_property
    def _frames(self) -> list[BusRecord]:
        """The frames in order of their start; a recording has them in order of their end."""
        return sorted(self.result.recording.frames, key=lambda record: record.start_ns)

    def _frame(self, record: BusRecord) -> Text:
        frame = record.frame
        identifier = hex_identifier(frame.identifier, frame.extended)
        info = self._message_of(record)
        name = printable("?" if info is None else info.name)
        data = frame.data.hex(" ")
        fate = f"to {len(record.receivers)}"
        if record.error is not None:
            fate = _ERRORS.get(record.error, record.error)
        text = f"{instant(record.start_ns):>11}  {identifier:<4} {name:<14} {data:<23}  {fate}"
        return Text(text, style="red" if record.error is not None else "dim")


def lamp(name: str, level: float) -> Text:
    """A load, shown lit or dark by its symbol and not by its colour alone."""
    sign, style = ("[X]", "bold green") if level > 0 else ("[ ]", "")
    return Text(f"{sign} {printable(name)}", style=style)


def _latest(
    changes: Sequence[NodeChange] | Sequence[ControllerChange], at_ns: int
) -> NodeChange | ControllerChange | None:
    end = bisect_right(changes, at_ns, key=lambda change: change.at_ns)
    return changes[end - 1] if end else None


def columns(parts: Sequence[Text], width: int) -> list[Text]:
    """Short texts in columns of equal width, read from left to right."""
    if not parts:
        return []
    cell = min(width, max(cell_len(part.plain) for part in parts) + _GAP)
    across = max(1, (width + _GAP) // cell)
    lines = []
    for start in range(0, len(parts), across):
        line = Text("")
        for part in parts[start : start + across]:
            line.append_text(part)
            line.append(" " * max(0, cell - cell_len(part.plain)))
        line.rstrip()
        lines.append(line)
    return lines


PICTURES_PER_S = 20


def play(
    console: Console,
    result: RunResult,
    speed: float,
    *,
    now_s: Callable[[], float] = monotonic_seconds,
    wait_s: Callable[[float], None] = wait_seconds,
) -> bool:
    """Show the run from power-up to its end; ``speed`` 1 is real time, 0.1 a tenth of it.

    Pictures that come too late are left out, to keep the speed. Return False if the user
    interrupts.
    """
    pictures = Pictures(result, console.width, console.height)
    end_ns = result.recording.end_ns
    with Live(console=console, auto_refresh=False, transient=True) as live:
        began_s = now_s()
        try:
            while True:
                at_ns = min(end_ns, int((now_s() - began_s) * speed * 1e9))
                live.update(pictures.at(at_ns), refresh=True)
                if at_ns >= end_ns:
                    return True
                left_s = (end_ns - at_ns) / 1e9 / speed
                wait_s(min(1 / PICTURES_PER_S, left_s))
        except KeyboardInterrupt:
            return False
