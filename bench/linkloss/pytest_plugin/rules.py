"""The check of a vehicle as tests: one for each declared rule, and one for all else that broke."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from linkloss.judge import declared_rules
from linkloss.model.loading import load_vehicle
from linkloss.model.problem import BadInput
from linkloss.pytest_plugin.checked import Checked, checked
from linkloss.pytest_plugin.scenarios import from_here, item_name

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

    @property
    def depth(self) -> str:
        """How deeply the vehicle is checked."""
        return self.config.getoption("--linkloss-depth") or "quick"


class RuleItem(pytest.Item):
    """A rule: it passes when a case put it to the test and none broke it."""

    found: Checked

    def __init__(self, *, places: tuple[tuple[str, str], ...], **settings: Any) -> None:
        super().__init__(**settings)
        self.places = places
        self.add_marker("linkloss")

    def setup(self) -> None:
        """The first of the vehicle's tests waits for the check; the others find it done."""
        file = self.parent
        assert isinstance(file, VehicleFile)
        try:
            self.found = checked(self.config, file.path, file.depth)
        except BadInput as error:
            raise pytest.fail.Exception(str(error), pytrace=False) from None
        if not self.places:
            known = set(file.declared)
            self.places = tuple(place for place in self.found.broken if place not in known)

    def runtest(self) -> None:
        """Raises RuleError for a broken rule; skips where no case put the rule to the test."""
        for place in self.places:
            if place in self.found.broken:
                raise RuleError(place)
            if place not in self.found.kept:
                pytest.skip("not exercised: no case put the rule to the test")

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:
        """What broke and what happened, for whoever builds the car; no traceback."""
        if isinstance(excinfo.value, RuleError):
            return "\n\n".join(self.found.story(place) for place in self.places)
        return super().repr_failure(excinfo, style)

    def reportinfo(self) -> tuple[Any, int | None, str]:
        """Where the test stands, and the heading of its failure."""
        return self.path, None, f"{self.path.name}: {self.name}"


class RuleError(Exception):
    """A rule broke: its subject and its name."""

    def __init__(self, place: tuple[str, str]) -> None:
        self.place = place
        super().__init__(f"{place[0]}: {place[1]} broken")
