"""What each load is meant to do, in words: the part of a report that a builder signs for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator

from linkloss.judge.verdict import Outcome, Verdict
from linkloss.model.expression import Condition
from linkloss.model.load import LoadTable, state_text
from linkloss.model.loading import Vehicle
from linkloss.model.units import show_duration
from linkloss.report.html.sheet import LoadSheet
from linkloss.report.words import rule_words


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
        yield f"follows {load.request.text} within {show_duration(load.latency)}"
        asked = [name for name in load.request.names if name in vehicle.requests]
        for name in asked:
            who = "which asks for it" if name == load.request.text else f"{name} is set"
            yield f"{who} while {vehicle.requests[name].follows.text}"
    if load.local is not None:
        word = "follows its own input" if load.local_use == "follows" else "on too while"
        yield f"{word} {load.local.text}"
    if load.level is not None:
        yield f"at the level of {load.level}"
    if load.flash is not None:
        low, high = load.flash.per_minute
        yield f"flashes {low:g} to {high:g} times per minute"


def _link_lost(load: LoadTable) -> Iterator[str]:
    if load.request is None or load.on_stale is None:
        return
    after = "" if load.stale_after is None else f" {show_duration(load.stale_after)} without a"
    state = "holds its state" if load.on_stale == "hold" else state_text(load.on_stale)
    if isinstance(load.on_stale, Condition):
        state = f"on while {state}"
    yield f"{state}{f' after{after} good message' if after else ''}"
    if load.hold_for is not None and load.then is not None:
        yield f"then {state_text(load.then)} after {show_duration(load.hold_for)}"
    if load.link is not None:
        yield f"lost when {load.link} is silent"
    if load.bus_off == "lost":
        yield "lost at once when its node goes bus-off"
    yield f"follows again within {show_duration(load.rejoin)}"


def _restart(load: LoadTable) -> Iterator[str]:
    if load.on_reset is not None:
        yield f"{state_text(load.on_reset)} until asked"
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
    if load.trip is not None:
        yield f"off from {load.trip.when.text} until {load.trip.off_until.text}"
    if load.longest_on is not None:
        yield f"on for {show_duration(load.longest_on)} at most"
    if load.shortest_off is not None:
        yield f"off for {show_duration(load.shortest_off)} at least"
    if load.tries is not None:
        most, pause = load.tries.most, show_duration(load.tries.pause)
        yield f"tried {most} times, {pause} apart, then {load.tries.then}"
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
