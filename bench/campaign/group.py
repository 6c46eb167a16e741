"""Findings with one cause together: one mistake in a node often breaks a dozen rules."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from bench.campaign.shrink import Shrunk
from bench.faults.base import Fault
from bench.judge import Verdict
from bench.model.consistency import split_signal
from bench.model.loading import Vehicle


@dataclass(frozen=True, slots=True)
class Group:
    """Findings that the same faults bring about at the same node.

    ``faults`` are kinds and parameters without times, in the order of their labels; ``node`` is
    the node to look at, empty where none is known.
    """

    faults: tuple[Fault, ...]
    node: str
    findings: tuple[Shrunk, ...]


def group(findings: Iterable[Shrunk]) -> list[Group]:
    """Findings sorted into groups; groups and their findings keep the order they came in."""
    found: dict[tuple[tuple[Fault, ...], str], list[Shrunk]] = {}
    for shrunk in findings:
        faults = [timed.fault for timed in shrunk.scenario.faults]
        node = suspect(shrunk.scenario.vehicle, shrunk.verdict)
        place = (tuple(sorted(faults, key=lambda fault: fault.label())), node)
        found.setdefault(place, []).append(shrunk)
    return [Group(faults, node, tuple(members)) for (faults, node), members in found.items()]


def suspect(vehicle: Vehicle, verdict: Verdict) -> str:
    """The node to look at: the culprit if it is known, else the node that the subject belongs
    to; empty for a subject that belongs to none.
    """
    subject = verdict.subject
    if verdict.culprit:
        return verdict.culprit
    if subject in vehicle.loads:
        return vehicle.loads[subject].node
    if subject in vehicle.notices:
        return vehicle.sender(split_signal(vehicle.notices[subject].signal)[0])
    if subject in vehicle.requests:
        return vehicle.sender(split_signal(subject)[0])
    return subject if subject in vehicle.nodes else ""
