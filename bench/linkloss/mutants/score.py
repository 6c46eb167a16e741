"""The score of a check: how many of the mistakes that were planted it catches."""

from __future__ import annotations

import os
import tempfile
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from pathlib import Path
from random import Random
from typing import NamedTuple, Protocol

from linkloss.campaign.check import LIMIT_S, Progress, ordered
from linkloss.campaign.depth import Depth
from linkloss.campaign.isolation import NotFinished, Stopped, no_branching
from linkloss.campaign.workers import forked
from linkloss.clock.wallclock import monotonic_seconds
from linkloss.mutants.baseline import Baseline, run_baseline
from linkloss.mutants.chosen import changed_spans, chosen, spans_of
from linkloss.mutants.kept import Kept, key_of
from linkloss.mutants.plant import Mutant, mutants_of
from linkloss.mutants.subject import LeftOut, Subject, digest, subject_of
from linkloss.mutants.trial import Trial, tried
from linkloss.problem import BadInput
from linkloss.scenario import Scenario
from linkloss.vehicle.loading import Vehicle

SAME = "the same program as another"


@dataclass(frozen=True, slots=True)
class Wish:
    """What to find out: the program of which node, with which mutants and cases.

    ``sample`` is how many mutants run, drawn by ``seed``; None: all. ``for_s`` is the real time in
    seconds after which no further one begins. ``lines`` and ``changed`` say where they lie;
    ``only`` and ``situations`` which cases of the depth run, as in a check.
    """

    node: str | None = None
    depth: Depth = "quick"
    seed: int = 0
    sample: int | None = None
    for_s: float | None = None
    lines: tuple[str, ...] = ()
    changed: bool = False
    only: tuple[str, ...] | None = None
    situations: tuple[str, ...] | None = None
    jobs: int | None = None
    limit_s: float = LIMIT_S


@dataclass(frozen=True, slots=True)
class Planted:
    """A mutant that ran, and what became of it."""

    mutant: Mutant
    old: tuple[str, ...]
    """The lines that it changes, as they are."""
    new: tuple[str, ...]
    trial: Trial

    @property
    def caught(self) -> bool:
        """Whether a rule broke."""
        return self.trial.fate == "caught"


@dataclass(frozen=True)
class Score:
    """What became of all mutants, in the order of the source."""

    vehicle: Vehicle
    node: str
    wish: Wish
    texts: Mapping[str, str]
    """The sources."""
    places: int
    """How many mutants there are to draw from."""
    cases: int
    """How many cases the check has."""
    planted: tuple[Planted, ...]
    left_out: Mapping[str, int]
    """How many make no program of their own, by why."""
    unbroken: str = ""
    """What breaks in the program as it is: then nothing was planted."""
    interrupted: bool = False

    @property
    def caught(self) -> tuple[Planted, ...]:
        """Those that broke a rule."""
        return tuple(each for each in self.planted if each.caught)

    @property
    def survivors(self) -> tuple[Planted, ...]:
        """Those that broke none."""
        return tuple(each for each in self.planted if not each.caught)

    @property
    def share(self) -> float:
        """The share that is caught, 0 to 1; 0 where none ran."""
        return len(self.caught) / len(self.planted) if self.planted else 0.0


class Phase(Protocol):
    """Shows how far a part of the work is."""

    def __call__(self, *, doing: str, unit: str) -> AbstractContextManager[Progress | None]:
        """For as long as that part takes."""


def score(vehicle: Vehicle, wish: Wish, phase: Phase) -> Score:
    """Plant mistakes into the program of a node one at a time, and run the check on each until the
    first rule breaks.

    Raises BadInput for a node without a program of the user's, for lines in which there is nothing
    to change, and where processes cannot fork.
    """
    why = no_branching()
    if why:
        raise BadInput.one("linkloss", "mutants", f"{why}, and each mutant runs in a fork")
    with tempfile.TemporaryDirectory(prefix="linkloss-mutants-") as name:
        return _Scorer(vehicle, wish, phase, Path(name)).score()


@dataclass
class _Work:
    """What was found so far."""

    planted: list[Planted] = field(default_factory=list)
    left_out: Counter[str] = field(default_factory=Counter)
    met: set[str] = field(default_factory=set)
    """The programs that ran."""


class _Answer(NamedTuple):
    """What is known of a text under its name: the program that it makes, or why none, and what
    became of that; None: not known.
    """

    name: str
    made: str | None = None
    trial: str | None = None


_LEFT_OUT = "left out: "


def program_name(subject: Subject, texts: Mapping[str, str]) -> str:
    """The name under which findings on a program are kept. Raises LeftOut."""
    return f"program {subject.identity(texts)}"


