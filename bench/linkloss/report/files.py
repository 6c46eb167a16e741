"""Writes a result whole or not at all: a reader never sees half a file."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from linkloss.problem import BadInput


def write_whole(path: str | Path, content: str | bytes | Iterable[str]) -> None:
    """Write a file in one step. An earlier one stays untouched until the new one is complete.

    Text, whole or in pieces, is written as UTF-8 with line feeds.

    :raises BadInput: with the path, if it cannot be written.
    """
    with replacing(path) as temporary:
        if isinstance(content, bytes):
            temporary.write_bytes(content)
            return
        with temporary.open("w", encoding="utf-8", newline="\n") as file:
            file.writelines([content] if isinstance(content, str) else content)


def ensure_writable(path: str | Path) -> None:
    """Check, before a long run, whether a file can be written. Leaves nothing behind.

    :raises BadInput: as :func:`write_whole` would.
    """
    target, temporary = _places(path)
    if _is_device(target):
        return
    with _as_bad_input(path):
        temporary.touch()
        temporary.unlink()


def ensure_folder(path: str | Path) -> None:
    """Make a folder if there is none, and check that files can be written to it.

    :raises BadInput: with the path, if not.
    """
    folder = Path(path)
    if folder.exists() and not folder.is_dir():
        raise BadInput.one(path, "", "this is a file; expected the name of a folder")
    with _as_bad_input(path):
        folder.mkdir(exist_ok=True)
    ensure_writable(folder / "index.html")


@contextmanager
def replacing(path: str | Path) -> Iterator[Path]:
    """A temporary file next to the target, with the same extensions, that replaces the target at
    the end.

    If the block fails, the temporary file is removed and the target stays as it was.

    :raises BadInput: for an OSError on the way.
    """
    target, temporary = _places(path)
    if _is_device(target):
        with _as_bad_input(path):
            yield target
        return
    with _as_bad_input(path):
        try:
            yield temporary
            temporary.replace(target)
        finally:
            temporary.unlink(missing_ok=True)


def _places(path: str | Path) -> tuple[Path, Path]:
    """The file's real path (links followed), and the temporary path next to it."""
    with _as_bad_input(path):
        target = Path(os.path.realpath(path))
        problem = _problem(target)
    if problem:
        raise BadInput.one(path, "", problem)
    return target, target.with_name(f".{os.getpid()}.{target.name}")


def _problem(target: Path) -> str:
    """Why a file cannot be written there, as far as can be told; empty if nothing prevents it."""
    if target.is_dir():
        return "this is a folder; expected the name of a file to write"
    if not target.parent.is_dir():
        return f"cannot be written: there is no folder '{target.parent}'"
    if target.exists() and not os.access(target, os.W_OK):
        return "cannot be written: the file there is write-protected"
    return ""


def _is_device(target: Path) -> bool:
    """Whether the target cannot be replaced, only written to, such as a terminal or a pipe."""
    return target.exists() and not target.is_file()


@contextmanager
def _as_bad_input(path: str | Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        text = f"cannot be written: {error.strerror or error}"
        raise BadInput.one(path, "", text) from None
