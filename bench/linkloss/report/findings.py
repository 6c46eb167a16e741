"""Findings as files: one scenario file for each story, which runs alone.

A scenario file is readable, and :func:`linkloss.scenario.load_scenario` reads it back to the same
run.

A shrunk finding is also told in words: one sentence on what happens, and what is known about it.
"""

from __future__ import annotations

import itertools
import json
import os
import re
import shlex
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path
from typing import Any

from linkloss.campaign.causes import BrokenBy, grouped, place_of
from linkloss.campaign.mechanism import Diagnosis
from linkloss.campaign.result import CheckReport, Finding
from linkloss.campaign.run import PROCESS
from linkloss.campaign.shrink import Place
from linkloss.campaign.stories import Stories, Story
from linkloss.judge import Outcome
from linkloss.problem import BadInput
from linkloss.recording import Outside
from linkloss.report.files import ensure_writable, write_whole
from linkloss.report.words import count, deed, finding_sentence, outcome_line, rule_words
from linkloss.scenario import Scenario, TimedAction, TimedFault, clocks_written, drifts_written
from linkloss.units import plain, show_duration, write_duration

_BARE_KEY = re.compile("[A-Za-z0-9_-]+")


def scenario_toml(
    scenario: Scenario, *, vehicle: str, title: str, about: str = "", log: str = ""
) -> str:
    """A scenario as TOML, without its expectations. ``vehicle`` is the path of the vehicle's file
    relative to the scenario's. A situation is written out as its inputs and actions. ``log`` is the
    file with the frames that came from outside, if any did.
    """
    lines = [f"title = {_text(title)}"]
    if about:
        lines.append(f'about = """\n{_inside(about, lines=True)}\n"""')
    lines.append(f"vehicle = {_text(vehicle)}")
    if scenario.inputs:
        lines.append(f"inputs = {_table(scenario.inputs)}")
    lines.append(f"lasts = {_text(write_duration(scenario.lasts_ns))}")
    if scenario.seed:
        lines.append(f"seed = {scenario.seed}")
    if scenario.clocks:
        lines.append(f"clocks = {_table(clocks_written(scenario.clocks))}")
    if scenario.drifts:
        lines.append(f"drifts = {_table(drifts_written(scenario.drifts))}")
    for step in scenario.steps:
        lines += ["", "[[steps]]", *_step(step)]
    if scenario.outside is not None:
        lines += ["", *_outside(scenario.outside, log)]
    return "\n".join(lines) + "\n"


def _step(step: TimedAction | TimedFault) -> Iterator[str]:
    if isinstance(step, TimedAction):
        yield f"at = {_text(write_duration(step.at_ns))}"
        yield f"set = {_table(step.values)}"
        return
    told = step.fault.describe()
    yield f"at = {_text(write_duration(step.at_ns))}".ljust(23) + f" # {_one_line(told)}"
    yield f"fault = {_text(step.fault.kind)}"
    for name, value in step.fault.written().items():
        yield f"{_key(name)} = {_value(value)}"
    if step.fault.lasting and step.until_ns is not None:
        yield f"lasts = {_text(write_duration(step.until_ns - step.at_ns))}"


def _outside(outside: Outside, log: str) -> Iterator[str]:
    yield "[outside]"
    yield f"log = {_text(log)}"
    yield f"programs = {_value(outside.programs)}"
    yield f"nodes = {_value(outside.nodes)}"
    if outside.delay_ns:
        yield f"delay = {_text(write_duration(outside.delay_ns))}"
    if outside.doubt:
        yield f"doubt = {_text(outside.doubt)}"
    yield "presence = ["
    for event in outside.events:
        if event.frame is None:
            at = write_duration(event.at_ns)
            step = {"at": at, "name": event.name, "state": event.presence}
            if event.hands:
                step["hands"] = event.hands
            yield f"  {_table(step)},"
    yield "]"


def _table(values: Mapping[str, Any]) -> str:
    return f"{{ {', '.join(f'{_key(name)} = {_value(value)}' for name, value in values.items())} }}"


def _key(name: str) -> str:
    return name if _BARE_KEY.fullmatch(name) else _text(name)


def _value(value: Any) -> str:
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, tuple | list):
        return f"[{', '.join(map(_value, value))}]"
    return plain(value)


def _text(text: str) -> str:
    return f'"{_inside(text)}"'


def _inside(text: str, *, lines: bool = False) -> str:
    """The text between the quotes of a basic string. It is escaped as in JSON, and DEL as well
    (TOML 1.0.0, "String"). With ``lines``, line feeds stay.
    """
    parts = text.split("\n") if lines else [text]
    escaped = [json.dumps(part, ensure_ascii=False)[1:-1] for part in parts]
    return "\n".join(escaped).replace("\x7f", "\\u007F")


def _one_line(text: str) -> str:
    """The text without control characters and on one line, for a comment."""
    return "".join(char if char.isprintable() else "?" for char in text)


def story_sentence(story: Story) -> str:
    """What happens, in order: ``tail_left was dark instead of on after the CAN plug of rear was
    pulled (for 230 ms), lights changed to position and rear was reset``.
    """
    scenario, verdict = story.shrunk.scenario, story.shrunk.verdict
    told = [_event(scenario, step) for step in scenario.steps]
    what = deed(scenario.vehicle, verdict)
    if not told:
        return f"{what} without any fault or action"
    return f"{what} after {_listed(told)}"


