"""Results as JSON, for programs: the content of the screen, in whole nanoseconds, the same every
time.

Tables with many rows are arrays of arrays, with the names of their columns in a key next to them.
The version of a format rises when a key is removed or changes its meaning. New keys may be added
without that, so a reader must ignore keys that it does not know.

What a check cost, and on what machine, is never the same twice, so it goes into a separate file.
"""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal

from pydantic import Field

from linkloss.campaign.causes import BrokenBy, place_of
from linkloss.campaign.mechanism import Diagnosis, Mechanism
from linkloss.campaign.result import (
    CAUTION,
    BrokenFields,
    CaseResult,
    CheckReport,
    Expected,
    Finding,
    Real,
    ResultDocument,
    RuleResult,
    RunDocument,
    RunResult,
    VerdictFields,
    VerdictRow,
    case_form,
)
from linkloss.campaign.selection import content
from linkloss.campaign.shrink import Place
from linkloss.campaign.stories import Story
from linkloss.document import Document, Ns, columns, lines_of
from linkloss.judge import Outcome, Verdict
from linkloss.judge.verdict import COLUMNS
from linkloss.problem import BadInput
from linkloss.recording import InputValue, recording_fields
from linkloss.report.advice import look_at, proof, why
from linkloss.report.findings import Told, finding_toml, found_causes, story_sentence
from linkloss.report.totals import Totals, combinations, groups, judged_in, totals
from linkloss.report.words import (
    command,
    desk_sentences,
    finding_sentence,
    outcome_line,
    rule_words,
    run_sentence,
)
from linkloss.vehicle.loading import Vehicle

INTERRUPTED = "interrupted"
"""Why a finding has no story: the search was ended."""
MECHANISMS = [None, *(mechanism.value for mechanism in Mechanism)]


class FindingFields(BrokenFields):
    """A broken rule with its plainest case."""

    case: str
    situation: str
    fault: str
    fault_text: str
    fault_ns: Ns | None
    times: int
    """how many cases show it"""
    command: str
    """the command that shows it again"""
    story: str | None
    """name of the story that tells it, if there is one"""
    story_missing: str | None
    """why there is none, where one was looked for"""


class RuleFields(VerdictFields):
    """A declared rule by its worst verdict."""

    case: str | None


class StoryFields(Document):
    """What is known about a story."""

    name: str
    sentence: str
    """what happens, in order"""
    file: str | None
    """the scenario file that runs it alone"""
    command: str | None
    cause: int
    """the same for stories with the same faults that point at one node, found without looking for
    a reason; why they broke stands under 'causes', each with its story"""
    findings_with_this_cause: int
    """of all stories with this number"""
    tells: list[tuple[str, str]]
    """the findings, as [subject, rule]"""
    case: str
    """what it was shrunk from"""
    beginning: dict[str, InputValue]
    actions: list[tuple[Ns, dict[str, InputValue]]]
    faults: list[tuple[Ns, Ns | None, str, str]]
    """as [from ns, until ns, kind, name]"""
    lasts_ns: Ns
    without: list[Outcome | None]
    """what becomes of the rule without each fault, then without each action; null: not tried"""
    minimal: bool
    ran_out: bool
    """more runs may make it shorter"""
    scenario: str = ""
    """all of it, as the text of a scenario file"""
    verdict: VerdictRow | None = None
    """how the rule that it was shrunk for breaks in it"""
    shows: tuple[Place, ...] = ()
    """every rule that breaks in it, as [subject, rule]"""
    runs: int = 0
    """how many runs it took to make it so short"""
    budget: int = 0
    """how many it might have taken"""


class Diagnosed(Document):
    """Why a finding broke, as far as that was found by running it again. Others of its story, or of
    its node and kind of fault, broke for the same reason; 'causes' puts them together.
    """

    subject: str
    rule: str
    found: Diagnosis


class CauseFields(Document):
    """What broke for one reason."""

    mechanism: Annotated[str | None, Field(json_schema_extra={"enum": MECHANISMS})]
    """how the node came to break its rules; null: not looked for"""
    node: str
    """the node to look at; empty: not known"""
    message: str
    """the message that it is about, if it is about one"""
    at_ns: Ns | None
    """when it happened, in the case or story that tells it"""
    where: str
    """the place in the program, file:line, where there is one"""
    why: str
    """what went another way than in a right car"""
    look_at: str
    """what to look at in the program"""
    confirmed: str
    """how it was confirmed by running again; empty for what is seen without that"""
    findings: list[tuple[str, str]]
    """what it broke, as [subject, rule], the one that tells it first"""
    story: str | None
    """the shortest scenario that shows it"""


