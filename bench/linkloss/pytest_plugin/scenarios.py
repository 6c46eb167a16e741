"""A scenario file as a test: it passes when nothing broke that was put to the test."""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from linkloss.campaign.result import EXIT_BROKEN, EXIT_NOT_EXERCISED, RunResult
from linkloss.campaign.run_apart import run_apart
from linkloss.model.problem import BadInput
from linkloss.model.toml import read_toml
from linkloss.report.run_story import headline, story
from linkloss.scenario import Scenario, load_scenario


class ScenarioFile(pytest.File):
    """A file that tells one story."""

    def collect(self) -> Iterator[pytest.Item]:
        """One test, named by the title."""
        try:
            document, _ = read_toml(from_here(self.path), "scenario")
        except BadInput as error:
            raise self.CollectError(str(error)) from None
        yield ScenarioItem.from_parent(self, name=item_name(str(document["title"])))


class ScenarioItem(pytest.Item):
    """One story: run on virtual time, judged by all rules of its vehicle and its expectations."""

    scenario: Scenario

    def __init__(self, **settings: Any) -> None:
        super().__init__(**settings)
        self.add_marker("linkloss")

    def setup(self) -> None:
        """Read the file and its vehicle; a mistake in them is an error, not a failure."""
        try:
            self.scenario = load_scenario(from_here(self.path))
        except BadInput as error:
            raise pytest.fail.Exception(str(error), pytrace=False) from None

    def runtest(self) -> None:
        """Run it. Raises BrokenError where something broke; skips where nothing was tested."""
        result = run_apart(self.scenario)
        if result.exit_code == EXIT_BROKEN:
            raise BrokenError(result)
        if result.exit_code == EXIT_NOT_EXERCISED:
            pytest.skip("nothing was put to the test")

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """What happened, for whoever builds the car; no traceback."""
        if isinstance(excinfo.value, BrokenError):
            again = f"linkloss run {shlex.quote(str(from_here(self.path)))}"
            result = excinfo.value.result
            return f"{headline(result)}\n\n{story(result, again=again)}"
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Any, int | None, str]:
        """Where the test stands, and the heading of its failure."""
        return self.path, None, f"{self.path.name}: {self.name}"


class BrokenError(Exception):
    """A rule or an expectation broke; ``result`` holds the run."""

    def __init__(self, result: RunResult) -> None:
        self.result = result
        super().__init__(f"{len(result.broken)} broken")


def item_name(title: str) -> str:
    """A title as the name of a test: one line, and nothing that splits an identifier."""
    words = " ".join(title.split()).replace("::", ":")
    return "".join(char if char.isprintable() else "?" for char in words) or "(no title)"


def from_here(path: Path) -> Path:
    """A file as somebody in this folder would name it, and could name it to another command."""
    here = Path.cwd()
    return path.relative_to(here) if path.is_relative_to(here) else path
