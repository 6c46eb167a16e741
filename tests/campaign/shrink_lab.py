"""Stories with a planted failure that takes no car: a function says what breaks the rule."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

from linkloss.campaign.result import CaseResult
from linkloss.faults.catalogue import make_fault
from linkloss.judge import Outcome, Verdict
from linkloss.scenario import Scenario, TimedAction, TimedFault
from linkloss.vehicle.loading import Vehicle, load_vehicle

MS = 1_000_000
WREN = Path(__file__).parents[2] / "scenarios" / "wren" / "vehicle.toml"
LAMP = ("tail_left", "stale")

Breaks = Callable[[Scenario], int | None]
"""When a scenario breaks the rule, in ns; None when it does not."""


@cache
def wren() -> Vehicle:
    return load_vehicle(WREN)


def fault(kind: str, at_ms: float, lasts_ms: float | None = None, **parameters) -> TimedFault:
    made = make_fault(kind, parameters, wren())
    at_ns = round(at_ms * MS)
    return TimedFault(made, at_ns, None if lasts_ms is None else at_ns + round(lasts_ms * MS))


def action(at_ms: float, **values) -> TimedAction:
    return TimedAction(round(at_ms * MS), values)


def scenario(*steps, lasts_ms: float = 30_000, inputs=None, seed=0) -> Scenario:
    return Scenario(
        name="planted",
        title="",
        vehicle=wren(),
        situation="night_drive",
        inputs=inputs or {},
        actions=tuple(step for step in steps if isinstance(step, TimedAction)),
        faults=tuple(step for step in steps if isinstance(step, TimedFault)),
        lasts_ns=round(lasts_ms * MS),
        seed=seed,
    )


class Lab:
    """Runs a scenario by asking when it breaks the rule, and counts."""

    def __init__(self, breaks: Breaks) -> None:
        self.breaks = breaks
        self.ran: list[Scenario] = []

    def __call__(self, tried: Scenario) -> CaseResult:
        self.ran.append(tried)
        at_ns = self.breaks(tried)
        broken = at_ns is not None and at_ns < tried.lasts_ns
        verdicts = (
            (Verdict(*LAMP, Outcome.BROKEN, at_ns=at_ns), Verdict("horn", "fresh", Outcome.BROKEN))
            if broken
            else (Verdict(*LAMP, Outcome.KEPT),)
        )
        return CaseResult("", "", tried.kinds, "", None, tried.lasts_ns, 0, verdicts)


def in_order(*wanted: str, after_ms: float = 100) -> Breaks:
    """Breaks some time after the last of these has begun, if they begin in this order. Faults are
    named by their labels, actions by ``input=value``.
    """

    def breaks(tried: Scenario) -> int | None:
        at_ns = -1
        for name in wanted:
            found = [at for told, at in begun(tried) if told == name and at > at_ns]
            if not found:
                return None
            at_ns = min(found)
        return at_ns + round(after_ms * MS)

    return breaks


def begun(tried: Scenario) -> list[tuple[str, int]]:
    """What begins when: labels and ``input=value``."""
    told = [(timed.fault.label(), timed.at_ns) for timed in tried.faults]
    for step in tried.actions:
        told += [(f"{name}={value}", step.at_ns) for name, value in step.values.items()]
    return sorted(told, key=lambda entry: entry[1])


def names(tried: Scenario) -> list[str]:
    """What begins, in order."""
    return [name for name, _ in begun(tried)]


def twenty_events() -> Scenario:
    """Ten faults and ten actions at odd times, all within 28 s."""
    switches = ["lights=position", "indicator=left", "lights=dipped", "horn_button=pressed"]
    switches += ["horn_button=released", "indicator=off", "lights=off", "lights=position"]
    switches += ["brake_pedal=pressed", "brake_pedal=released"]
    nodes = ["dash", "front", "rear", "engine", "gauge"]
    steps: list[TimedAction | TimedFault] = [
        action(1_913 + 2_617 * number, **dict([told.split("=")]))
        for number, told in enumerate(switches)
    ]
    for number, node in enumerate(nodes):
        steps.append(fault("unplug", 1_207 + 5_003 * number, 1_511, node=node))
        steps.append(fault("reset", 3_631 + 4_877 * number, node=node))
    return scenario(*steps)
