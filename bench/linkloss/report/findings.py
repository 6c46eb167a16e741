"""Findings on disk: one scenario file for each story, which runs alone."""

from __future__ import annotations

import itertools
import os
import shlex
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path

from linkloss.campaign.result import Finding
from linkloss.campaign.stories import Stories, Story
from linkloss.model.problem import BadInput
from linkloss.report.files import ensure_writable, write_whole
from linkloss.report.scenario_text import scenario_toml
from linkloss.report.story import story_about, story_sentence

MARK = "# Written by 'linkloss check', which may write it anew; take this line away to keep it.\n"


@dataclass(frozen=True, slots=True)
class Told:
    """The stories of a check, and the file of each by the story's name; without files where none
    could be written.
    """

    stories: Stories = field(default_factory=Stories)
    files: Mapping[str, Path] = field(default_factory=dict)

    def story(self, finding: Finding) -> Story | None:
        """The story that tells a finding."""
        return self.stories.of((finding.verdict.subject, finding.verdict.rule))

    def command(self, story: Story) -> str:
        """What runs a story alone; empty when there is no file."""
        file = self.files.get(story.name)
        if file is None:
            return ""
        return f"linkloss run {shlex.quote(str(file))}"


def ensure_folder(folder: Path) -> None:
    """Find out before a long check whether findings can be written to a folder, which need not
    exist yet. Raises BadInput. Leaves nothing behind.
    """
    existing = folder
    while not existing.exists() and existing != existing.parent:
        existing = existing.parent
    if not existing.is_dir():
        raise BadInput.one(existing, "", "this is no folder; expected a folder for the findings")
    ensure_writable(existing / ".linkloss")


def write_findings(stories: Stories, folder: Path) -> dict[str, Path]:
    """Write each story to ``folder/NAME.toml`` and return the files by the stories' names.

    A file of that name which this did not write, or from which the first line was taken away,
    stays as it is, and another number is put behind the name. Raises BadInput when the folder
    cannot be written to.
    """
    if stories.told:
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            text = f"cannot be made: {error.strerror or error}"
            raise BadInput.one(folder, "", text) from None
    names = {story.name for story in stories.told}
    files: dict[str, Path] = {}
    for story in stories.told:
        files[story.name] = _free(folder, story.name, names)
        write_whole(files[story.name], finding_toml(story, folder))
    return files


def finding_toml(story: Story, folder: Path) -> str:
    """A story as the text of a scenario file that lies in a folder."""
    scenario = story.shrunk.scenario
    return MARK + scenario_toml(
        scenario,
        vehicle=_seen_from(folder, scenario.vehicle.path),
        title=story_sentence(story),
        about=story_about(story),
    )


def _seen_from(folder: Path, path: Path) -> str:
    try:
        return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()
    except ValueError:  # on another drive
        return path.resolve().as_posix()


def _free(folder: Path, name: str, names: Collection[str]) -> Path:
    numbered = (f"{name}-{number}" for number in itertools.count(2))
    stems = chain([name], (stem for stem in numbered if stem not in names))
    files = (folder / f"{stem}.toml" for stem in stems)
    return next(file for file in files if not file.exists() or _ours(file))


def _ours(file: Path) -> bool:
    try:
        with file.open(encoding="utf-8", errors="replace") as lines:
            return lines.readline() == MARK
    except OSError:
        return False
