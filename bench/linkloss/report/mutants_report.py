"""The score of a check: on the screen, as a page with the source, and as JSON."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from statistics import median
from typing import Literal

from rich.console import Console
from rich.text import Text

from linkloss.campaign.result import CAUTION
from linkloss.document import Document, lines_of
from linkloss.mutants.score import Planted, Score
from linkloss.mutants.trial import SURVIVED, Fate, Trial
from linkloss.problem import EXIT_BROKEN, EXIT_KEPT, EXIT_NOT_EXERCISED, printable
from linkloss.report.html import Page, Part, plain_page
from linkloss.report.html.sheet import SourceLine
from linkloss.report.screen import (
    STYLES,
    bullet,
    caution,
    hanging,
    heading,
    paragraph,
    plain_table,
)
from linkloss.report.words import count, rule_words
from linkloss.units import show_duration
from linkloss.vehicle.loading import Vehicle

NO_FAULT = "none"
CUT_SHORT = (
    "Interrupted: what was being tried is not counted. That takes long where nothing catches it, so"
    " the share may be too high."
)
MOST_SHOWN = 20
"""Survivors on the screen, unless all are asked for."""
FATES: dict[Fate, str] = {
    "no case": "the line runs in no case",
    "unjudged": "a recording differs, and no rule looks at it",
    "allowed": "margins differ, and every rule is kept",
    "unseen": "no recording differs",
}
"""What became of those that were not caught, in words."""
MEANING = (
    "A mistake that changes no recording may be none at all: the program does the same with it. One"
    " that every rule allows may be as right as the program. The others ask for a rule, a situation"
    " or a greater depth."
)


class MutantFields(Document):
    """A mistake that was planted."""

    file: str
    line: int
    kind: str
    """what was changed"""
    old: list[str]
    """the lines that it changes, as they are"""
    new: list[str]
    trial: Trial


class MutantsDocument(Document):
    """The score of a check in JSON."""

    format: Literal["linkloss mutants"] = "linkloss mutants"
    version: Literal[1] = 1
    vehicle: str
    """title of the vehicle"""
    vehicle_file: str
    node: str
    depth: str
    seed: int
    caution: str
    """what a result is not"""
    interrupted: bool
    broken_as_it_is: str
    """what breaks in the program without a mistake: then none was planted"""
    places: int
    """how many mistakes there are to draw from"""
    left_out: dict[str, int]
    """those that were drawn and make no program of their own, by why"""
    cases: int
    """cases of the check"""
    caught: int
    share: float
    """of those that ran, 0 to 1"""
    fates: dict[str, int]
    """how many had which fate"""
    mutants: list[MutantFields]


def mutants_document(score: Score) -> MutantsDocument:
    """A score as plain values."""
    return MutantsDocument(
        vehicle=score.vehicle.title,
        vehicle_file=str(score.vehicle.path),
        node=score.node,
        depth=score.wish.depth,
        seed=score.wish.seed,
        caution=CAUTION,
        interrupted=score.interrupted,
        broken_as_it_is=score.unbroken,
        places=score.places,
        left_out=dict(sorted(score.left_out.items())),
        cases=score.cases,
        caught=len(score.caught),
        share=score.share,
        fates=_fates(score),
        mutants=[
            MutantFields(
                file=each.mutant.file, line=each.mutant.line, kind=each.mutant.kind,
                old=list(each.old), new=list(each.new), trial=each.trial,
            )
            for each in score.planted
        ],
    )  # fmt: skip


def mutants_json(score: Score) -> str:
    """A score as JSON, the same every time."""
    return "".join(lines_of(mutants_document(score).model_dump(mode="json")))


def _fates(score: Score) -> dict[str, int]:
    found = Counter(each.trial.fate for each in score.planted)
    return {fate: found[fate] for fate in ("caught", *SURVIVED)}


def mutants_exit_code(score: Score, fail_under: float | None) -> int:
    """1 if the program breaks a rule as it is, or less is caught than ``fail_under`` percent; 3 if
    no mistake could be planted, otherwise 0.
    """
    if score.unbroken:
        return EXIT_BROKEN
    if not score.planted:
        return EXIT_NOT_EXERCISED
    return EXIT_BROKEN if fail_under is not None and 100 * score.share < fail_under else EXIT_KEPT


# ---- in words


def score_sentence(score: Score) -> str:
    """What a reader must know first."""
    if score.unbroken:
        return f"Nothing was planted: the program breaks a rule as it is. {score.unbroken}"
    if not score.planted:
        why = ": none that was drawn makes a program of its own" if score.left_out else ""
        return f"No mistake ran{why}."
    caught, ran = len(score.caught), len(score.planted)
    text = f"{caught} of {count(ran, 'planted mistake')} caught ({100 * score.share:.0f} %)"
    return f"{text}; {ran - caught} not." if ran > caught else f"{text}."


def facts_of(score: Score) -> Iterator[str]:
    """What a score is based on, in sentences."""
    wish, files = score.wish, ", ".join(score.texts)
    drawn = len(score.planted) + sum(score.left_out.values())
    yield (
        f"Node {score.node}, {files}: {count(score.places, 'possible mistake')}, {drawn} drawn"
        f" (seed {wish.seed}); check of depth {wish.depth}, {score.cases:,} cases."
    )
    if score.left_out:
        told = ", ".join(f"{number} ({why})" for why, number in sorted(score.left_out.items()))
        yield f"Left out: {told}."
    caught = score.caught
    if caught:
        cases = [each.trial.cases for each in caught]
        plain = sum(each.trial.fault == NO_FAULT for each in caught)
        yield (
            f"A caught one ran for {count(int(median(cases)), 'case')} (median; {max(cases)} at"
            f" most); {plain} of {len(caught)} broke a rule in a case without a fault."
        )


def survivors_by_fate(score: Score) -> list[tuple[Fate, list[Planted]]]:
    """Those that were not caught, what asks most for another test first."""
    found = [(fate, [s for s in score.survivors if s.trial.fate == fate]) for fate in SURVIVED]
    return [(fate, those) for fate, those in found if those]


def reason(vehicle: Vehicle, trial: Trial) -> str:
    """Why a mistake was not caught."""
    if trial.fate == "no case":
        return "The line runs in no case."
    ran = f"Ran in {count(trial.cases, 'case')}"
    if trial.fate == "unseen":
        return f"{ran}: no recording differs."
    if trial.fate == "unjudged":
        return f"{ran}: {trial.text} differs in {trial.case}, and no rule looks at it."
    assert trial.margin_ns is not None
    assert trial.before_ns is not None
    words = rule_words(vehicle, trial.subject, trial.rule)
    margin, before = show_duration(trial.margin_ns), show_duration(trial.before_ns)
    return (
        f"{ran}: {trial.subject}: {words} is kept with {margin} left (before: {before}), least in"
        f" {trial.case}."
    )


def caught_rows(score: Score) -> list[tuple[str, str, str, str]]:
    """By which rules mistakes were caught: how many, subject, rule, a case."""
    found: dict[tuple[str, str], list[Planted]] = {}
    for each in score.caught:
        found.setdefault((each.trial.subject, each.trial.rule), []).append(each)
    order = sorted(found.items(), key=lambda entry: (-len(entry[1]), entry[0]))
    return [
        (str(len(those)), subject, rule, those[0].trial.case.partition("/clocks(")[0])
        for (subject, rule), those in order
    ]


# ---- on the screen


def show_mutants(console: Console, score: Score, *, verbose: bool = False) -> None:
    """Show a score, in 80 columns."""
    paragraph(console, f"{score.vehicle.title}: mistakes planted into {score.node}", style="bold")
    good = bool(score.planted) and not score.survivors
    style = STYLES["broken" if score.unbroken else "kept" if good else "not exercised"]
    paragraph(console, score_sentence(score), style=style)
    for fact in facts_of(score):
        paragraph(console, fact)
    if score.interrupted:
        paragraph(console, CUT_SHORT, style=STYLES["not exercised"])
    if score.caught:
        heading(console, "Caught by")
        rows = caught_rows(score)
        heads = ("times", "subject", "rule", "for example in")
        console.print(plain_table(heads, rows, folds=3, left=("subject", "rule")))
    left = None if verbose else MOST_SHOWN
    for fate, those in survivors_by_fate(score):
        heading(console, f"Not caught, {FATES[fate]}: {len(those)}")
        for each in those[:left]:
            _show_survivor(console, score, each)
        if left is not None and len(those) > left:
            bullet(console, f"and {len(those) - left} more; --verbose lists all")
            left = 0
        elif left is not None:
            left -= len(those)
    if score.survivors:
        console.print()
        paragraph(console, MEANING)
    caution(console)


def _show_survivor(console: Console, score: Score, each: Planted) -> None:
    """A survivor as a small diff with its reason."""
    bullet(console, f"{each.mutant.file}:{each.mutant.line}: {each.mutant.kind}")
    for sign, lines in (("-", each.old), ("+", each.new)):
        for line in lines:
            text = Text(printable(f"    {sign} {line.strip()}"))
            console.print(text, soft_wrap=True)
    if each.trial.fate not in ("no case", "unseen") or each.trial.cases:
        hanging(console, "    ", reason(score.vehicle, each.trial))


# ---- as a page


def mutants_page(score: Score) -> Page:
    """The page of a score, with the source and the survivors at its lines."""
    state = "broken" if score.unbroken else "untested" if score.survivors else "kept"
    return plain_page(
        f"{score.vehicle.title}: mistakes planted into {score.node}",
        score_sentence(score),
        state=state if score.planted else "untested",
        parts=tuple(_parts(score)),
        facts={"": " ".join(facts_of(score))},
        vehicle=score.vehicle,
        warnings=(CUT_SHORT,) if score.interrupted else (),
    )


def _parts(score: Score) -> Iterator[Part]:
    if score.caught:
        columns = ("times", "subject", "rule", "for example in")
        yield Part("Caught by", columns=columns, rows=tuple(caught_rows(score)))
    if score.survivors:
        lines = tuple(
            (f"{s.mutant.file}:{s.mutant.line}", s.mutant.kind, reason(score.vehicle, s.trial))
            for _, those in survivors_by_fate(score)
            for s in those
        )
        links = tuple(
            f"#{_anchor(score, s)}" for _, those in survivors_by_fate(score) for s in those
        )
        told = [f"{FATES[fate]}: {len(those)}" for fate, those in survivors_by_fate(score)]
        words = f"{'; '.join(told).capitalize()}. {MEANING}"
        heads = ("line", "changed", "why")
        yield Part("Not caught", (words,), columns=heads, rows=lines, links=links)
    for number, name in enumerate(score.texts):
        key = (
            "Whole fuse: what was planted in the line was caught. Blown fuse: not all of it was;"
            " below stands what the line was changed to. No fuse: nothing was planted there."
        )
        yield Part(name, (key,), listing=tuple(_listing(score, name, number)))


def _anchor(score: Score, each: Planted) -> str:
    return f"s{list(score.texts).index(each.mutant.file)}-{each.mutant.line}"


def _listing(score: Score, name: str, place: int) -> Iterator[SourceLine]:
    planted: dict[int, list[Planted]] = {}
    for each in score.planted:
        if each.mutant.file == name:
            planted.setdefault(each.mutant.line, []).append(each)
    for number, text in enumerate(score.texts[name].splitlines(), 1):
        here = planted.get(number, [])
        left = [each for each in here if not each.caught]
        state = "broken" if left else "kept" if here else ""
        notes = tuple(
            ("\n".join(each.new).strip(), reason(score.vehicle, each.trial)) for each in left
        )
        yield SourceLine(f"s{place}-{number}", number, text, state, notes)
