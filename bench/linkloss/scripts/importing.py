"""A script's imports: its own modules and those that stand in for others, and nobody else sees it.

A script is run with an ``__import__`` of its own. A name that stands for a module of the bench's
time gives that one; a file beside the script is run anew in each life of the node, with the same
imports; everything else is imported as usual and shared.
"""

from __future__ import annotations

import builtins
import importlib
import importlib.util
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any

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
"""Modules that wait on the real world, and what to do instead."""
PRIVATE = ("queue", "sched", "can.listener", "can.notifier")
"""Library modules that are run anew over the script's own ``threading`` and ``time``."""
_NAMES = {
    "can.listener": ("Listener", "BufferedReader", "RedirectReader"),
    "can.notifier": ("Notifier",),
}


@cache
def compiled(path: Path) -> CodeType:
    """A file as code. Raises OSError, SyntaxError, ValueError."""
    return compile(path.read_bytes(), str(path), "exec")


class Imports:
    """The modules of one life of a script."""

    def __init__(
        self, folder: Path, own: Mapping[str, ModuleType], builtin: Mapping[str, Any]
    ) -> None:
        self._folder = folder
        self._own: dict[str, ModuleType] = dict(own)
        self._builtins = {**vars(builtins), "__import__": self._import, **builtin}
        self._inside_library = 0
        for name in PRIVATE:
            self._run_library(name)

    def run(self, path: Path, name: str) -> ModuleType:
        """Run a file as a module with this name."""
        module = ModuleType(name)
        module.__dict__.update(__file__=str(path), __builtins__=self._builtins)
        self._own[name] = module
        exec(compiled(path), module.__dict__)  # noqa: S102 - that is what a script is for
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
        """``from a.b import c`` is given a.b, ``import a.b`` is given a."""
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
        """A part of a package that stands in, but not this part: the one of everybody."""
        try:
            return importlib.import_module(name)
        except ModuleNotFoundError:
            return None

    def _refuse(self, name: str) -> None:
        for refused, instead in REFUSED.items():
            if name != refused and not name.startswith(f"{refused}."):
                continue
            if not self._inside_library:
                text = (
                    f"'{name}' waits in real time, which a script on the bench has not: {instead}"
                )
                raise ImportError(text, name=name)
