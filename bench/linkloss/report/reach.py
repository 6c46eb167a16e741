"""What a check reached: in which states of controllers and programs its rules were judged."""

from __future__ import annotations

from collections import defaultdict

from linkloss.campaign.coverage import Coverage

_CONTROLLERS = {"ACTIVE": "error-active", "PASSIVE": "error-passive", "BUS_OFF": "bus-off"}
_PHASES = {
    "running": "running",
    "boot": "booting",
    "rejoining": "just back",
    "hung": "hung",
    "crashed": "crashed",
    "asleep": "asleep",
    "off": "without supply",
}


def combinations(coverage: Coverage) -> int:
    """How many combinations of rule, load, controller state, node phase and faults there were."""
    return sum(point[0] == "rule" for point in coverage.points)


def judged_in(coverage: Coverage) -> dict[tuple[str, str], int]:
    """How many rules were judged while their node was in a (controller state, phase)."""
    rules: dict[tuple[str, str], set[tuple[str, str]]] = defaultdict(set)
    for kind, *rest in coverage.points:
        if kind == "rule":
            rule, subject, _, controller, phase, _ = rest
            place = _CONTROLLERS.get(controller, controller.lower()), _PHASES.get(phase, phase)
            rules[place].add((rule, subject))
    return {place: len(found) for place, found in sorted(rules.items())}


def reach_sentences(coverage: Coverage) -> list[str]:
    """The same in plain words; nothing where nothing was reached."""
    if not combinations(coverage):
        return []
    rules: dict[str, dict[str, set[tuple[str, str]]]] = {"controller": {}, "program": {}}
    for kind, *rest in coverage.points:
        if kind == "rule":
            rule, subject, _, controller, phase, _ = rest
            rules["controller"].setdefault(controller, set()).add((rule, subject))
            rules["program"].setdefault(phase, set()).add((rule, subject))
    told = [
        f"{names.get(state, state.lower())} {len(rules[what].get(state, ()))}"
        for what, names in (("controller", _CONTROLLERS), ("program", _PHASES))
        for state in (*names, *sorted(rules[what].keys() - names.keys()))
        if what == "controller" or state in rules[what]
    ]
    many = f"{combinations(coverage):,} combinations of rule, load, controller state, node phase"
    return [
        f"Reached: {many} and faults.",
        f"Rules judged while their node was {', '.join(told)}.",
    ]
