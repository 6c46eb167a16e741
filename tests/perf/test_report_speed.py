"""How long the page of a check takes, as a ratio to running one case of it: a page must not cost
more than a few cases beside those that it shows.
"""

from __future__ import annotations

import time
from dataclasses import replace

import pytest

from linkloss.campaign.check import check, looked
from linkloss.campaign.run import run
from linkloss.campaign.selection import case_named
from linkloss.report.html import check_page, looks, render
from linkloss.shipped import demo_vehicle
from linkloss.vehicle.loading import load_vehicle

MANY = 500


def page_of(report):
    return check_page(report, looked(looks(report), jobs=1))


@pytest.mark.benchmark(group="report")
def test_a_page_costs_little_beside_the_cases_that_it_shows(benchmark):
    vehicle = load_vehicle(demo_vehicle())
    few = check(vehicle, only=["cut", "none"], situations=["night_drive"], jobs=1)
    cases = tuple(few.cases)
    many = tuple(cases[index % len(cases)] for index in range(MANY))
    report = replace(few, cases=many)
    assert len(report.findings) == 0  # the tally is made before the clock runs

    case = case_named(vehicle, cases[-1].name)
    begin = time.perf_counter()  # noqa: TID251 (measures the bench itself)
    run(case)
    one_s = time.perf_counter() - begin  # noqa: TID251

    text = benchmark.pedantic(lambda: render(page_of(report)), rounds=2, warmup_rounds=1)
    assert f"{MANY} cases" in text
    if benchmark.stats is not None:
        ratio = benchmark.stats.stats.min / one_s
        benchmark.extra_info["cases_per_page"] = ratio
        benchmark.extra_info["bytes"] = len(text)
        print(f"\na page of {MANY} cases, four of them shown: as long as {ratio:.1f} cases")
