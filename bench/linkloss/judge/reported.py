"""What can be judged of a real node, by what it reports.

The bench sees a real node through an adapter: its frames, and nothing of its pins or its program. A
load that the vehicle declares as ``reported`` by a signal is judged by that signal, one sample per
message. Anything may happen between two samples, and each way through the adapter takes up to
``delay``. So every deadline is longer here by that much, and what is shorter than a period is not
seen. A load whose reports were missing for a while is not judged at all.

    message on the bus -- delay --> real node -- acts, reports at its period -- delay --> bench

Judged are *fresh*, *stale*, *then* and *rejoin* of such loads, and *rejoin* of the node by its
status message. Every other rule of a real node is not exercised, with the reason.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from linkloss.judge.judging import declared_rules, judge
from linkloss.judge.node_rules import SILENT_PERIODS
from linkloss.judge.verdict import Cause, Outcome, Verdict
from linkloss.recording import Outside, Recording, Series
from linkloss.units import show_duration
from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.messages import MessageInfo
from linkloss.vehicle.tables import NodeTable

UNREPORTED = "because no signal reports the load (see 'reported' of a load)"
"""Why most rules of a real node's loads cannot be judged."""
_RULES = ("fresh", "stale", "then", "rejoin")


@dataclass(frozen=True, slots=True)
class _Reports:
    """What a signal reported of a load: samples, and why they are unfit to judge by (empty: they
    are fit).
    """

    levels: Series[float]
    slack_ns: int
    unfit: str


def judge_real(vehicle: Vehicle, recording: Recording, outside: Outside) -> list[Verdict]:
    """A verdict on every rule that the vehicle declares for its real nodes and their loads. Rules
    that cannot be judged from outside are not exercised, and ``text`` says why.
    """
    if not outside.nodes:
        return []
    others = tuple(name for name in recording.logged if name not in outside.nodes)
    told = declared_rules(vehicle, recording.logged)
    declared = [rule for rule in declared_rules(vehicle, others) if rule not in told]
    if outside.doubt:
        return [_untold(rule, outside.doubt) for rule in declared]
    reports = {
        name: _reports(vehicle, recording, load, outside.delay_ns)
        for name, load in vehicle.loads.items()
        if load.node in outside.nodes and load.reported is not None
    }
    unseen = [
        name
        for name, load in vehicle.loads.items()
        if load.node in outside.nodes and name not in reports
    ]
    found = _judged(vehicle, recording, outside, others, reports)
    return [found.get(rule) or _untold(rule, _why(reports, rule, unseen)) for rule in declared]


def _judged(
    vehicle: Vehicle,
    recording: Recording,
    outside: Outside,
    others: tuple[str, ...],
    reports: dict[str, _Reports],
) -> dict[tuple[str, str], Verdict]:
    """The rules that the judge of simulated nodes can judge, with longer deadlines."""
    fit = {name: one for name, one in reports.items() if not one.unfit}
    seen = replace(
        recording,
        logged=others,
        outputs={name: one.levels for name, one in fit.items()},
        commands={},
    )
    loads = {name: _later(vehicle.loads[name], one.slack_ns) for name, one in fit.items()}
    nodes = {
        name: _node_later(table, 2 * outside.delay_ns) if name in outside.nodes else table
        for name, table in vehicle.nodes.items()
    }
    file = vehicle.file.model_copy(
        update={"loads": loads, "nodes": nodes, "requests": {}, "notices": {}, "routes": {}}
    )
    start_ns = max(
        (_settled_ns(vehicle, recording, loads[name], fit[name]) for name in fit), default=0
    )
    verdicts = judge(replace(vehicle, file=file), seen, start_ns=start_ns)
    return {
        (verdict.subject, verdict.rule): verdict
        for verdict in verdicts
        if (verdict.subject in fit and verdict.rule in _RULES)
        or (verdict.subject in outside.nodes and verdict.rule == "rejoin")
    }


