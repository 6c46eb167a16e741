"""One run of a python-can script on a board, and its imports.

A script runs with its own ``__import__``. A module that would use the wall clock, pins or a real
bus is replaced by a stand-in on virtual time. A file next to the script is run again in each run of
the node, with the same imports. Everything else is imported as usual and shared. Other code in the
process is not affected.
"""

from __future__ import annotations

import builtins
import importlib
import importlib.util
import io
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any

from linkloss.firmware.answers import Wiring
from linkloss.firmware.guard import BlockingProgram, BoardFace, ProgramFailed
from linkloss.firmware.stand_ins import (
    CanFactory,
    Gpio,
    can_modules,
    datetime_module,
    gpio_modules,
    random_module,
    time_module,
)
from linkloss.firmware.threads import Tasks, Threading

REFUSED = {
    "asyncio": "write a node class with 'async def run(self)' and name it with 'python'",
    "ctypes": "there is no C library on a node",
    "multiprocessing": "a script is one process; use threading",
    "concurrent.futures": "use threading.Thread",
    "selectors": "use bus.recv(timeout)",
    "select": "use bus.recv(timeout)",
    "signal": "there are no signals on the bench",
    "socket": "open the bus with can.Bus",
    "socketserver": "the only bus on the bench is CAN",
    "subprocess": "there are no other programs on the bench",
}
"""Modules that depend on the real world, and what to do instead."""
PRIVATE = ("queue", "sched", "can.listener", "can.notifier")
"""Library modules that are run again on the script's own ``threading`` and ``time``."""
_NAMES = {
    "can.listener": ("Listener", "BufferedReader", "RedirectReader"),
    "can.notifier": ("Notifier",),
}


@cache
def compiled(path: Path) -> CodeType:
    """The code of a file.

    :raises OSError: if it cannot be read.
    :raises SyntaxError: if it is not Python; ValueError for a null byte.
    """
    return compile(path.read_bytes(), str(path), "exec")


class Imports:
    """The modules of one run of a script."""

    def __init__(
        self,
        folder: Path,
        own: Mapping[str, ModuleType],
        builtin: Mapping[str, Any],
        codes: Mapping[Path, CodeType],
    ) -> None:
        self._folder = folder
        self._codes = codes
        self._own: dict[str, ModuleType] = dict(own)
        self._builtins = {**vars(builtins), "__import__": self._import, **builtin}
        self._inside_library = 0
        for name in PRIVATE:
            self._run_library(name)

    def run(self, path: Path, name: str) -> ModuleType:
        """Run a file as a module of this name."""
        module = ModuleType(name)
        module.__dict__.update(__file__=str(path), __builtins__=self._builtins)
        self._own[name] = module
        code = self._codes.get(path) or compiled(path)
        exec(code, module.__dict__)  # noqa: S102 - running it is the purpose of a script
        return module

    def _run_library(self, name: str) -> None:
        spec = importlib.util.find_spec(name)
        assert spec is not None
        assert spec.origin is not None
        self._inside_library += 1
        try:
            module = self.run(Path(spec.origin), name)
        finally:
            self._inside_library -= 1
        parent, _, last = name.rpartition(".")
        if parent:
            above = self._own[parent].__dict__
            above[last] = module
            above.update({key: vars(module)[key] for key in _NAMES[name] if key in vars(module)})

    def _import(
        self,
        name: str,
        given: Mapping[str, Any] | None = None,
        local: Mapping[str, Any] | None = None,
        wanted: Any = (),
        level: int = 0,
    ) -> Any:
        if level == 0:
            self._refuse(name)
            found = self._found(name)
            if found is not None:
                return self._answer(name, found, wanted)
        return builtins.__import__(name, given, local, wanted, level)

    def _answer(self, name: str, found: ModuleType, wanted: Any) -> ModuleType:
        """``from a.b import c`` gets a.b; ``import a.b`` gets a."""
        if not wanted:
            return self._own[name.partition(".")[0]]
        for each in wanted:
            if not hasattr(found, each):
                inner = self._found(f"{name}.{each}")
                if inner is not None:
                    setattr(found, each, inner)
        return found

    def _found(self, name: str) -> ModuleType | None:
        if name in self._own:
            return self._own[name]
        if self._inside_library and name == "_queue":
            raise ImportError("the queue in C waits in real time")
        top = name.partition(".")[0]
        if top in ("can", "RPi", "nodes") and top in self._own:
            return self._shared(name)
        path = self._folder / f"{name}.py"
        return self.run(path, name) if "." not in name and path.is_file() else None

    def _shared(self, name: str) -> ModuleType | None:
        """A part of a replaced package that is itself not replaced: the shared one."""
        try:
            return importlib.import_module(name)
        except ModuleNotFoundError:
            return None

    def _refuse(self, name: str) -> None:
        for refused, instead in REFUSED.items():
            if f"{name}.".startswith(f"{refused}.") and not self._inside_library:
                text = "waits in real time, and a script on the bench has only virtual time"
                raise ImportError(f"'{name}' {text}: {instead}", name=name)


