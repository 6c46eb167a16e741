"""A check as JUnit XML, for programs that collect test results: one test for each declared rule."""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET

from linkloss.campaign.result import CheckReport, RuleResult
from linkloss.judge import Outcome
from linkloss.report.findings import Told, story_sentence
from linkloss.report.words import command, finding_sentence, outcome_line

_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that XML 1.0 does not allow (section 2.2, "Characters")."""
_SKIPPED = "not exercised: no case put the rule to the test"


def junit_xml(report: CheckReport, told: Told | None = None) -> str:
    """Subjects are classes, rules are tests. A broken rule fails. A rule that was not exercised is
    skipped, and so never passes. A check without a case or a rule is one error. A failure names the
    command that shows it again, and its story if ``told`` has one.
    """
    suite = ET.Element("testsuite", name=_clean(f"linkloss check {report.vehicle.title}"))
    counts = {"tests": 0, "failures": 0, "errors": 0, "skipped": 0}
    for entry in report.rules:
        counts["tests"] += 1
        test = ET.SubElement(suite, "testcase", classname=_clean(entry.subject), name=entry.rule)
        if entry.verdict.outcome is Outcome.BROKEN:
            counts["failures"] += 1
            _failure(test, report, entry, told)
        elif entry.verdict.outcome is Outcome.NOT_EXERCISED:
            counts["skipped"] += 1
            ET.SubElement(test, "skipped", message=_SKIPPED)
    for unjudged in report.silent:
        counts["tests"] += 1
        counts["skipped"] += 1
        test = ET.SubElement(suite, "testcase", classname=_clean(unjudged.what), name="not judged")
        ET.SubElement(test, "skipped", message=_clean(unjudged.reason))
    if not report.cases or not report.declared:
        counts["tests"] += 1
        counts["errors"] += 1
        test = ET.SubElement(suite, "testcase", classname="linkloss", name="check")
        ET.SubElement(test, "error", message=outcome_line(report))
    if report.vehicle.notes:
        ET.SubElement(suite, "system-out").text = _clean("\n".join(report.vehicle.notes))
    numbers = {name: str(number) for name, number in counts.items()}
    suite.attrib.update(numbers)
    # The schema that collectors share allows "skipped" on a suite, but not on the root.
    root = ET.Element("testsuites", {key: numbers[key] for key in ("tests", "failures", "errors")})
    root.append(suite)
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, "unicode") + "\n"


def _failure(test: ET.Element, report: CheckReport, entry: RuleResult, told: Told | None) -> None:
    finding = next(
        found
        for found in report.findings
        if (found.verdict.subject, found.verdict.rule) == (entry.subject, entry.rule)
    )
    sentence = _clean(finding_sentence(report.vehicle, finding.verdict, finding.case))
    failure = ET.SubElement(test, "failure", message=sentence)
    story = None if told is None else told.story(finding)
    lines = [sentence, command(report, finding.case)]
    if told is not None and story is not None:
        lines += [story_sentence(story), told.command(story)]
    failure.text = "\n".join(_clean(line) for line in lines if line)


def _clean(text: str) -> str:
    return _NOT_XML.sub("?", text)
