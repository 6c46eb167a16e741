"""A live session as a scenario file."""

from __future__ import annotations

import itertools
import os
import re
from collections.abc import Iterator
from pathlib import Path

from linkloss.live.session import Excerpt
from linkloss.outside import write_frames
from linkloss.report.files import write_whole
from linkloss.report.scenario_text import scenario_toml

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,59}")
ABOUT = "Driven by hand in a live session; what came from outside stands at its virtual instant."


def save(excerpt: Excerpt, folder: Path, name: str) -> Path:
    """Write ``NAME.toml`` into a folder, or ``NAME-2.toml`` where that exists, and return its
    path; frames from outside go into ``NAME.outside.log`` beside it. Raises ValueError, with a text
    for the user, for a name that is no plain one, and BadInput where the folder cannot be written
    to.
    """
    if not _NAME.fullmatch(name):
        raise ValueError(f"got the name '{name}'; expected letters, digits, '-' and '_', up to 60")
    path = next(path for path in _paths(folder, name) if not path.exists())
    scenario = excerpt.scenario
    vehicle = os.path.relpath(scenario.vehicle.path.resolve(), folder.resolve())
    log = path.with_suffix(".outside.log")
    if scenario.outside is not None:
        write_whole(log, write_frames(scenario.outside.events))
    text = scenario_toml(
        scenario,
        vehicle=Path(vehicle).as_posix(),
        title=scenario.title,
        about=ABOUT,
        log=log.name,
    )
    write_whole(path, text)
    return path


def _paths(folder: Path, name: str) -> Iterator[Path]:
    yield folder / f"{name}.toml"
    yield from (folder / f"{name}-{number}.toml" for number in itertools.count(2))
