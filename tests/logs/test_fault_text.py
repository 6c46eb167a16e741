"""Faults as words: what a report prints is what the command line takes."""

from __future__ import annotations

import pytest
from replay_lab import MS, S, wren

from linkloss.campaign.cases import instances
from linkloss.problem import BadInput
from linkloss.scenario import timed_fault


def test_every_fault_that_a_check_tries_reads_back_from_its_label():
    for fault in instances(wren()):
        lasts = "+250ms" if fault.lasting else ""
        found = timed_fault(f"{fault.label()}@1500ms{lasts}", wren())
        assert found.fault == fault
        assert found.at_ns == 1500 * MS
        assert found.until_ns == (1750 * MS if fault.lasting else None)


def test_a_fault_without_a_duration_stays():
    found = timed_fault("cut(rear, gauge) @ 300 s", wren())
    assert (found.at_ns, found.until_ns) == (300 * S, None)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("cut gauge rear", "expected 'KIND(PARAMETERS)@START+DURATION'"),
        ("cit(gauge,rear)@1s", "unknown fault 'cit'"),
        ("cut(dash,rear)@1s", "'dash' and 'rear' are no neighbours"),
        ("reset(raer)@1s", "unknown node 'raer'"),
        ("reset(rear)@1s+2s", "'reset' is over at once; expected no duration"),
        ("cut(gauge,rear)@1s+0s", "a fault lasts more than nothing"),
        ("cut(gauge,rear)@now", "now"),
        ("drop(LampRequest)@1s", "'drop' needs the parameter 'receiver'"),
        ("drop(LampRequest,rear,front,gauge)@1s", "too many parameters"),
        ("hang(rear,time=1)@1s", "unknown parameter of 'hang' 'time'"),
    ],
)
def test_a_mistake_is_told_with_what_was_expected(text, problem):
    with pytest.raises(BadInput) as caught:
        timed_fault(text, wren())
    assert problem in str(caught.value)
    assert str(caught.value).startswith(f"linkloss: --fault '{text}': ")