class _Scorer:
    """One score in the making."""

    def __init__(self, vehicle: Vehicle, wish: Wish, phase: Phase, folder: Path) -> None:
        self._vehicle = vehicle
        self._wish = wish
        self._phase = phase
        self._folder = folder
        self._jobs = wish.jobs or os.cpu_count() or 1
        self._subject: Subject = subject_of(vehicle, wish.node, folder / "programs")
        files = self._subject.files
        spans = spans_of(wish.lines, files) if wish.lines else None
        spans = changed_spans(files) if wish.changed else spans
        every = [m for name, text in self._subject.texts.items() for m in mutants_of(name, text)]
        self._mutants = chosen(every, spans, files)

    def score(self) -> Score:
        wish, subject = self._wish, self._subject
        self._own = program_name(subject, subject.texts)
        self._kept = Kept(key_of(subject, wish.depth, wish.seed, wish.only, wish.situations))
        self._cases = self._planned()
        self._baseline = self._as_it_is()
        broken, work, interrupted = self._baseline.broken, _Work(), False
        if not broken:
            try:
                self._run(work)
            except KeyboardInterrupt:
                interrupted = True
        return Score(
            vehicle=self._vehicle,
            node=subject.node,
            wish=wish,
            texts=subject.texts,
            places=len(self._mutants),
            cases=len(self._cases),
            planted=tuple(sorted(work.planted, key=lambda each: each.mutant[:5])),
            left_out=work.left_out,
            unbroken=f"{broken[0].broken} (case {broken[0].name})" if broken else "",
            interrupted=interrupted,
        )

    def _planned(self) -> list[Scenario]:
        """The cases of the check in the order in which they run, those of the node first."""
        wish = self._wish
        order, _, cases = ordered(
            self._vehicle, depth=wish.depth, only=wish.only, situations=wish.situations, case=None,
            seed=wish.seed, cases=None, for_s=None, drive=None, logged=None,
        )  # fmt: skip
        order = replace(order, near=(self._subject.node,))
        return [cases[place] for place in order.turns(cases)]

    def _as_it_is(self) -> Baseline:
        """All cases with the program as it is, run now or earlier."""
        found = self._kept.get("as it is")
        if found is not None:
            return Baseline.from_plain(found)
        folder = self._folder / "lines"
        folder.mkdir()
        program, probe = self._subject.probed(folder)
        done = 0

        def tell(more: int) -> None:
            nonlocal done
            done += more
            if told is not None:
                told(done, len(self._cases))

        try:
            with self._phase(doing="running the program as it is", unit="cases") as told:
                made = run_baseline(
                    self._subject.car(program), self._cases, probe,
                    jobs=self._jobs, limit_s=self._wish.limit_s, tell=tell,
                )  # fmt: skip
        except NotFinished as why:
            raise BadInput.one("linkloss", "mutants", str(why)) from None
        if not made.broken:
            self._kept.put("as it is", made.as_plain())
        return made

    def _run(self, work: _Work) -> None:
        """Run mutants until there are as many as wished for, or there is no more time."""
        wish = self._wish
        drawn = list(self._mutants)
        Random(wish.seed).shuffle(drawn)  # noqa: S311 - repeatable on purpose
        end_s = None if wish.for_s is None else monotonic_seconds() + wish.for_s
        most = len(drawn) if wish.sample is None else min(wish.sample, len(drawn))
        with self._phase(doing="trying mistakes", unit="mistakes") as told:
            while drawn and len(work.planted) < most and not _past(end_s):
                size = most - len(work.planted)  # further ones for those that are left out
                batch, drawn = drawn[:size], drawn[size:]
                self._try(batch, work, end_s, lambda done: told and told(done, most))

    def _try(
        self,
        batch: Sequence[Mutant],
        work: _Work,
        end_s: float | None,
        told: Callable[[int], object],
    ) -> None:
        """Run mutants of which not all is known, and note those of which it is then."""
        names = [f"text {digest(*self._texts(mutant).values())}" for mutant in batch]
        new = [place for place, name in enumerate(names) if not self._known(name)]
        done = len(work.planted) + len(batch) - len(new)

        def one(number: int, stop: Callable[[], bool]) -> _Answer:
            mutant, name = batch[new[number]], names[new[number]]
            # One that has begun goes on: those that take long are those that nothing catches.
            return _Answer(name) if _past(end_s) else self._answer(mutant, name, stop)

        def tell(answer: _Answer) -> None:
            nonlocal done
            done += 1
            if answer.made is not None:
                self._kept.put(answer.name, answer.made)
                if answer.trial is not None:
                    self._kept.put(answer.made, answer.trial)
            told(done)

        try:
            for _ in forked(self._jobs, len(new), one, tell) if new else ():
                pass
        finally:
            for mutant, name in zip(batch, names, strict=True):
                self._note(mutant, self._kept.get(name), work)

    def _known(self, name: str) -> bool:
        """Whether nothing need run for a text."""
        made = self._kept.get(name)
        if made is None:
            return False
        return made.startswith(_LEFT_OUT) or made == self._own or self._kept.get(made) is not None

    def _answer(self, mutant: Mutant, name: str, stop: Callable[[], bool]) -> _Answer:
        """What a mutant makes, and what becomes of it."""
        texts = self._texts(mutant)
        try:
            made = program_name(self._subject, texts)
            if made == self._own or self._kept.get(made) is not None:
                return _Answer(name, made)
            reaching = self._baseline.reaching(mutant)
            cases = [(self._cases[place], self._baseline.cases[place]) for place in reaching]
            car = self._subject.car(self._subject.program(texts))
            found = tried(car, cases, limit_s=self._wish.limit_s, stop=stop)
        except LeftOut as why:
            return _Answer(name, f"{_LEFT_OUT}{why.why}")
        except (Stopped, NotFinished):
            return _Answer(name)
        return _Answer(name, made, found.model_dump_json())

    def _note(self, mutant: Mutant, made: str | None, work: _Work) -> None:
        """Count a mutant that makes this program, if all is known of it."""
        if made is None:
            return
        if made.startswith(_LEFT_OUT):
            work.left_out[made.removeprefix(_LEFT_OUT)] += 1
        elif made == self._own or made in work.met:
            work.left_out[SAME] += 1
        elif self._kept.get(made) is not None:
            work.met.add(made)
            old, new = mutant.diff(self._subject.texts[mutant.file])
            trial = Trial.model_validate_json(self._kept.get(made))
            work.planted.append(Planted(mutant, old, new, trial))

    def _texts(self, mutant: Mutant) -> dict[str, str]:
        texts = self._subject.texts
        return {**texts, mutant.file: mutant.applied(texts[mutant.file])}


def _past(end_s: float | None) -> bool:
    return end_s is not None and monotonic_seconds() >= end_s
