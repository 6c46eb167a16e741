"""Running one scenario whose program may crash or hang, as a finding's may."""

from __future__ import annotations

import sys
from dataclasses import replace
from typing import NamedTuple

from linkloss.campaign.apart import apart
from linkloss.campaign.result import RunResult
from linkloss.campaign.run import failed_case, run
from linkloss.judge import Verdict
from linkloss.recording import Recording
from linkloss.scenario import Scenario

GRACE_S = 10.0
"""A run takes far less real time than it simulates. So long and as long again as it simulates is
plenty."""


class _Parcel(NamedTuple):
    """What comes back of a run: a scenario's programs cannot go from one process to another."""

    recording: Recording
    verdicts: tuple[Verdict, ...]
    expected: tuple[Verdict, ...]


def patience_s(scenario: Scenario) -> float:
    """The real time, in seconds, after which a run counts as hung."""
    return GRACE_S + scenario.lasts_ns / 1e9


def run_apart(scenario: Scenario, *, bits: bool = False) -> RunResult:
    """Run and judge a scenario in a process of its own, where one can be forked. When that
    process ends early, or takes longer than :func:`patience_s`, the result is one broken rule and
    an empty recording. ``bits``: record the bus bit by bit, too.
    """
    limit_s = patience_s(scenario)
    parcel = apart(lambda: _parcel(scenario, bits=bits), limit_s)
    if parcel is not None:
        return RunResult(scenario, *parcel)
    text = f"brought its process down, or did not end within {limit_s:g} s of real time"
    nothing = Recording(scenario.vehicle.title, scenario.seed, scenario.lasts_ns)
    blind = replace(scenario, expectations=())  # nobody saw whether they were met
    return RunResult(blind, nothing, failed_case(scenario, text).verdicts, ())


def _parcel(scenario: Scenario, *, bits: bool) -> _Parcel:
    result = run(scenario, bits=bits)
    sys.stdout.flush()  # what programs printed
    return _Parcel(result.recording, result.verdicts, result.expected)
