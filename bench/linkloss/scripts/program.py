"""One life of a script on a board."""

from __future__ import annotations

import io
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from types import ModuleType
from typing import Any, Protocol

from linkloss.bus import Port
from linkloss.clock import EventQueue, OwnClock
from linkloss.clock.blocking import BlockingProgram, ProgramFailed
from linkloss.scripts.gpio import PinBank, gpio_modules
from linkloss.scripts.importing import Imports
from linkloss.scripts.tasks import Host, Tasks
from linkloss.scripts.threads import Threading
from linkloss.scripts.views import (
    CanFactory,
    can_modules,
    datetime_module,
    random_module,
    time_module,
)


class BoardFace(Protocol):
    """What a script needs of a board, beside what ``linkloss_nodes.Board`` says."""

    life: Host
    queue: EventQueue
    clock: OwnClock
    name: str

    @property
    def bus(self) -> Any:
        """The port."""

    def read(self, name: str) -> str | float:
        """An input."""

    def write(self, name: str, level: float) -> None:
        """Drive an output."""

    def release(self, name: str) -> None:
        """Let go of an output."""

    def restart(self) -> None:
        """Reset the board."""

    def printed(self, text: str) -> None:
        """Note a line of text."""


class Script:
    """A script file: what a node's program is."""

    def __init__(
        self,
        path: Path,
        pins: PinBank,
        call_ns: int,
        sample_point: tuple[float, float] = (0.0, 1.0),
    ) -> None:
        """``sample_point``: the least and the greatest that the bus allows, as shares of a bit."""
        self.path = path
        self.sample_point = sample_point
        self.pins = pins
        self.call_ns = call_ns

    def __call__(self, board: BoardFace) -> ScriptProgram:
        """A life of it on a board."""
        return ScriptProgram(self, board)


class ScriptProgram(BlockingProgram):
    """A life of a script."""

    def __init__(self, script: Script, board: BoardFace) -> None:
        self._script = script
        self._board = board
        self._tasks = Tasks(board.queue, board.clock, board.life, script.call_ns)
        self._threading = Threading(self._tasks, board.printed)
        port: Port = board.bus
        self._bus = CanFactory(self._tasks, port, script.sample_point)
        self._gpio = script.pins.life(board, self._tasks, self._threading)

    # ---- what a host tells

    def start(self) -> None:
        self._tasks.begin(self._main)

    def received(self) -> None:
        if self._bus.bus is not None:
            self._bus.bus.received()

    def controller_changed(self) -> None:
        """A script asks for the state of its bus when it wants to know."""

    def input_changed(self, name: str, value: str | float) -> None:
        self._gpio.input_changed(name, value)

    def hang(self) -> None:
        self._tasks.hang()

    def resume(self) -> None:
        self._tasks.resume()

    def end(self) -> None:
        self._tasks.end()
        if self._bus.bus is not None:
            self._bus.bus.shutdown()

    # ---- the script

    def _main(self) -> None:
        path = self._script.path
        try:
            imports = Imports(path.parent, self._modules(), self._builtins())
            imports.run(path, "__main__")
        except SystemExit as error:
            code = 0 if error.code is None else error.code
            raise ProgramFailed(
                f"the script ended itself with exit code {code}", str(path)
            ) from None
        self._threading.wait_for_all()
        raise ProgramFailed("the script came to its end; a node's program never does", str(path))

    def _modules(self) -> Mapping[str, ModuleType]:
        clock = time_module(self._tasks)
        here = ModuleType("linkloss_nodes.here", "The board of this script.")
        here.__dict__["board"] = _Timed(self._board, self._tasks)
        return {
            "time": clock,
            "threading": self._threading.module(),
            "datetime": datetime_module(clock),
            "random": random_module(self._board.name),
            "nodes": _package("nodes", here=here),
            "linkloss_nodes.here": here,
            **can_modules(self._bus),
            **gpio_modules(self._gpio),
        }

    def _builtins(self) -> Mapping[str, Any]:
        return {"print": _Console(self._board, self._tasks).print, "input": _no_input}


class _Timed:
    """The board as a script sees it: each call takes its time, and a restart does not return."""

    def __init__(self, board: BoardFace, tasks: Tasks) -> None:
        self._board = board
        self._tasks = tasks

    def restart(self) -> None:
        """Reset the board."""
        tasks, board = self._tasks, self._board
        tasks.spend()
        tasks.queue.at(tasks.queue.now_ns, board.life.call, board.restart)
        tasks.wait(None)

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._board, name)
        if name in ("after", "every", "bus"):
            raise AttributeError(f"a script has no board.{name}: use time, threading and can")
        return self._timed(found) if callable(found) else found

    def _timed(self, method: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **settings: Any) -> Any:
            self._tasks.spend()
            return method(*args, **settings)

        return call


class _Console:
    """Where a script's lines go: to the recording."""

    def __init__(self, board: BoardFace, tasks: Tasks) -> None:
        self._board = board
        self._tasks = tasks
        self._line = ""

    def print(self, *values: Any, file: Any = None, flush: bool = False, **how: Any) -> None:
        """``print``; what goes into a file goes there."""
        del flush
        self._tasks.spend()
        if file is not None and getattr(file, "name", "") not in ("<stdout>", "<stderr>"):
            print(*values, file=file, **how)
            return
        text = io.StringIO()
        print(*values, file=text, **how)
        *lines, self._line = (self._line + text.getvalue()).split("\n")
        for line in lines:
            self._board.printed(line)


def _no_input(prompt: object = "") -> str:
    raise EOFError(f"nobody sits before the node to answer {str(prompt)!r}")


def _package(name: str, **parts: ModuleType) -> ModuleType:
    made = ModuleType(name)
    made.__dict__.update(__path__=[os.devnull], **parts)
    return made
