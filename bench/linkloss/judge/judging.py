"""From a recording to verdicts: every rule that the vehicle declares, over one run.

It also lists what no rule judges in a vehicle, and why: a missing line removes no rule silently.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import count
from typing import TypeVar

from linkloss.judge.case import Case
from linkloss.judge.control import judge_control
from linkloss.judge.end_to_end import judge_end_to_end
from linkloss.judge.evidence import Evidence
from linkloss.judge.load_rules import judge_back, judge_darkness, judge_in_step, judge_never
from linkloss.judge.loads import LoadView, judge_load, view_load
from linkloss.judge.message_rules import senders_of
from linkloss.judge.news import rule_name
from linkloss.judge.node_rules import judge_asleep, judge_node, judge_stopped_load
from linkloss.judge.notice import judge_notice, told_rules
from linkloss.judge.route_rules import GATEWAY, GATEWAY_STALE, judge_route
from linkloss.judge.sensor_rules import judge_senders, sender_rules, shown_signals
from linkloss.judge.supply_rules import (
    feeds_load,
    feeds_node,
    has_neighbours,
    judge_fed_load,
    judge_fed_node,
    judge_neighbours,
)
from linkloss.judge.verdict import Outcome, Verdict
from linkloss.recording import Recording
from linkloss.vehicle.expression import split_signal
from linkloss.vehicle.loading import Vehicle

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Unjudged:
    """Something that no rule judges, named as in the vehicle file, and the reason. ``allowed`` is
    the vehicle file's own reason why this is acceptable (empty: it gives none).
    """

    what: str
    reason: str
    allowed: str = ""


def unjudged(vehicle: Vehicle, logged: Collection[str] = ()) -> list[Unjudged]:
    """What no rule judges in a vehicle, whatever the cases. ``logged``: nodes without a program."""
    nodes = [name for name in vehicle.nodes if name not in logged]
    return [
        *_messages(vehicle, nodes),
        *_sensors(vehicle, nodes),
        *_nodes(vehicle, nodes),
        *_requests(vehicle, nodes),
        *_loads(vehicle, nodes),
        *_named(vehicle, nodes),
    ]


def _messages(vehicle: Vehicle, nodes: Collection[str]) -> Iterator[Unjudged]:
    for name, info in vehicle.messages.items():
        senders = senders_of(vehicle, info)
        if len(senders) > 1:
            yield Unjudged(name, f"several nodes send it: {', '.join(senders)}")
        elif senders and senders[0] in nodes and not info.period_ns:
            yield Unjudged(name, "it has no cycle time in the DBC (GenMsgCycleTime)")


def _sensors(vehicle: Vehicle, nodes: Collection[str]) -> Iterator[Unjudged]:
    judged = {shown.input for shown in shown_signals(vehicle)}
    for name, table in vehicle.inputs.items():
        if isinstance(table.logged, str) and name not in judged:
            message, _ = vehicle.signal(table.logged)
            senders = senders_of(vehicle, message)
            if len(senders) == 1 and senders[0] in nodes:
                reason = f"'{senders[0]}' sends it, and input '{name}' is not wired to that node"
                yield Unjudged(table.logged, reason)


def _nodes(vehicle: Vehicle, nodes: Collection[str]) -> Iterator[Unjudged]:
    for name in nodes:
        if vehicle.nodes[name].status is None:
            yield Unjudged(f"status of {name}", "the node declares no 'status'")
        if vehicle.nodes[name].watchdog is None:
            yield Unjudged(f"watchdog of {name}", "the node declares no 'watchdog'")


def _requests(vehicle: Vehicle, nodes: Collection[str]) -> Iterator[Unjudged]:
    """The signals that ask for a load while nothing declares what asks for them; a notice has its
    own rule.
    """
    notices = {notice.signal for notice in vehicle.notices.values()}
    users: dict[str, list[str]] = {}
    for name, load in vehicle.loads.items():
        for reference in load.request.names if load.request is not None else ():
            sender = vehicle.sender(split_signal(reference)[0])
            if reference not in vehicle.requests and reference not in notices and sender in nodes:
                users.setdefault(reference, []).append(name)
    for reference, loads in users.items():
        reason = f'it asks for {", ".join(loads)}, and no [requests."{reference}"] says when'
        yield Unjudged(reference, reason)


def _loads(vehicle: Vehicle, nodes: Collection[str]) -> Iterator[Unjudged]:
    """Loads whose inputs are not known, because no single signal asks for them."""
    for name, load in vehicle.loads.items():
        if load.node not in nodes:
            continue
        if load.request is not None and vehicle.asking_signal(load) is None:
            reason = "no single signal asks for it: nothing compares it with the inputs"
            yield Unjudged(f"inputs of {name}", reason)


def _named(vehicle: Vehicle, nodes: Collection[str]) -> Iterator[Unjudged]:
    """What is told only where the vehicle file names it: requests without a counter, and loads that
    no rule follows from the inputs on.
    """
    asked = {entry.what for entry in vehicle.file.unjudged}
    messages = [name for load in vehicle.loads.values() for name in load.request_messages]
    found = []
    for name in dict.fromkeys(messages):
        if vehicle.messages[name].counter is None:
            reason = "it has no counter: nobody can tell content that repeats itself from new one"
            found.append(Unjudged(f"counter of {name}", reason))
    for name, load in vehicle.loads.items():
        signal = vehicle.asking_signal(load)
        if load.node not in nodes or signal is None:
            continue
        if vehicle.sender(split_signal(signal)[0]) not in nodes:
            reason = f"{signal} comes from a log: what its inputs were is not known"
            found.append(Unjudged(f"end to end of {name}", reason))
        elif signal not in vehicle.requests:
            reason = f'no [requests."{signal}"] says what it follows'
            found.append(Unjudged(f"end to end of {name}", reason))
    yield from (entry for entry in found if entry.what in asked)


def judge(
    vehicle: Vehicle,
    recording: Recording,
    evidence: Evidence | None = None,
    start_ns: int = 0,
    done: Callable[[float], object] = lambda _: None,
) -> list[Verdict]:
    """All verdicts on a run: one for each declared rule, and broken ``program`` rules.

    The judge knows what was delivered to each controller and what each input and output did. It
    knows nothing of the programs. It does not judge a node whose frames came from a log: that
    happened on another day. ``evidence``: what has been read of the recording before. What happened
    before ``start_ns`` is taken into account but gets no verdict. ``done`` is called now and then
    with the share of the work that is done, 0 to 1.
    """
    case = Case(vehicle, recording, evidence, start_ns)
    return judge_case(case, views_of(case, done), done)


def views_of(
    case: Case, done: Callable[[float], object] = lambda _: None
) -> Mapping[str, LoadView]:
    """How each load of a simulated node followed, by its name. ``done`` as in :func:`judge`."""
    names = [name for name, load in case.vehicle.loads.items() if case.simulated(load.node)]
    views: dict[str, LoadView] = {}
    for place, name in enumerate(names, 1):
        views[name] = view_load(case, name)
        done(_VIEWING * place / len(names))
    return views


_VIEWING = 0.5
"""The share of the work that is done when all loads have been followed."""


def judge_case(
    case: Case,
    views: Mapping[str, LoadView],
    done: Callable[[float], object] = lambda _: None,
) -> list[Verdict]:
    """All verdicts on a case whose loads have been followed. ``done`` as in :func:`judge`."""
    vehicle, found = case.vehicle, list[Verdict]()
    nodes = [node for node in vehicle.nodes if case.simulated(node)]
    steps = len(views) + len(vehicle.requests) + len(vehicle.notices) + len(nodes)
    step = count(1)

    def told(part: T) -> T:
        done(_VIEWING + (1 - _VIEWING) * next(step) / (steps + 1))
        return part

    for name in views:
        found += judge_load(case, views[name])
        found += judge_end_to_end(case, views[name])
        found += judge_darkness(case, views[name])
        found += judge_back(case, views[name])
        found += judge_in_step(case, views, name)
        found += judge_never(case, views[name])
        found += judge_fed_load(case, name)
        found += told(judge_stopped_load(case, name))
    found += [
        told(judge_control(case, name, table))
        for name, table in vehicle.requests.items()
        if case.simulated(vehicle.sender(split_signal(name)[0]))
    ]
    for name, notice in vehicle.notices.items():
        if case.simulated(vehicle.sender(split_signal(notice.signal)[0])):
            found += told(judge_notice(case, name, notice))
    for name, route in vehicle.routes.items():
        if case.simulated(vehicle.sender(route.target_message)):
            found = _with_route(found, judge_route(case, name))
    for node in nodes:
        found += judge_node(case, node)
        found += judge_neighbours(case, node)
        found += judge_fed_node(case, node)
        asleep = judge_asleep(case, node, [v for v in views.values() if v.load.node == node])
        found += told(asleep)
    found += judge_senders(case)
    return _complete(declared_rules(vehicle, case.recording.logged), found)


def _with_route(found: list[Verdict], more: Sequence[Verdict]) -> list[Verdict]:
    """The verdicts with those of a route. Where that breaks a rule of a load which the load's own
    node kept, the load's verdict goes: its node did what it was told.
    """
    broken = {(verdict.subject, verdict.rule) for verdict in more if verdict.broken}
    return [v for v in found if v.broken or (v.subject, v.rule) not in broken] + [*more]


def declared_rules(vehicle: Vehicle, logged: Collection[str] = ()) -> list[tuple[str, str]]:
    """Every (subject, rule) that a vehicle declares, in the order of its file.

    ``logged``: nodes without a program; the rules on their programs, requests and loads are left
    out.
    """
    return list(_declared(vehicle, tuple(logged)))


@lru_cache(maxsize=8)  # each case of a check asks for them
def _declared(vehicle: Vehicle, logged: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
    def simulated(reference: str) -> bool:
        return vehicle.sender(split_signal(reference)[0]) not in logged

    loads = [name for name, load in vehicle.loads.items() if load.node not in logged]
    told = told_rules(vehicle, logged).items()
    found = [
        (name, rule)
        for name in loads
        for rule in (*_load_rules(vehicle, name), *(r for (_, load), r in told if load == name))
    ]
    return (
        *(
            (name, rule)
            for name, rule in found
            if rule != _ASKED or simulated(_request(vehicle, name))
        ),
        *((name, "control") for name in vehicle.requests if simulated(name)),
        *((name, "notice") for name, table in vehicle.notices.items() if simulated(table.signal)),
        *(
            (name, rule)
            for name, route in vehicle.routes.items()
            if simulated(route.target_message)
            for rule in (GATEWAY, GATEWAY_STALE)
        ),
        *((n, rule) for n in vehicle.nodes if n not in logged for rule in _node_rules(vehicle, n)),
        *sender_rules(vehicle, logged),
    )


_ASKED = "end to end"
"""The rule of a load that needs the inputs of its request."""


def _request(vehicle: Vehicle, load: str) -> str:
    return vehicle.asking_signal(vehicle.loads[load]) or ""


def _load_rules(vehicle: Vehicle, name: str) -> Iterator[str]:
    load = vehicle.loads[name]
    requested = load.request is not None
    asks = vehicle.asking_signal(load)
    flash = load.flash
    declared: dict[str, bool] = {
        "fresh": requested,
        "stale": requested,
        "then": requested and load.hold_for is not None,
        "local": load.local is not None,
        "steady": True,
        "reset": requested,
        "rejoin": requested,
        _ASKED: asks is not None and asks in vehicle.requests,
        "flash": flash is not None,
        "in step": flash is not None and flash.in_step_with is not None,
        "dark": load.dark_limit is not None,
        "back": load.back_within is not None,
        **{rule_name(index): True for index in range(len(load.never))},
        "trip": load.trip is not None,
        "longest_on": load.longest_on is not None,
        "shortest_off": load.shortest_off is not None,
        "tries": load.tries is not None,
        "fed": feeds_load(vehicle, name),
        "stopped": load.safety,
    }
    yield from (rule for rule, is_declared in declared.items() if is_declared)


def _node_rules(vehicle: Vehicle, name: str) -> Iterator[str]:
    table = vehicle.nodes[name]
    if table.status is not None:
        yield "rejoin"
    if table.sleeps_when is not None:
        yield "asleep"
    if table.watchdog is not None:
        yield "stopped"
    if has_neighbours(vehicle, name):
        yield "neighbours"
    if feeds_node(vehicle, name):
        yield "fed"


def _complete(order: Sequence[tuple[str, str]], found: Sequence[Verdict]) -> list[Verdict]:
    """The verdicts in the order of the declared rules; a rule without a verdict was not exercised.
    Verdicts on rules that are not declared stay only if they are broken.
    """
    spoken: dict[tuple[str, str], list[Verdict]] = {}
    for verdict in found:
        spoken.setdefault((verdict.subject, verdict.rule), []).append(verdict)
    result: list[Verdict] = []
    for subject, rule in order:
        result += spoken.pop((subject, rule), [Verdict(subject, rule, Outcome.NOT_EXERCISED)])
    result += [verdict for rest in spoken.values() for verdict in rest if verdict.broken]
    return result
