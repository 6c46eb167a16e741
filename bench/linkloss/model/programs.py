"""Finding the program of a node: ``file.py:Class`` beside the vehicle, or ``package.module:Class``.

This is the only way by which the bench reaches node code.
"""

from __future__ import annotations

import importlib
import importlib.util
import inspect
import sys
import traceback
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from types import ModuleType
from typing import Any

from linkloss.clock.safeguard import install, runs_programs
from linkloss.model.problem import nearest

_PREFIX = "linkloss_node_"


class ProgramError(Exception):
    """A node's program that cannot be used; the text is for the user."""


def load_program(reference: str, folder: Path) -> Callable[[Any], Any]:
    """The node class that ``reference`` names. Raises ProgramError."""
    install()
    place, colon, name = reference.rpartition(":")
    if not colon or not place or not name:
        raise ProgramError(f"got '{reference}'; expected 'file.py:Class' or 'package.module:Class'")
    module = (
        _from_file((folder / place).resolve()) if place.endswith(".py") else _from_package(place)
    )
    found = getattr(module, name, None)
    if not inspect.isclass(found):
        classes = [key for key, value in vars(module).items() if inspect.isclass(value)]
        raise ProgramError(f"'{place}' has no class '{name}'{nearest(name, classes)}")
    if not (hasattr(found, "start") or hasattr(found, "run")):
        raise ProgramError(f"'{reference}' is no node: it has neither 'start' nor 'run'")
    return found


@runs_programs
def _from_file(path: Path) -> ModuleType:
    if not path.is_file():
        raise ProgramError(f"there is no file '{path}'")
    name = f"{_PREFIX}{path.stem}_{abs(hash_text(str(path))):x}"
    if name in sys.modules:
        return sys.modules[name]
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # dataclasses look their module up while it is being imported
    sys.path.insert(0, str(path.parent))  # a node may be written in several files of one folder
    try:
        spec.loader.exec_module(module)
    except BaseException as error:  # noqa: BLE001 - a file may even try to exit
        del sys.modules[name]
        raise ProgramError(_import_text(path.name, error, str(path))) from None
    finally:
        with suppress(ValueError):  # it may have tidied up itself
            sys.path.remove(str(path.parent))
    return module


def program_file(program: Callable[[Any], Any]) -> Path | None:
    """The file that holds a program, where it can be known: its source or, of a compiled one,
    what was made of all its sources.
    """
    made = getattr(program, "path", None)
    if isinstance(made, Path):
        return made
    source = inspect.getsourcefile(program)
    return None if source is None else Path(source)


def program_folders(programs: Iterable[Callable[[Any], Any]]) -> set[Path]:
    """The folders that programs' own files stand in, where these can be known."""
    sources = [inspect.getsourcefile(program) for program in programs if inspect.isclass(program)]
    return {Path(source).resolve().parent for source in sources if source is not None}


def forget_programs(programs: Iterable[Callable[[Any], Any]]) -> None:
    """Let the files of programs, and what they import from their folders, be read anew."""
    own = [program for program in programs if program.__module__.startswith(_PREFIX)]
    folders = program_folders(own)
    for name, module in list(sys.modules.items()):
        source = getattr(module, "__file__", None)
        if source is not None and Path(source).resolve().parent in folders:
            del sys.modules[name]


def hash_text(text: str) -> int:
    """A number for a text that is the same in every process."""
    return int.from_bytes(text.encode(), "big") % (2**61 - 1)


@runs_programs
def _from_package(name: str) -> ModuleType:
    try:
        return importlib.import_module(name)
    except ModuleNotFoundError as error:
        if error.name and (name == error.name or name.startswith(error.name + ".")):
            text = f"there is no module '{name}'; for a file write 'file.py:Class'"
            raise ProgramError(text) from None
        raise ProgramError(_import_text(name, error, "")) from None
    except KeyboardInterrupt:
        raise
    except BaseException as error:  # noqa: BLE001 - a node's module may even try to exit
        raise ProgramError(_import_text(name, error, "")) from None


def _import_text(name: str, error: BaseException, path: str) -> str:
    if isinstance(error, SyntaxError):
        return f"importing '{name}' failed at line {error.lineno}: {error.msg}"
    frames = traceback.extract_tb(error.__traceback__)
    inside = [frame for frame in frames if not path or frame.filename == path]
    line = inside[-1].lineno if inside else 0
    at = f" at line {line}" if line else ""
    return f"importing '{name}' failed{at}: {type(error).__name__}: {error}"
