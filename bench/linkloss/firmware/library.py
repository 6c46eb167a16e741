"""Firmwares in memory: a private copy for each node, set back to its beginning at each reset.

No instruction of a firmware runs when it is loaded (``c/own_init.ld`` keeps its constructors from
the loader), so what its static memory holds then is what it holds after every reset. A copy that
no node uses any more is set back and used again; nothing is ever unloaded.
"""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

from linkloss.firmware.build import runtime

C_FOLDER = Path(__file__).parent / "c"
TICK_MS, TICKS = 100, 10
"""A firmware that makes no call to its board for so many ticks of processor time never will."""
STACK_BYTES = 256 * 1024

_FUNCTIONS = """
struct machine *machine_new(uint64_t stack_bytes);
void machine_free(struct machine *machine);
void machine_begin(struct machine *machine, void (*start)(struct machine *));
int machine_resume(struct machine *machine);
void machine_watch(int tick_ms, int ticks);
void firmware_look(struct library *found);
void firmware_start(struct machine *machine);
void firmware_begin(void);
void firmware_dump(void);
"""


@cache
def interface() -> Any:
    """The cffi view of what the bench and a firmware share."""
    from cffi import FFI  # noqa: PLC0415 - the extra 'firmware'

    text = (C_FOLDER / "machine.h").read_text(encoding="utf-8")
    ffi = FFI()
    ffi.cdef(re.sub(r"(?m)^#.*$", "", text) + _FUNCTIONS)
    return ffi


@cache
def switchboard() -> Any:
    """The C functions that switch stacks, loaded once; they watch this process and its children."""
    library = _open(str(runtime()))

    def watch() -> None:
        library.machine_watch(TICK_MS, TICKS)

    watch()
    os.register_at_fork(after_in_child=watch)
    return library


class Library:
    """One copy of a firmware in memory, with a stack."""

    def __init__(self, path: Path) -> None:
        ffi = interface()
        self._functions = _load_copy(path)
        self._image_of = ffi.new("struct library *")
        self._functions.firmware_look(self._image_of)
        found = self._image_of
        self.has_program = bool(found.has_program)
        self.base = int(ffi.cast("uintptr_t", found.base))
        self._image = bytes(ffi.buffer(found.memory, found.memory_length))
        self.machine = switchboard().machine_new(STACK_BYTES)
        if self.machine == ffi.NULL:
            raise MemoryError("no memory for a firmware's stack")

    def begin(self) -> None:
        """A reset: static and thread-local memory as at the beginning, and nothing on the stack."""
        found = self._image_of
        interface().memmove(found.memory, self._image, len(self._image))
        functions = self._functions
        functions.firmware_begin()
        switchboard().machine_begin(self.machine, functions.firmware_start)
        self.machine.text_begin, self.machine.text_end = found.text_begin, found.text_end

    def dump(self) -> None:
        """Add the lines that ran to the files that tell of them."""
        self._functions.firmware_dump()


def _open(name: str) -> Any:
    """Load a library for good: a signal may still lead into it while the process ends."""
    return interface().dlopen(name, os.RTLD_NOW | os.RTLD_NODELETE)


def _load_copy(path: Path) -> Any:
    """Load a file under a name that the loader has not seen: else it hands out the same memory."""
    handle, name = tempfile.mkstemp(prefix="copy-", suffix=".so", dir=path.parent)
    os.close(handle)
    try:
        shutil.copyfile(path, name)
        return _open(name)
    finally:
        Path(name).unlink()


class Shelf:
    """The copies of one firmware that no node uses now."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._free: list[Library] = []

    def take(self) -> Library:
        """A copy for one life of a program."""
        return self._free.pop() if self._free else Library(self.path)

    def put_back(self, library: Library) -> None:
        """The life is over."""
        self._free.append(library)
