"""A message plan as JSON, for programs: every message at every bit rate, in whole nanoseconds."""

from __future__ import annotations

from typing import Any

from linkloss.campaign.result import CAUTION
from linkloss.campaign.timing import TimingReport
from linkloss.report.machine import lines_of
from linkloss.timing.analysis import Analysis, Bound
from linkloss.timing.observed import Observed

TIMING_VERSION = 1
BOUND_COLUMNS = (
    "message",
    "worst_ns",
    "busy_ns",
    "instances",
    "slack_ns",
    "receiver",
    "fresh_slack_ns",
    "losses_borne",
    "no_bound_because",
)
"""``losses_borne`` is -1 where the receiver may call the message stale with nothing lost."""


def timing_json(report: TimingReport) -> str:
    """The report as JSON, the same every time."""
    plan, proposal = report.plan, report.proposal
    document = {
        "format": "linkloss timing",
        "version": TIMING_VERSION,
        "vehicle": report.vehicle.title,
        "vehicle_file": str(report.vehicle.path),
        "exit_code": report.exit_code,
        "caution": CAUTION,
        "bit_rate": plan.bit_rate,
        "worst_wait_ns": plan.worst_wait_ns,
        "errors": {"burst": plan.errors.burst, "interval_ns": plan.errors.interval_ns},
        "messages": [_message(bound) for bound in report.analysis.bounds],
        "unsent": list(plan.unsent),
        "bound_columns": list(BOUND_COLUMNS),
        "bit_rates": [_analysis(other) for other in report.others],
        "overlong": [bound.message.name for bound in report.overlong],
        "proposal": None
        if proposal is None
        else {
            "order": list(proposal.names),
            "identifiers": list(proposal.identifiers),
            "stuck": list(proposal.stuck),
        },
        "runs": list(report.runs),
        "exceeded": [bound.message.name for bound in report.exceeded],
        "observed": [_observed(found) for found in report.observed.values()],
    }
    return "".join(lines_of(document))


def _message(bound: Bound) -> dict[str, Any]:
    message = bound.message
    return {
        "name": message.name,
        "identifier": message.identifier,
        "extended": message.extended,
        "bytes": message.length,
        "senders": list(message.senders),
        "period_ns": message.period_ns,
        "shortest_ns": message.shortest_ns,
        "jitter_ns": message.jitter_ns,
        "deadline_ns": message.deadline_ns,
    }


def _analysis(analysis: Analysis) -> dict[str, Any]:
    load = analysis.load
    return {
        "bit_rate": analysis.bit_rate,
        "load_typical": round(load.typical, 6),
        "load_worst_stuffing": round(load.worst, 6),
        "load_shortest_gaps": round(load.bursts, 6),
        "late": [bound.message.name for bound in analysis.late],
        "bounds": [_bound(bound) for bound in analysis.bounds],
    }


def _bound(bound: Bound) -> list[Any]:
    response, found = bound.response, bound.patience
    worst = [None] * 3 if response is None else _worst(bound)
    fresh: list[Any] = [None] * 3
    if found is not None:
        fresh = [found.who, found.slack_ns, -1 if found.losses is None else found.losses]
    return [bound.message.name, *worst, bound.slack_ns, *fresh, bound.why or None]


def _worst(bound: Bound) -> list[int]:
    assert bound.response is not None
    return [bound.response.worst_ns, bound.response.busy_ns, bound.response.instances]


def _observed(found: Observed) -> dict[str, Any]:
    return {
        "message": found.message.name,
        "times_ns": found.kept_ns,
        "times_off_plan_ns": found.other_ns,
        "untraced": found.untraced,
        "departures": [[d.at_ns, d.text] for d in found.departures],
    }