def _settled_ns(vehicle: Vehicle, recording: Recording, load: LoadTable, reports: _Reports) -> int:
    """From when the node has reported, and has followed whatever came before the run."""
    first_ns = reports.levels.times[0] if reports.levels.times else recording.end_ns
    if load.request is None:
        return first_ns
    asks = [vehicle.messages[name] for name in load.messages]
    asked_ns = max(_first_ns(recording, load.node, message) for message in asks)
    return max(first_ns, asked_ns) + (load.stale_after or 0) + load.reaction + load.rejoin


def _first_ns(recording: Recording, node: str, message: MessageInfo) -> int:
    """When a node first received a message; the end of the run if it never did."""
    return next(
        (
            record.end_ns
            for record in recording.frames.delivered()
            if node in record.receivers and record.frame.identifier == message.identifier
        ),
        recording.end_ns,
    )


def _later(load: LoadTable, slack_ns: int) -> LoadTable:
    """The same load with this much more time for everything, and without the rules that samples
    cannot show.
    """
    return load.model_copy(
        update={
            "latency": load.latency + slack_ns,
            "reaction": load.reaction + slack_ns,
            "rejoin": load.rejoin + slack_ns,
            "early": load.early_ns + slack_ns,
            "dark_limit": None,
            "never": (),
        }
    )


def _node_later(table: NodeTable, slack_ns: int) -> NodeTable:
    return table.model_copy(update={"rejoin": table.rejoin + slack_ns})


def _reports(vehicle: Vehicle, recording: Recording, load: LoadTable, delay_ns: int) -> _Reports:
    assert load.reported is not None
    message, signal = vehicle.signal(load.reported)
    samples = [
        (at_ns, 1.0 if signal.physical(data) else 0.0)
        for at_ns, data in _received(recording, load.node, message)
        if signal.present(data)
    ]
    levels: Series[float] = Series()
    for at_ns, level in samples:
        levels.set(at_ns, level)
    period_ns = vehicle.period_ns(load.reported)
    unfit = _unfit(load, message, period_ns, [at_ns for at_ns, _ in samples], recording.end_ns)
    return _Reports(levels, period_ns + 2 * delay_ns, unfit)


def _received(recording: Recording, node: str, message: MessageInfo) -> Iterator[tuple[int, bytes]]:
    """The undamaged messages that came from a real node, whether or not the bus could take them."""
    for event in recording.outside:
        frame = event.frame
        if event.name != node or frame is None or frame.remote:
            continue
        if (frame.identifier, frame.extended) != (message.identifier, message.extended):
            continue
        whole = len(frame.data) == message.length
        if whole and (message.checksum is None or message.checksum(frame.data)):
            yield event.at_ns, frame.data


def _unfit(
    load: LoadTable, message: MessageInfo, period_ns: int, times: Sequence[int], end_ns: int
) -> str:
    """Why reports say too little about a load; empty if they say enough."""
    if message.period_ns is None:
        return f"because {message.name} has no cycle time and a report may be of any age"
    if load.local is not None:
        return "because the local input is at the real node, out of sight of the bench"
    if load.flash is not None:
        return "because samples cannot tell how it flashes"
    if not times:
        return f"because no {message.name} came"
    longest_ns = SILENT_PERIODS * period_ns
    for before_ns, after_ns in zip(times, [*times[1:], end_ns], strict=True):
        if after_ns - before_ns > longest_ns:
            return (
                f"because no {message.name} came from {show_duration(before_ns)} on for"
                f" {show_duration(after_ns - before_ns)}"
            )
    return ""


def _untold(rule: tuple[str, str], why: str) -> Verdict:
    return Verdict(*rule, Outcome.NOT_EXERCISED, cause=Cause.TOLD, observed=why)


def _why(reports: dict[str, _Reports], rule: tuple[str, str], unseen: Sequence[str]) -> str:
    """Why a rule cannot be judged from outside."""
    subject = rule[0]
    if subject in unseen:
        return UNREPORTED
    if subject in reports and reports[subject].unfit:
        return reports[subject].unfit
    return "which cannot be seen from outside of a real node"
