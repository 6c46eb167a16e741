"""A story as plain values for programs. What it cost stands with the effort."""

from __future__ import annotations

from typing import Any

from linkloss.campaign.stories import Story
from linkloss.report.findings import Told
from linkloss.report.story import story_sentence


def story_fields(told: Told, story: Story) -> dict[str, Any]:
    """What is known about a story; ``without`` says of each fault, then of each action, what
    becomes of the rule without it (None: not tried).
    """
    shrunk = story.shrunk
    file = told.files.get(story.name)
    return {
        "name": story.name,
        "sentence": story_sentence(story),
        "file": None if file is None else file.as_posix(),
        "command": told.command(story) or None,
        "cause": story.cause,
        "findings_with_this_cause": told.stories.sharing(story),
        "tells": [list(place) for place in story.tells],
        "case": story.case,
        "beginning": dict(shrunk.scenario.inputs),
        "actions": [[action.at_ns, dict(action.values)] for action in shrunk.scenario.actions],
        "faults": [
            [timed.at_ns, timed.until_ns, timed.fault.kind, timed.fault.label()]
            for timed in shrunk.scenario.faults
        ],
        "lasts_ns": shrunk.scenario.lasts_ns,
        "without": [None if outcome is None else outcome.value for outcome in shrunk.needed],
        "minimal": shrunk.minimal,
        "ran_out": shrunk.ran_out,
    }