def _event(scenario: Scenario, step: TimedAction | TimedFault) -> str:
    if isinstance(step, TimedAction):
        changes = [f"{name} changed to {plain(value)}" for name, value in step.values.items()]
        return _listed(changes)
    text = step.fault.describe()
    if not step.fault.lasting or step.until_ns is None or step.until_ns >= scenario.lasts_ns:
        return text
    return f"{text} (for {show_duration(step.until_ns - step.at_ns)})"


def _listed(parts: list[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    return " and ".join(filter(None, [", ".join(parts[:-1]), parts[-1]]))


def effort(story: Story) -> str:
    """``37 of 200 runs``, and whether more might have made it shorter."""
    shrunk = story.shrunk
    text = f"{shrunk.runs} of {count(shrunk.budget, 'run')}"
    return f"{text}, more may make it shorter" if shrunk.ran_out else text


def story_about(story: Story) -> str:
    """What the file of a finding says in addition to its sentence."""
    shrunk, vehicle = story.shrunk, story.shrunk.scenario.vehicle
    subject, rule = story.tells[0]
    lines = [f"Breaks the rule {rule_words(vehicle, subject, rule)} of {subject}."]
    if shrunk.verdict.culprit:
        lines.append(f"Look at node {shrunk.verdict.culprit}.")
    lines += [f"Breaks as well: {rule} of {subject}." for subject, rule in story.tells[1:]]
    lines += _needs(story)
    if subject == PROCESS:
        lines.append("It brings down the process that runs it.")
    lines.append(f"Shrunk in {effort(story)} from the case {story.case}.")
    return "\n".join(lines)


def _needs(story: Story) -> Iterator[str]:
    scenario = story.shrunk.scenario
    parts = [_event(scenario, timed) for timed in scenario.faults]
    parts += [_event(scenario, action) for action in scenario.actions]
    for part, outcome in zip(parts, story.shrunk.needed, strict=True):
        yield f"{_WITHOUT[outcome]}: {part}."


_WITHOUT = {
    Outcome.KEPT: "Without this the rule is kept",
    Outcome.NOT_EXERCISED: "Without this nothing puts the rule to the test",
    None: "Perhaps not needed, no run was left to find out",
}


MARK = "# Written by 'linkloss check', which may write it anew; take this line away to keep it.\n"


@dataclass(frozen=True, slots=True)
class Told:
    """The stories of a check, and the file of each by the story's name; no files if none were
    written. ``diagnoses``: the mechanism behind a finding, by its subject and rule.
    """

    stories: Stories = field(default_factory=Stories)
    files: Mapping[str, Path] = field(default_factory=dict)
    diagnoses: Mapping[Place, Diagnosis] = field(default_factory=dict)

    def story(self, finding: Finding) -> Story | None:
        """The story that shows a finding."""
        return self.stories.of(place_of(finding))

    def command(self, story: Story) -> str:
        """The command that runs a story alone; empty if there is no file."""
        file = self.files.get(story.name)
        if file is None:
            return ""
        return f"linkloss run {shlex.quote(str(file))}"


def found_causes(report: CheckReport, told: Told | None = None) -> list[BrokenBy]:
    """The findings of a check by their causes, in the order in which to look at them."""
    told = told or Told()
    return grouped(report, told.stories, told.diagnoses)


def verdict_line(report: CheckReport, causes: Sequence[BrokenBy]) -> str:
    """What a check found, in one sentence."""
    if not causes:
        return outcome_line(report)
    many = count(len(report.rules), "rule")
    return f"{len(report.findings)} of {many} broken, by {count(len(causes), 'cause')}."


def cause_sentence(report: CheckReport, cause: BrokenBy) -> str:
    """What a cause broke, by its shortest story or else by the case that shows it best."""
    if cause.story is not None:
        return story_sentence(cause.story)
    finding = cause.findings[0]
    return finding_sentence(report.vehicle, finding.verdict, finding.case)


def ensure_folder(folder: Path) -> None:
    """Check, before a long check, whether findings can be written to a folder, which need not exist
    yet. Leaves nothing behind.

    :raises BadInput: if they cannot.
    """
    existing = folder
    while not existing.exists() and existing != existing.parent:
        existing = existing.parent
    if not existing.is_dir():
        raise BadInput.one(existing, "", "this is no folder; expected a folder for the findings")
    ensure_writable(existing / ".linkloss")


def write_findings(stories: Stories, folder: Path) -> dict[str, Path]:
    """Write each story to ``folder/NAME.toml``, and return the files by the stories' names.

    A file of that name that linkloss did not write, or whose first line was removed, stays as it
    is; the new file gets a number after its name.

    :raises BadInput: if the folder cannot be written to.
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


def finding_toml(story: Story, folder: Path | None = None) -> str:
    """A story as the text of a scenario file in a folder; without one, the vehicle has its path as
    it was given.
    """
    scenario = story.shrunk.scenario
    path = scenario.vehicle.path
    return MARK + scenario_toml(
        scenario,
        vehicle=path.as_posix() if folder is None else _seen_from(folder, path),
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
    return next(file for file in files if not file.exists() or _is_ours(file))


def _is_ours(file: Path) -> bool:
    try:
        with file.open(encoding="utf-8", errors="replace") as lines:
            return lines.readline() == MARK
    except OSError:
        return False
