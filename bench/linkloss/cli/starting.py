"""``linkloss new``: a small car of one's own to begin with."""

from __future__ import annotations

import sys
from pathlib import Path

TEMPLATE = Path(__file__).parents[1] / "start"


def new(folder: Path, /) -> int:
    """Write a small car with a C node, a scenario and a test, ready to run and to change.

    Parameters
    ----------
    folder
        A folder that does not exist yet, or is empty.
    """
    from linkloss.cli.common import bad  # noqa: PLC0415

    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise bad(str(folder), "it exists and is not empty; expected the name of a new folder")
        folder.mkdir(parents=True, exist_ok=True)
        names = sorted(path.name for path in TEMPLATE.iterdir() if path.is_file())
        for name in names:
            (folder / name).write_bytes((TEMPLATE / name).read_bytes())
    except OSError as error:
        raise bad(str(folder), f"cannot write there: {error.strerror}") from None
    sys.stdout.write(
        f"Wrote {', '.join(names)} to {folder}.\n"
        f"Your node is {folder / 'rear.c'}. Next:\n\n"
        f"  linkloss check {folder / 'vehicle.toml'}\n"
        f"  linkloss run {folder / 'cable_pulled.toml'}\n"
    )
    return 0
