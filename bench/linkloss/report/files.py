"""Writing a result whole or not at all: a reader never meets half a file."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from linkloss.problem import BadInput


def write_whole(path: str | Path, content: str | bytes | Iterable[str]) -> None:
    """Write a file in one step; an earlier one stays untouched until the new one is complete.

    Text, whole or in pieces, is written as UTF-8 with line feeds. Raises BadInput, naming the
    path, when the place cannot be written to.
    """
    with replacing(path) as beside:
        if isinstance(content, bytes):
            beside.write_bytes(content)
            return
        with beside.open("w", encoding="utf-8", newline="\n") as file:
            file.writelines([content] if isinstance(content, str) else content)


def ensure_writable(path: str | Path) -> None:
    """Find out before a long run, not after it, whether a file can be written.

    Raises BadInput as :func:`write_whole` would. Leaves nothing behind.
    """
    target, beside = _places(path)
    if _is_device(target):
        return
    with _told(path):
        beside.touch()
        beside.unlink()


def ensure_folder(path: str | Path) -> None:
    """Make a folder unless it is there, and find out whether files can be put into it.

    Raises BadInput, naming the path.
    """
    folder = Path(path)
    if folder.exists() and not folder.is_dir():
        raise BadInput.one(path, "", "this is a file; expected the name of a folder")
    with _told(path):
        folder.mkdir(exist_ok=True)
    ensure_writable(folder / "index.html")


@contextmanager
def replacing(path: str | Path) -> Iterator[Path]:
    """A place beside the target, of the same extensions, that becomes the target at the end.

    When the block fails, the place is cleared away and the target stays as it was. Raises
    BadInput for an OSError on the way.
    """
    target, beside = _places(path)
    if _is_device(target):
        with _told(path):
            yield target
        return
    with _told(path):
        try:
            yield beside
            beside.replace(target)
        finally:
            beside.unlink(missing_ok=True)


def _places(path: str | Path) -> tuple[Path, Path]:
    """Where the file really lies (through links), and the temporary place beside it."""
    with _told(path):
        target = Path(os.path.realpath(path))
        problem = _problem(target)
    if problem:
        raise BadInput.one(path, "", problem)
    return target, target.with_name(f".{os.getpid()}.{target.name}")


def _problem(target: Path) -> str:
    """Why a file cannot be written there, as far as that shows; empty if nothing speaks against."""
    if target.is_dir():
        return "this is a folder; expected the name of a file to write"
    if not target.parent.is_dir():
        return f"cannot be written: there is no folder '{target.parent}'"
    if target.exists() and not os.access(target, os.W_OK):
        return "cannot be written: the file there is write-protected"
    return ""


def _is_device(target: Path) -> bool:
    """A terminal or a pipe cannot be replaced, only written to."""
    return target.exists() and not target.is_file()


@contextmanager
def _told(path: str | Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        text = f"cannot be written: {error.strerror or error}"
        raise BadInput.one(path, "", text) from None
