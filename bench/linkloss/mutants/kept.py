"""What is already known of mutants, kept in the user's folder for caches: an interrupted score goes
on, and a second one runs only what changed.

There is a file for each content: of the bench, of the vehicle with all other programs, and of the
program as it is. Its lines are what was found out, by name.
"""

from __future__ import annotations

import json
import sys
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

from linkloss.mutants.subject import Subject, digest
from linkloss.shipped import cache_folder
from linkloss.vehicle.programs import files_behind

MOST = 30
"""So many files are kept; the oldest go first."""


class Kept:
    """Findings by name, in a file that grows."""

    def __init__(self, key: str) -> None:
        self._path = cache_folder("mutants") / f"{key}.jsonl"
        self._found: dict[str, Any] = {}
        with suppress(OSError):
            for line in self._path.read_text(encoding="utf-8").splitlines():
                with suppress(ValueError):  # one that was cut off while it was written
                    name, value = json.loads(line)
                    self._found[name] = value

    def get(self, name: str) -> Any:
        """What is known under this name; None if nothing is."""
        return self._found.get(name)

    def put(self, name: str, value: Any) -> None:
        """Keep something; a folder that cannot be written to changes no result."""
        self._found[name] = value
        with suppress(OSError):
            if not self._path.exists():
                self._path.parent.mkdir(parents=True, exist_ok=True)
                _forget_oldest(self._path.parent)
            with self._path.open("a", encoding="utf-8") as file:
                file.write(json.dumps([name, value], separators=(",", ":")) + "\n")


def _forget_oldest(folder: Path) -> None:
    files = sorted(folder.glob("*.jsonl"), key=lambda path: path.stat().st_mtime)
    for path in files[: max(0, len(files) + 1 - MOST)]:
        path.unlink(missing_ok=True)


def key_of(subject: Subject, *choice: object) -> str:
    """What some findings are findings of. ``choice`` is what was asked for."""
    vehicle, own = subject.vehicle, set(subject.files.values())
    files = {path.resolve() for path in (vehicle.path, *vehicle.dbc_paths)}
    for program in vehicle.programs.values():
        files |= files_behind(program)
    others = [path.read_bytes() for path in sorted(files - own) if path.is_file()]
    now = subject.identity(subject.texts)
    return digest(_bench(), sys.version, subject.node, now, repr(choice), *others)


@cache
def _bench() -> str:
    """A digest of the bench itself."""
    folder = Path(__file__).parents[1]
    files = sorted(path for path in folder.rglob("*") if path.suffix in (".py", ".c", ".h", ".ld"))
    return digest(*(path.read_bytes() for path in files))
