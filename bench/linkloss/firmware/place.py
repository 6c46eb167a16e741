"""From an address in a firmware to a line of its source."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

from linkloss.firmware.build import C_FOLDER, SKETCH_HEADERS

_OURS = (str(C_FOLDER), str(SKETCH_HEADERS))


def source_line(program: Path, offsets: Sequence[int]) -> str:
    """``file:line`` of the first of some offsets that lies in the user's own source, or a text
    that says that it is not known.
    """
    tool = shutil.which("addr2line")
    if tool is None:
        return "a place that only 'addr2line' (package binutils) could name"
    command = [tool, "-e", str(program), *(hex(offset) for offset in offsets)]
    done = subprocess.run(  # noqa: S603 - a tool of the compiler's
        command, capture_output=True, text=True, check=False, errors="replace"
    )
    for line in done.stdout.splitlines():
        file, _, number = line.partition(" ")[0].rpartition(":")
        if file not in ("", "??") and number.isdigit() and not file.startswith(_OURS):
            return f"{file}:{number}"
    return "an unknown place"
