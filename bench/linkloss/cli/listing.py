"""``linkloss faults`` and ``linkloss schema``: what there is to write in files."""

from __future__ import annotations

import sys
from typing import Literal


def faults() -> int:
    """List the faults with their parameters."""
    from linkloss.report.catalogue import show_catalogue  # noqa: PLC0415
    from linkloss.report.screen import make_console  # noqa: PLC0415

    show_catalogue(make_console())
    return 0


def schema(kind: Literal["vehicle", "scenario", "check", "run"], /) -> int:
    """Print a JSON Schema: of a vehicle or scenario file, for editors, or of a result, for
    programs.

    Parameters
    ----------
    kind
        vehicle or scenario: the file that you write; check or run: what --json writes.
    """
    if kind == "vehicle" or kind == "scenario":  # noqa: PLR1714 - mypy follows this form
        from linkloss.schema import schema_text  # noqa: PLC0415

        sys.stdout.write(schema_text(kind))
        return 0
    import json  # noqa: PLC0415

    from linkloss.report.result_schema import check_result_schema, run_result_schema  # noqa: PLC0415

    made = check_result_schema() if kind == "check" else run_result_schema()
    sys.stdout.write(json.dumps(made, indent=2) + "\n")
    return 0
