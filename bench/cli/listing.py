"""``linkloss faults`` and ``linkloss schema``: what there is to write in files."""

from __future__ import annotations

import sys
from typing import Literal


def faults() -> int:
    """List the faults with their parameters."""
    from bench.report.catalogue import show_catalogue  # noqa: PLC0415
    from bench.report.screen import make_console  # noqa: PLC0415

    show_catalogue(make_console())
    return 0


def schema(kind: Literal["vehicle", "scenario"], /) -> int:
    """Print the JSON Schema of a vehicle or scenario file, for editors.

    Parameters
    ----------
    kind
        Which file: vehicle or scenario.
    """
    from bench.schema import schema_text  # noqa: PLC0415

    sys.stdout.write(schema_text(kind))
    return 0
