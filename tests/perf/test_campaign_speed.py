"""How fast a campaign is: branching, workers, memory, and the whole check of the demo car.

Figures are recorded (``pytest -s tests/perf``) and not asserted. By default a smaller scenario
stands in for the large one; ``LINKLOSS_PERF=whole`` runs 600 s with 200 cases.
"""

from __future__ import annotations

import gc
import os
import time
import tracemalloc
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import cache
from pathlib import Path
from random import Random

import pytest

from linkloss.campaign.cases import in_order, instances
from linkloss.campaign.isolation import isolated
from linkloss.campaign.plan import plan
from linkloss.campaign.result import Tally
from linkloss.campaign.run import run_case
from linkloss.campaign.selection import CheckRequest
from linkloss.campaign.store import CaseStore
from linkloss.campaign.workers import Workers
from linkloss.scenario import Scenario, TimedAction, TimedFault
from linkloss.vehicle.loading import load_vehicle

S = 1_000_000_000
WREN = Path(__file__).parents[2] / "scenarios" / "wren" / "vehicle.toml"
WHOLE = os.environ.get("LINKLOSS_PERF") == "whole"
LONG_S, CASES = (600, 200) if WHOLE else (150, 50)
JUDGED_NS = 5 * S


@cache
def wren():
    return load_vehicle(WREN)


def seconds(call) -> float:
    """Real time of one call."""
    begin = time.perf_counter()  # noqa: TID251 (measures the bench itself)
    call()
    return time.perf_counter() - begin  # noqa: TID251


def drive(lasts_ns: int) -> Scenario:
    """A drive by night: every few seconds the driver or the engine does something."""
    random = Random(1)
    table = wren().situations["night_drive"]
    does = [
        action.set
        for situation in wren().situations.values()
        for action in situation.actions
        if not {"ignition", "start_button", "clutch"} & action.set.keys()
    ]
    actions, at_ns = [], 2 * S
    while at_ns < lasts_ns:
        actions.append(TimedAction(at_ns, random.choice(does)))
        at_ns += random.randrange(2 * S, 8 * S)
    return Scenario(
        name="drive",
        title="",
        vehicle=wren(),
        situation="night_drive",
        inputs=table.inputs,
        actions=tuple(actions),
        faults=(),
        lasts_ns=lasts_ns,
    )


def with_one_fault(whole: Scenario, number: int) -> list[Scenario]:
    """Cases spread over a drive; each lasts until some seconds behind its fault."""
    random = Random(2)
    faults = instances(wren())
    found = []
    for index in range(number):
        at_ns = (index + 1) * (whole.lasts_ns - JUDGED_NS) // (number + 1)
        fault = random.choice(faults)
        until_ns = at_ns + 2 * S if fault.lasting else None
        timed = TimedFault(fault, at_ns, until_ns)
        case = replace(whole, faults=(timed,), lasts_ns=at_ns + JUDGED_NS, name=f"case {index}")
        found.append(case)
    return found


@pytest.mark.benchmark(group="campaign")
def test_cases_that_share_a_long_beginning(benchmark):
    whole = drive(LONG_S * S)
    cases = with_one_fault(whole, CASES)
    short = drive(JUDGED_NS)
    plain_s = seconds(lambda: run_case(whole))
    tail_s = min(seconds(lambda: run_case(short)) for _ in range(5))
    results = benchmark.pedantic(
        lambda: isolated(cases, branch=True, limit_s=600), rounds=1, warmup_rounds=0
    )
    sample = cases[CASES // 2]
    alone: list[object] = []
    alone_s = seconds(lambda: alone.append(run_case(sample)))

    assert results[CASES // 2] == alone[0]
    assert len(results) == CASES
    if benchmark.stats is not None:
        branched_s = benchmark.stats.stats.min
        each_s = alone_s / sample.lasts_ns * sum(case.lasts_ns for case in cases)
        ratio = branched_s / (plain_s + CASES * tail_s)
        benchmark.extra_info["branched_to_one_pass_and_tails"] = ratio
        benchmark.extra_info["from_the_start_to_branched"] = each_s / branched_s
        print(f"\n{LONG_S} s, {CASES} cases: {ratio:.2f} x (one pass + tails),")
        print(f"{each_s / branched_s:.1f} x less than each from the start")


def work(_: int) -> int:
    """A pure-Python loop without memory to speak of."""
    total = 0
    for number in range(4_000_000):
        total += number & 7
    return total


def gain(rate) -> float:
    """How much more two workers do than one, the best of a few tries: ``rate(workers)``."""
    one = max(rate(1) for _ in range(2))
    return max(rate(2) for _ in range(2)) / one


@pytest.mark.benchmark(group="campaign")
def test_a_second_worker(benchmark):
    cases = in_order(wren(), plan(wren())[::40])
    order = CheckRequest(WREN)

    def busy(workers: int) -> float:
        with ProcessPoolExecutor(workers) as pool:
            return 4 / seconds(lambda: list(pool.map(work, range(4))))

    def campaign(workers: int) -> float:
        workers = Workers(workers, branch=True, limit_s=60)
        return len(cases) / seconds(lambda: list(workers.run(order, cases, 0)))

    figures = benchmark.pedantic(lambda: (gain(busy), gain(campaign)), rounds=1, warmup_rounds=0)

    assert len(cases) > 50
    benchmark.extra_info["busy_loops"], benchmark.extra_info["campaign"] = figures
    share = (figures[1] - 1) / (figures[0] - 1) if figures[0] > 1 else float("nan")
    benchmark.extra_info["share_of_the_gain"] = share
    print(f"\ntwo workers: busy loops {figures[0]:.2f} x, campaign {figures[1]:.2f} x")


@pytest.mark.benchmark(group="campaign")
def test_the_whole_check_of_the_demo_car(benchmark):
    """From every twentieth case of it; the real one is the first command of the README."""
    cases = plan(wren())
    sample = cases[::20]
    workers = Workers(os.cpu_count() or 1, branch=True, limit_s=60)
    results = benchmark.pedantic(
        lambda: list(workers.run(CheckRequest(WREN), sample, 0)), rounds=2, warmup_rounds=0
    )

    assert [result.name for result in results] == [case.name for case in sample]
    if benchmark.stats is not None:
        whole_s = benchmark.stats.stats.min * len(cases) / len(sample)
        benchmark.extra_info["full_check_s"] = whole_s
        print(f"\nfull check, {len(cases)} cases: about {whole_s:.0f} s")


def kept_bytes(number: int) -> int:
    """Memory that stays in use while so many results are kept and counted."""
    first = run_case(min(plan(wren()), key=lambda case: case.parts_ns))
    tracemalloc.start()
    store = CaseStore()
    for index in range(number):
        store.append(replace(first, name=f"{first.name}/{index}"))
    tally = Tally(store)
    gc.collect()  # what is left to collect says when that was last done, and no more
    kept, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert tally.simulated_ns == number * first.simulated_ns
    return kept


@pytest.mark.benchmark(group="campaign")
def test_memory_does_not_grow_with_the_number_of_cases(benchmark):
    few, many = benchmark.pedantic(
        lambda: (kept_bytes(200), kept_bytes(2_000)), rounds=1, warmup_rounds=0
    )
    benchmark.extra_info["ten_times_the_cases"] = many / few
    print(f"\nmemory for ten times the cases: {many / few:.2f} x")
    assert many < 1.5 * few  # memory, not time: the same on any machine
