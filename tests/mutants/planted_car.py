"""The cars that ``linkloss new`` makes, a few of their cases, and what becomes of mistakes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from linkloss.campaign.check import LIMIT_S, cases_named
from linkloss.campaign.isolation import Look, looked_at
from linkloss.cli import main
from linkloss.mutants.baseline import Baseline, recording_digest, run_baseline
from linkloss.mutants.plant import Mutant, mutants_of
from linkloss.mutants.subject import Subject, subject_of
from linkloss.mutants.trial import Trial, tried
from linkloss.scenario import Scenario
from linkloss.vehicle.loading import load_vehicle

ONE_LAMP = (
    "night/none",
    "parked/none",
    "night/unplug(rear)@900ms+570ms",
    "night/bus_off(rear)@950ms",
    "night/bus_off(dash)@950ms",
    "night/reset(rear)@1050ms",
    "night/freeze(LampRequest)@650ms+820ms",
)
"""Cases of the car with one lamp, whose rear node is in C and whose dash in Python."""


class Room(NamedTuple):
    """A program in its car, and the check of it as it is."""

    subject: Subject
    cases: Sequence[Scenario]
    baseline: Baseline
    name: str
    """of its source"""

    @property
    def text(self) -> str:
        return self.subject.texts[self.name]

    def mutant(self, line: str, new: str) -> Mutant:
        """The mutant of the line that reads so, which makes that of it."""
        number = [each.strip() for each in self.text.split("\n")].index(line) + 1
        for mutant in mutants_of(self.name, self.text):
            if mutant.line == number and mutant.diff(self.text)[1][0].strip() == new:
                return mutant
        raise AssertionError(f"nothing makes '{new}' of '{line}'")

    def texts(self, mutant: Mutant) -> Mapping[str, str]:
        return {self.name: mutant.applied(self.text)}

    def tried(self, mutant: Mutant) -> Trial:
        """What becomes of a mutant in the cases that reach it."""
        reaching = self.baseline.reaching(mutant)
        cases = [(self.cases[place], self.baseline.cases[place]) for place in reaching]
        car = self.subject.car(self.subject.program(self.texts(mutant)))
        return tried(car, cases, limit_s=LIMIT_S, stop=lambda: False)

    def digests(self, mutant: Mutant, places: Sequence[int]) -> dict[int, str]:
        """The digests of the recordings of these cases with a mutant, by place."""
        car = self.subject.car(self.subject.program(self.texts(mutant)))
        own = [replace(self.cases[place], vehicle=car) for place in places]
        look = Look(
            lambda case, recording, evidence: (recording_digest(recording),),
            lambda case, text: (text,),
        )
        found = looked_at(own, look, branch=False, limit_s=LIMIT_S)
        return {place: told[0] for place, told in zip(places, found, strict=True)}


def new_car(folder: Path, *words: str) -> Path:
    """The vehicle file of a car that ``linkloss new`` makes."""
    assert main(["new", str(folder), *words]) == 0
    return folder / "vehicle.toml"


def room(path: Path, node: str, names: Sequence[str] = ONE_LAMP, jobs: int = 1) -> Room:
    """The program of a node, and what the cases with these names give."""
    vehicle = load_vehicle(path)
    folder = path.parent / "made"
    folder.mkdir()
    subject = subject_of(vehicle, node, folder / "programs")
    cases = list(cases_named(vehicle, 0, names).values())
    assert [case.name for case in cases] == list(names)
    lines = folder / "lines"
    lines.mkdir()
    program, probe = subject.probed(lines)
    car = subject.car(program)
    found = run_baseline(car, cases, probe, jobs=jobs, limit_s=LIMIT_S, tell=lambda _: None)
    return Room(subject, cases, found, next(iter(subject.files)))