@dataclass(frozen=True, slots=True)
class Script:
    """A node's program: a script file. ``call_ns`` is the processor time of one call;
    ``sample_point`` the lowest and highest sample point that the bus allows, as shares of a bit;
    ``channel`` the name of the adapter's channel (None: the first that the script opens). ``codes``
    run in place of what some files hold.
    """

    path: Path
    wiring: Wiring
    call_ns: int
    sample_point: tuple[float, float] = (0.0, 1.0)
    channel: str | None = None
    codes: Mapping[Path, CodeType] = field(default_factory=dict, hash=False)

    def files(self) -> list[Path]:
        """The script."""
        return [self.path]

    def __call__(self, board: BoardFace) -> ScriptProgram:
        """A run of the script on a board."""
        return ScriptProgram(self, board)


class ScriptProgram(BlockingProgram):
    """One run of a script."""

    def __init__(self, script: Script, board: BoardFace) -> None:
        self._script = script
        self._board = board
        self._tasks = Tasks(board.queue, board.clock, board.host, script.call_ns)
        self._threading = Threading(self._tasks, board.printed)
        self._bus = CanFactory(self._tasks, board.bus, script.sample_point, script.channel)
        self._gpio = Gpio(script.wiring, board, self._tasks, self._threading)

    # ---- called by the host

    def start(self) -> None:
        self._tasks.begin(self._main)

    def received(self) -> None:
        if self._bus.bus is not None:
            self._bus.bus.received()

    def controller_changed(self) -> None:
        """Do nothing: a script reads the state of its bus when it needs it."""

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
            console = _Console(self._board, self._tasks)
            builtin = {"print": console.print, "input": _no_input}
            imports = Imports(path.parent, self._modules(), builtin, self._script.codes)
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


class _Timed:
    """The board as a script sees it: each call takes its time, and a restart does not return."""

    def __init__(self, board: BoardFace, tasks: Tasks) -> None:
        self._board = board
        self._tasks = tasks

    def restart(self) -> None:
        """Reset the board."""
        tasks, board = self._tasks, self._board
        tasks.spend()
        tasks.queue.at(tasks.queue.now_ns, board.host.call, board.restart)
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
    """The console of a script: its lines go to the recording."""

    def __init__(self, board: BoardFace, tasks: Tasks) -> None:
        self._board = board
        self._tasks = tasks
        self._line = ""

    def print(self, *values: Any, file: Any = None, flush: bool = False, **how: Any) -> None:
        """``print``; output for another file goes to that file."""
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
    raise EOFError(f"no one is at the node to answer {str(prompt)!r}")


def _package(name: str, **parts: ModuleType) -> ModuleType:
    made = ModuleType(name)
    made.__dict__.update(__path__=[os.devnull], **parts)
    return made