class Reached(Document):
    """In which states of controllers and programs how many rules were judged."""

    combinations: int
    columns: tuple[str, ...] = ("controller", "program", "rules")
    table: list[tuple[str, str, int]]


class CheckHead(ResultDocument):
    """What a check is read back from, beside its cases."""

    format: Literal["linkloss check"] = "linkloss check"
    space: list[str] | None = None
    """what the cases were chosen from, and what was left out"""
    unjudged: tuple[tuple[str, str, str], ...] = ()
    """[what, why, why it may be so by the vehicle file or empty] of what no rule judges"""
    stories: tuple[StoryFields, ...] = ()
    """what broke, as short as it became, most telling first"""
    diagnoses: tuple[Diagnosed, ...] = ()
    """what 'causes' follows from"""


class CheckDocument(CheckHead):
    """The result of a check in JSON, all but its cases, which are many."""

    outcome: str
    """what the check amounts to, in one sentence"""
    totals: Totals
    notes: list[str]
    """what cannot be tried out in these programs"""
    desk: list[str] = Field(default_factory=list)
    """how a check of a real node on the desk went; empty where all nodes were simulated"""
    reached: Reached
    findings: list[FindingFields]
    """the broken rules, each with its plainest case"""
    causes: list[CauseFields]
    """why they broke, in the order in which to look at them"""
    not_exercised: list[tuple[str, str]]
    """[subject, rule] of what no case put to the test"""
    rules: list[RuleFields]
    """every declared rule by its worst verdict"""
    faults: list[str]
    """kinds of faults, the columns of the table"""
    groups: dict[str, list[str]]
    """the subjects by what they are"""
    table_columns: tuple[str, ...] = ("subject", "fault", "outcome", "margin_ns", "rules")
    table: list[tuple[str, str, Outcome, Ns | None, list[str]]]
    verdict_columns: list[str] = columns(COLUMNS)


class Cases(Document):
    """The rest of it: its cases, which are written and read one by one."""

    cases: list[CaseResult]


def content_now(vehicle: Vehicle) -> str | None:
    """The SHA-256, in hexadecimal, of the vehicle's file, its DBC and its programs as they are now;
    None if one of them no longer exists, or can no longer be compiled.
    """
    try:
        return content(vehicle)
    except (OSError, BadInput):
        return None


EFFORT_VERSION = 1


