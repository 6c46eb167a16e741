"""What a check cost, and on what machine: the part of its results that is never the same twice,
and so stands in a file of its own.
"""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Mapping
from typing import Any

from linkloss.campaign.result import CheckReport
from linkloss.campaign.stories import Story
from linkloss.report.findings import Told

EFFORT_VERSION = 1


def effort_json(
    report: CheckReport, wall_s: float, choice: Mapping[str, Any], told: Told | None = None
) -> str:
    """The effort as JSON. ``wall_s`` is the cases' real time in seconds; ``choice`` says how the
    work was spread; ``told`` are the stories, if there were any to be found.
    """
    cases = len(report.cases)
    fields = {
        "format": "linkloss effort",
        "version": EFFORT_VERSION,
        "wall_s": round(wall_s, 3),
        "cases": cases,
        "cases_per_s": round(cases / wall_s, 2) if wall_s > 0 else None,
        "simulated_s_per_s": round(report.simulated_ns / 1e9 / wall_s, 2) if wall_s > 0 else None,
        **choice,
        "shrinking": [] if told is None else [_shrinking(story) for story in told.stories.told],
        "host": {
            "cores": os.cpu_count(),
            "machine": platform.machine(),
            "system": platform.system(),
            "python": platform.python_version(),
        },
    }
    return json.dumps(fields, indent=2) + "\n"


def _shrinking(story: Story) -> dict[str, Any]:
    return {"story": story.name, "runs": story.shrunk.runs, "budget": story.shrunk.budget}
