"""The demo car with another node in one place, and its check narrowed to what matters there."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from demo_cases import narrow, wren

from linkloss.campaign.result import CheckReport
from linkloss.vehicle.loading import Vehicle


def car(
    programs: Mapping[str, Any],
    hardware: Mapping[str, Any] | None = None,
    declared: Mapping[str, Any] | None = None,
) -> Vehicle:
    """The demo car with other programs, other hardware in the nodes that they run on, and other
    rules declared for the loads of these.
    """
    vehicle = wren()
    loads = {
        name: load.model_copy(update=declared) if declared and load.node in programs else load
        for name, load in vehicle.loads.items()
    }
    nodes = {
        name: node.model_copy(update=hardware) if hardware and name in programs else node
        for name, node in vehicle.nodes.items()
    }
    file = vehicle.file.model_copy(update={"nodes": nodes, "loads": loads})
    return replace(vehicle, file=file, programs={**vehicle.programs, **programs})


@dataclass(frozen=True)
class Wrong:
    """A wrong node, and what is expected to give it away."""

    program: Callable[[Any], Any]
    node: str
    kind: str
    situation: str
    subject: str
    rule: str
    cause: str
    """What the finding's text must say."""
    hardware: Mapping[str, Any] = field(default_factory=dict)
    beside: Mapping[str, Any] = field(default_factory=dict)
    """Other nodes of the car that are not the demo's."""
    at: str = ""
    """The node or message that the fault concerns; default: whichever."""

    @property
    def name(self) -> str:
        """The wrong node's name."""
        return getattr(self.program, "__name__", "?")

    def check(self) -> CheckReport:
        """The demo car's check with this node, narrowed to where it shows, and up to the case in
        which it shows.
        """
        vehicle = car({self.node: self.program, **self.beside}, self.hardware)
        return narrow(vehicle, [self.kind], [self.situation], self.at, until=self.shows)

    def shows(self, report: CheckReport) -> bool:
        """Whether a finding tells of the mistake."""
        return any(
            (each.verdict.subject, each.verdict.rule) == (self.subject, self.rule)
            and self.cause in each.verdict.text
            for each in report.findings
        )
