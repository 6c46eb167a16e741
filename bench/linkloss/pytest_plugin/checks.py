"""Vehicle and scenario files as tests, in a run that no program under test can end.

The check of a vehicle as tests: one for each declared rule, and one for all else that broke.

A test run that a program under test ends is a failed run.

A program shares its process with the tests that have a car. In Python it is stopped where it
calls what ends a process; machine code is not, and can leave with exit code 0: a run that never
came to its end would count as passed. So where such tests are collected, the run goes on in a
forked process, and what counts is the exit code that pytest has come to there, not the one that
the process left with.

    pytest ---collects---+-- waits ------------------+--- ends as told, else with 1
                         +-- runs the tests, reports -+

A scenario file as a test: it passes when nothing broke that was put to the test.

The check of a vehicle for a test run: made once, also where several processes share the run.

The check is the command ``linkloss check`` in a process of its own. Only a process with a single
thread can fork its cases, and a test runner rarely has just one.
"""

from __future__ import annotations

import json
import os
import shlex
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cached_property
from hashlib import sha256
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

import linkloss
from linkloss.campaign.isolation import can_branch, run_apart
from linkloss.campaign.run import PROCESS, run
from linkloss.campaign.selection import CheckRequest
from linkloss.judge import declared_rules
from linkloss.problem import EXIT_BROKEN, EXIT_NOT_EXERCISED, BadInput, Problem
from linkloss.report.timeline import headline, story
from linkloss.scenario import Scenario, load_scenario
from linkloss.vehicle.loading import load_vehicle
from linkloss.vehicle.toml import read_toml

_LONGEST = 16
"""Bytes of an exit code, written as a number."""


def watch(session: pytest.Session) -> None:
    """Go on in a process that is watched, where that is needed and possible. Returns in that
    process only; the one that watches ends here.
    """
    if session.config.option.collectonly or not _is_the_program() or not can_branch():
        return
    reader, writer = os.pipe()
    sys.stdout.flush()
    sys.stderr.flush()
    child = os.fork()
    if child == 0:
        os.close(reader)
        session.config.add_cleanup(lambda: _tell(writer, session))
        return
    os.close(writer)
    os._exit(_outcome(session, child, reader))


def _is_the_program() -> bool:
    """Whether pytest is what this process runs, and not a part of something that goes on."""
    names = list(_calls(sys._getframe()))
    started = any(name.endswith("console_main") for name in names)  # its name in some versions
    return started and names.count("wrap_session") == 1


def _calls(frame: FrameType | None) -> Iterator[str]:
    while frame is not None:
        if frame.f_globals.get("__name__") in ("_pytest.config", "_pytest.main"):
            yield frame.f_code.co_name
        frame = frame.f_back


def _tell(writer: int, session: pytest.Session) -> None:
    with suppress(OSError):  # who watches has been killed
        os.write(writer, str(int(session.exitstatus)).encode())


