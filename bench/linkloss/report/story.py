"""A shrunk finding in words: what happens in one sentence, and what is known about it."""

from __future__ import annotations

from collections.abc import Iterator

from linkloss.campaign.run import PROCESS
from linkloss.campaign.stories import Story
from linkloss.judge import Outcome
from linkloss.model.units import plain, show_duration
from linkloss.report.words import count, deed, rule_words
from linkloss.scenario import Scenario, TimedAction, TimedFault


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
    """What stands in the file of a finding beside its sentence."""
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
