"""What each load is meant to do, in words: the part of a report that a builder signs for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator

from bench.judge import Outcome, Verdict
from bench.model.loading import Vehicle
from bench.model.units import show_duration
from bench.model.vehicle import LoadTable
from bench.report.html.sheet import LoadSheet
from bench.report.words import rule_words


def load_sheets(vehicle: Vehicle, verdicts: Iterable[Verdict]) -> tuple[LoadSheet, ...]:
    """A line for each load, with how its rules stand."""
    outcomes: dict[str, Counter[Outcome]] = {}
    for verdict in verdicts:
        outcomes.setdefault(verdict.subject, Counter())[verdict.outcome] += 1
    return tuple(
        _sheet(vehicle, name, load, outcomes.get(name, Counter()))
        for name, load in vehicle.loads.items()
    )


def _sheet(vehicle: Vehicle, name: str, load: LoadTable, outcomes: Counter[Outcome]) -> LoadSheet:
    number = {outcome: outcomes.get(outcome, 0) for outcome in Outcome}
    parts = [f"{count} {outcome.value}" for outcome, count in number.items() if count]
    state = "kept" if number[Outcome.KEPT] and not number[Outcome.NOT_EXERCISED] else "untested"
    return LoadSheet(
        name=name,
        about=load.about,
        feeds="; ".join(_feeds(load)),
        in_service="; ".join(_in_service(vehicle, load)),
        link_lost="; ".join(_link_lost(load)) or "needs no link",
        restart="; ".join(_restart(load)),
        bounds="; ".join(_bounds(load)),
        standing=", ".join(parts) or "no rule",
        state="broken" if number[Outcome.BROKEN] else state,
    )


def _feeds(load: LoadTable) -> Iterator[str]:
    output = f" (output {load.output})" if load.output else ""
    yield f"node {load.node}{output}"
    if load.fuse is not None:
        yield f"fuse {load.fuse:g} A"
    if not load.safety:
        yield "not relevant to safety"


def _in_service(vehicle: Vehicle, load: LoadTable) -> Iterator[str]:
    if load.request is not None:
        yield f"follows {load.request} within {show_duration(load.latency)}"
        if load.request in vehicle.requests:
            yield f"which asks for it while {vehicle.requests[load.request].follows.text}"
    if load.local is not None:
        word = "follows its own input" if load.local_use == "follows" else "on too while"
        yield f"{word} {load.local.text}"
    if load.flash is not None:
        low, high = load.flash.per_minute
        yield f"flashes {low:g} to {high:g} times per minute"


def _link_lost(load: LoadTable) -> Iterator[str]:
    if load.request is None or load.on_stale is None:
        return
    after = "" if load.stale_after is None else f" {show_duration(load.stale_after)} without a"
    state = "holds its state" if load.on_stale == "hold" else load.on_stale
    yield f"{state}{f' after{after} good message' if after else ''}"
    if load.hold_for is not None:
        yield f"then {load.then} after {show_duration(load.hold_for)}"
    yield f"follows again within {show_duration(load.rejoin)}"


def _restart(load: LoadTable) -> Iterator[str]:
    if load.on_reset is not None:
        yield f"{load.on_reset} until asked"
    yield f"{load.hardware_default} by hardware"
    if load.dark_limit is not None:
        yield f"dark for {show_duration(load.dark_limit)} at most"
    if load.survives_reset:
        yield "remembers its request"
    if load.latch:
        yield "stays off until its request was off"


def _bounds(load: LoadTable) -> Iterator[str]:
    for rule in load.never:
        yield f"never {rule.state} while {rule.when.text}"
    if load.flash is not None and load.flash.in_step_with is not None:
        yield f"in step with {load.flash.in_step_with}"


def untested_lines(
    vehicle: Vehicle, places: Iterable[tuple[str, str]]
) -> tuple[tuple[str, str], ...]:
    """Rules that were not exercised, by subject, with what is declared for them."""
    found: dict[str, list[str]] = {}
    for subject, rule in places:
        found.setdefault(subject, []).append(rule_words(vehicle, subject, rule))
    return tuple((subject, ", ".join(rules)) for subject, rules in found.items())