def _outcome(session: pytest.Session, child: int, reader: int) -> int:
    """The exit code that the watched process has told; 1 where it ended without."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the tests get it, too, and end
    signal.signal(signal.SIGTERM, lambda number, _: os.kill(child, number))
    _, status = os.waitpid(child, 0)
    os.set_blocking(reader, False)  # a process that a program left behind may hold the other end
    with suppress(BlockingIOError):
        if told := os.read(reader, _LONGEST):
            return int(told)
    code = os.waitstatus_to_exitcode(status)
    how = f"with exit code {code}" if code >= 0 else f"by signal {-code}"
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if reporter is not None:
        reporter.write_line("")
        reporter.write_line(
            f"linkloss: the test run ended {how} in the middle of a test: something has ended its"
            " process, as machine code of a node's program can. Run with -v to see in which test.",
            red=True,
        )
        reporter.flush()
    return int(pytest.ExitCode.TESTS_FAILED)


class BrokenError(Exception):
    """A rule or an expectation broke; the text says what happened."""


class Item(pytest.Item):
    """A test out of a file that is no Python."""

    def __init__(self, *, name: str, parent: pytest.Collector, **settings: Any) -> None:
        """A bracket in the name is a parameter to pytest, which finds the test again by that."""
        nodeid = f"{parent.nodeid}::{name}"
        super().__init__(name=name, parent=parent, nodeid=nodeid, **settings)
        self.add_marker("linkloss")

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """What broke and what happened, for whoever builds the car; no traceback."""
        if isinstance(excinfo.value, BrokenError):
            return str(excinfo.value)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Any, int | None, str]:
        """Where the test stands, and the heading of its failure."""
        return self.path, None, f"{self.path.name}: {self.name}"


class ScenarioFile(pytest.File):
    """A file that tells one story."""

    def collect(self) -> Iterator[pytest.Item]:
        """One test, named by the title."""
        try:
            document, _ = read_toml(from_here(self.path), "scenario")
        except BadInput as error:
            raise self.CollectError(str(error)) from None
        yield ScenarioItem.from_parent(self, name=item_name(str(document["title"])))


class ScenarioItem(Item):
    """One story: run on virtual time, judged by all rules of its vehicle and its expectations."""

    scenario: Scenario

    def setup(self) -> None:
        """Read the file and its vehicle; a mistake in them is an error, not a failure."""
        try:
            self.scenario = load_scenario(from_here(self.path))
        except BadInput as error:
            raise pytest.fail.Exception(str(error), pytrace=False) from None

    def runtest(self) -> None:
        """Run it. Raises BrokenError where something broke; skips where nothing was tested."""
        try:
            result = run_apart(self.scenario)
        except BadInput as error:  # this machine had no time for it
            pytest.skip(str(error))
        if result.exit_code == EXIT_BROKEN:
            again = f"linkloss run {shlex.quote(str(from_here(self.path)))}"
            raise BrokenError(f"{headline(result)}\n\n{story(result, again=again)}")
        if result.exit_code == EXIT_NOT_EXERCISED:
            pytest.skip("nothing was put to the test")


def item_name(title: str) -> str:
    """A title as the name of a test: one line, and nothing that splits an identifier."""
    words = " ".join(title.split()).replace("::", ":")
    return "".join(char if char.isprintable() else "?" for char in words) or "(no title)"


def from_here(path: Path) -> Path:
    """A file as somebody in this folder would name it, and could name it to another command."""
    here = Path.cwd()
    return path.relative_to(here) if path.is_relative_to(here) else path


Place = tuple[str, str]
_DONE = pytest.StashKey[dict[tuple[Path, tuple[str, ...]], "Checked"]]()
_FINISHED = (0, 1, 3)
"""Exit codes of a check that came to its end."""
NOTHING_RAN: Mapping[str, Any] = {"findings": [], "rules": []}
"""The check of what broke last, where nothing did."""
FIRST = "--first"
"""The option with which a check ends with the first case that breaks a rule."""


@dataclass(frozen=True)
class Checked:
    """What a check found, by subject and rule; ``first``: up to the first case that broke one."""

    path: Path
    document: Mapping[str, Any]
    first: bool

    @cached_property
    def broken(self) -> dict[Place, Mapping[str, Any]]:
        """The broken rules with what the check says of them."""
        return {(entry["subject"], entry["rule"]): entry for entry in self.document["findings"]}

    @cached_property
    def kept(self) -> set[Place]:
        """The rules that were put to the test and held."""
        return {
            (entry["subject"], entry["rule"])
            for entry in self.document["rules"]
            if entry["outcome"] == "kept"
        }

    def story(self, place: Place) -> str:
        """A broken rule: the sentence, the situation, and the case that shows it best, run once
        more for its timeline.
        """
        entry = self.broken[place]
        times = f"; shown by {entry['times']} cases" if entry["times"] > 1 else ""
        head = f"{entry['sentence']}\nsituation: {entry['situation']}{times}"
        again = f"Again: {entry['command']}"
        if place[0] == PROCESS:  # it crashed or hung its process: not in this one
            return f"{head}\n{again}"
        try:
            vehicle = load_vehicle(from_here(self.path))
            (scenario,) = CheckRequest(self.path, names=(entry["case"],)).cases(vehicle)
        except BadInput:  # the files have changed meanwhile
            return f"{head}\n{again}"
        return f"{head}\n\n{story(run(scenario), only=place)}\n\n{again}"


def checked(config: pytest.Config, path: Path, how: tuple[str, ...]) -> Checked:
    """The check of a vehicle file with these options. Raises BadInput where the check could not be
    made.
    """
    done = config.stash.setdefault(_DONE, {})
    if (path, how) not in done:
        done[path, how] = Checked(path, json.loads(_once(config, path, how)), FIRST in how)
    return done[path, how]


def _once(config: pytest.Config, path: Path, how: tuple[str, ...]) -> str:
    """The check as JSON: from this process, or from the one of the run that came first."""
    with tempfile.TemporaryDirectory(prefix="linkloss-") as own:
        shared = _shared_folder(config)
        name = sha256("\n".join([str(path), *how]).encode()).hexdigest()[:16]
        (shared or Path(own)).mkdir(parents=True, exist_ok=True)
        target = (shared or Path(own)) / f"linkloss-{name}.json"
        with _alone(target.with_suffix(".lock")):
            if not target.is_file():
                _check(path, how, target)
        return target.read_text(encoding="utf-8")


def _shared_folder(config: pytest.Config) -> Path | None:
    """Where the workers of one distributed run meet; None when this process is on its own.

    Such a worker is given a folder of its own inside that of the run, which pytest clears away.
    """
    own = config.option.basetemp
    return Path(own).parent if hasattr(config, "workerinput") and own else None


@contextmanager
def _alone(lock: Path) -> Iterator[None]:
    """One process at a time. Where files cannot be locked, each makes the check itself."""
    try:
        import fcntl  # not on every system
    except ImportError:
        yield
        return
    with lock.open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


def _check(path: Path, how: tuple[str, ...], target: Path) -> None:
    home = str(Path(linkloss.__file__).parents[1])
    search = os.pathsep.join([home, *filter(None, [os.environ.get("PYTHONPATH")])])
    words = ["check", str(from_here(path)), *how, "--json", str(target)]
    ran = subprocess.run(  # noqa: S603 - our own command
        [sys.executable, "-m", "linkloss.cli", *words, "--no-shrink", "--quiet"],
        env={**os.environ, "PYTHONPATH": search},
        capture_output=True,
        encoding="utf-8",
        errors="replace",
        check=False,
    )
    if ran.returncode == EXIT_NOT_EXERCISED and not target.is_file():
        target.write_text(json.dumps(NOTHING_RAN), encoding="utf-8")
    if ran.returncode not in _FINISHED or not target.is_file():
        text = ran.stderr.strip() or f"the check ended with exit code {ran.returncode}"
        raise BadInput([Problem(str(path), "", text)])


ALL_ELSE = "all else"
"""The test that fails for what broke beside the declared rules, a program that crashed say."""


class VehicleFile(pytest.File):
    """A vehicle, checked once for all its tests."""

    def collect(self) -> Iterator[pytest.Item]:
        """A test for each declared rule, and one for what breaks beside them."""
        try:
            vehicle = load_vehicle(from_here(self.path))
        except BadInput as error:
            raise self.CollectError(str(error)) from None
        self.declared = tuple(declared_rules(vehicle))
        for subject, rule in self.declared:
            name = item_name(f"{subject}[{rule}]")
            yield RuleItem.from_parent(self, name=name, places=((subject, rule),))
        yield RuleItem.from_parent(self, name=ALL_ELSE, places=())

    def check(self, places: Sequence[Place], *, again: bool) -> Checked:
        """The check for the test of some rules. ``again``: it runs what broke last, if that puts
        all these rules to the test. With pytest's ``--exitfirst`` it ends with the first case that
        breaks a rule. Raises BadInput where it could not be made.
        """
        first = (FIRST,) if self.config.getoption("maxfail") == 1 else ()
        if again:
            found = checked(self.config, self.path, ("--last", *first))
            if found.document["rules"] and found.kept.union(found.broken).issuperset(places):
                return found
        depth = self.config.getoption("--linkloss-depth") or "quick"
        return checked(self.config, self.path, ("--depth", depth, *first))


class RuleItem(Item):
    """A rule: it passes when a case put it to the test and none broke it."""

    found: Checked

    def __init__(self, *, places: tuple[tuple[str, str], ...], **settings: Any) -> None:
        super().__init__(**settings)
        self.places = places

    def setup(self) -> None:
        """The first of the vehicle's tests waits for the check; the others find it done."""
        file = self.parent
        assert isinstance(file, VehicleFile)
        try:
            self.found = file.check(self.places, again=self._failed_last())
        except BadInput as error:
            raise pytest.fail.Exception(str(error), pytrace=False) from None
        if not self.places:
            known = set(file.declared)
            self.places = tuple(place for place in self.found.broken if place not in known)

    def _failed_last(self) -> bool:
        """Whether it is one of those that ``--last-failed`` is to run again."""
        cache = getattr(self.config, "cache", None)
        if cache is None or not self.config.getoption("lf", default=False):
            return False
        return self.nodeid in cache.get("cache/lastfailed", {})

    def runtest(self) -> None:
        """Raises BrokenError for a broken rule; skips where no case put the rule to the test."""
        for place in self.places:
            if place in self.found.broken:
                raise BrokenError("\n\n".join(map(self.found.story, self.places)))
            if place not in self.found.kept:
                why = "no case put the rule to the test"
                if self.found.first and self.found.broken:
                    why = "the check stopped at the first case that breaks a rule"
                pytest.skip(f"not exercised: {why}")