def effort_json(
    report: CheckReport, wall_s: float, choice: Mapping[str, Any], told: Told | None = None
) -> str:
    """The effort as JSON. ``wall_s`` is the real time of the cases in seconds; ``choice`` says how
    the work was distributed; ``told`` holds the stories, if any were looked for.
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


def _story(told: Told, story: Story) -> StoryFields:
    shrunk = story.shrunk
    scenario, file = shrunk.scenario, told.files.get(story.name)
    return StoryFields(
        name=story.name,
        sentence=story_sentence(story),
        file=None if file is None else file.as_posix(),
        command=told.command(story) or None,
        cause=story.cause,
        findings_with_this_cause=told.stories.sharing(story),
        tells=list(story.tells),
        case=story.case,
        beginning=dict(scenario.inputs),
        actions=[(action.at_ns, dict(action.values)) for action in scenario.actions],
        faults=[
            (timed.at_ns, timed.until_ns, timed.fault.kind, timed.fault.label())
            for timed in scenario.faults
        ],
        lasts_ns=scenario.lasts_ns,
        without=list(shrunk.needed),
        minimal=shrunk.minimal,
        ran_out=shrunk.ran_out,
        scenario=finding_toml(story),
        verdict=shrunk.verdict,
        shows=shrunk.shows,
        runs=shrunk.runs,
        budget=shrunk.budget,
    )


def check_json(report: CheckReport, told: Told | None = None) -> str:
    """A check as JSON. Its ``cases`` hold the verdicts kept and broken; ``told`` holds the stories
    of what broke, if they were looked for.
    """
    return "".join(check_json_parts(report, told))


def check_json_parts(report: CheckReport, told: Told | None = None) -> Iterator[str]:
    """The text of :func:`check_json` in pieces, so that the cases need not be in memory
    together.
    """
    vehicle = report.vehicle
    document = CheckDocument(
        vehicle=vehicle.title,
        vehicle_file=str(vehicle.path),
        content=content_now(vehicle),
        seed=report.seed,
        exit_code=report.exit_code,
        outcome=outcome_line(report),
        caution=CAUTION,
        totals=totals(report),
        space=None if report.space is None else list(report.space.sentences()),
        notes=list(vehicle.notes),
        desk=list(desk_sentences(report)),
        reached=_reached(report),
        findings=[_finding(report, finding, told) for finding in report.findings],
        causes=[_cause(vehicle, cause) for cause in found_causes(report, told)],
        stories=() if told is None else tuple(_story(told, story) for story in told.stories.told),
        diagnoses=() if told is None else tuple(_diagnosed(told)),
        not_exercised=list(report.not_exercised),
        unjudged=tuple((entry.what, entry.reason, entry.allowed) for entry in report.unjudged),
        rules=[_rule(report, entry) for entry in report.rules],
        faults=list(report.faults),
        groups=dict(groups(report)),
        table=[
            (subject, fault, cell.outcome, cell.margin_ns, list(cell.rules))
            for subject in report.subjects
            for fault in report.faults
            for cell in (report.cells[subject, fault],)
        ],
    )
    cases = (case_form().dump_json(case, exclude={"points"}) for case in report.cases)
    return lines_of({**document.model_dump(mode="json"), "cases": cases})


def _cause(vehicle: Vehicle, cause: BrokenBy) -> CauseFields:
    found = cause.diagnosis
    return CauseFields(
        mechanism=None if found is None else found.mechanism.value,
        node=cause.node,
        message="" if found is None else found.message,
        at_ns=None if found is None else found.at_ns,
        where="" if found is None else found.where,
        why="" if found is None else why(found),
        look_at="" if found is None else look_at(vehicle, found),
        confirmed="" if found is None else proof(found),
        findings=[place_of(finding) for finding in cause.findings],
        story=None if cause.story is None else cause.story.name,
    )


def _diagnosed(told: Told) -> Iterator[Diagnosed]:
    for (subject, rule), found in told.diagnoses.items():
        yield Diagnosed(subject=subject, rule=rule, found=found)


def _reached(report: CheckReport) -> Reached:
    coverage = report.tally.coverage
    return Reached(
        combinations=combinations(coverage),
        table=[(*place, number) for place, number in judged_in(coverage).items()],
    )


def run_json(result: RunResult) -> str:
    """A run as JSON, with its whole recording."""
    scenario, recording = result.scenario, result.recording
    outside = scenario.outside
    document = RunDocument(
        scenario=scenario.name,
        title=scenario.title,
        vehicle=scenario.vehicle.title,
        vehicle_file=str(scenario.vehicle.path),
        content=content_now(scenario.vehicle),
        seed=recording.seed,
        situation=scenario.situation,
        beginning=dict(scenario.inputs),
        real=None
        if outside is None
        else Real(nodes=outside.nodes, delay_ns=outside.delay_ns, doubt=outside.doubt),
        exit_code=result.exit_code,
        caution=CAUTION,
        broken=[
            BrokenFields(
                **_named(scenario.vehicle, verdict), sentence=run_sentence(result, verdict)
            )
            for verdict in result.broken
        ],
        verdicts=list(result.verdicts),
        expected=[
            Expected(
                load=entry.load,
                state=entry.state,
                from_ns=entry.from_ns,
                to_ns=entry.to_ns,
                outcome=verdict.outcome,
                at_ns=verdict.at_ns,
                observed=verdict.observed,
                text=verdict.text,
            )
            for entry, verdict in zip(scenario.expectations, result.expected, strict=True)
        ],
    )
    return "".join(lines_of({**document.model_dump(mode="json"), **recording_fields(recording)}))


# ---- parts of a check ----


def _finding(report: CheckReport, finding: Finding, told: Told | None) -> FindingFields:
    """A finding, with the name of the story that shows it, or why there is none."""
    verdict, case = finding.verdict, finding.case
    story = None if told is None else told.story(finding)
    missing = None
    if told is not None and story is None:
        cut_short = INTERRUPTED if told.stories.interrupted else None
        missing = told.stories.untold.get((verdict.subject, verdict.rule), cut_short)
    return FindingFields(
        **_named(report.vehicle, verdict),
        sentence=finding_sentence(report.vehicle, verdict, case),
        case=case.name,
        situation=case.situation,
        fault=case.fault,
        fault_text=case.text,
        fault_ns=case.fault_ns,
        times=finding.times,
        command=command(report, case),
        story=None if story is None else story.name,
        story_missing=missing,
    )


def _rule(report: CheckReport, entry: RuleResult) -> RuleFields:
    tested = entry.verdict.outcome is not Outcome.NOT_EXERCISED
    return RuleFields(
        **_named(report.vehicle, entry.verdict),
        case=entry.case.name if tested and entry.case is not None else None,
    )


def _named(vehicle: Vehicle, verdict: Verdict) -> dict[str, Any]:
    """A verdict with the names of its fields, and the rule with what is declared for it."""
    fields = dict(zip(COLUMNS, verdict.row(), strict=True))
    fields["outcome"] = verdict.outcome
    return {**fields, "declared": rule_words(vehicle, verdict.subject, verdict.rule)}
