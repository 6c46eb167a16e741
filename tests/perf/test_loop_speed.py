"""Speed of the clock: coroutine wake-ups against another virtual-time loop, and plain events.

Only the work done is asserted; the figures are ratios taken in one run on one machine. The other
loop (async-solipsism) runs in a process of its own and is never imported here.
"""

from __future__ import annotations

import asyncio
import importlib.util
import subprocess
import sys

import pytest

from linkloss.clock import EventQueue, VirtualLoop

TASKS = 10
WAKES = 3_000
ROUNDS = 5
PLAIN_EVENTS = 100_000

# One program for both loops: ten tasks, each asleep again and again; prints wake-ups per second,
# the best of some rounds.
PROGRAM = f"""
import asyncio, time
{{import_loop}}

async def main(step):
    woken = 0
    async def sleeper(period):
        nonlocal woken
        for _ in range({WAKES}):
            await asyncio.sleep(period)
            woken += 1
    await asyncio.gather(*[sleeper(0.01 + step * number) for number in range({TASKS})])
    return woken

def rate(step):
    best = 0.0
    for _ in range({ROUNDS}):
        with asyncio.Runner(loop_factory=Loop) as runner:
            start = time.perf_counter()
            woken = runner.run(main(step))
            best = max(best, woken / (time.perf_counter() - start))
        assert woken == {TASKS * WAKES}
    return best

print(rate(0.001), rate(0.0))
"""
OURS = "from linkloss.clock import VirtualLoop as Loop"
THEIRS = "from async_solipsism import EventLoop as Loop"


def _rates(import_loop):
    """Wake-ups per second in a fresh process: with ten different periods, with one for all."""
    program = PROGRAM.format(import_loop=import_loop)
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    different, equal = done.stdout.split()
    return float(different), float(equal)


async def _sleepers(step):
    woken = 0

    async def sleeper(period):
        nonlocal woken
        for _ in range(WAKES):
            await asyncio.sleep(period)
            woken += 1

    await asyncio.gather(*[sleeper(0.01 + step * number) for number in range(TASKS)])
    return woken


@pytest.mark.parametrize("step", [0.001, 0.0], ids=["ten_periods", "one_period"])
def test_coroutine_wake_ups_per_second(benchmark, step):
    def run():
        with asyncio.Runner(loop_factory=VirtualLoop) as runner:
            return runner.run(_sleepers(step)), runner.get_loop().queue.now_ns

    woken, now_ns = benchmark.pedantic(run, rounds=ROUNDS)
    assert woken == TASKS * WAKES
    assert now_ns == round(WAKES * (0.01 + step * (TASKS - 1)) * 1e9)
    benchmark.extra_info["wake-ups per second"] = round(woken / benchmark.stats.stats.min)


@pytest.mark.skipif(
    importlib.util.find_spec("async_solipsism") is None,
    reason="async-solipsism, the loop to compare with, is not installed",
)
def test_wake_ups_against_another_virtual_loop(benchmark):
    ours = benchmark.pedantic(_rates, args=(OURS,), rounds=1)
    theirs = _rates(THEIRS)
    assert min(*ours, *theirs) > 0
    for name, mine, other in zip(("ten periods", "one period"), ours, theirs, strict=True):
        ratio = mine / other
        benchmark.extra_info[f"ratio, {name}"] = round(ratio, 2)
        print(f"{name}: {mine:,.0f} wake-ups/s, the other loop {other:,.0f}: {ratio:.2f} times")


def test_plain_events_per_second(benchmark):
    def run():
        queue = EventQueue()
        left = PLAIN_EVENTS

        def again(period_ns):
            nonlocal left
            left -= 1
            if left >= TASKS:
                queue.after(period_ns, again, period_ns)

        for number in range(TASKS):
            queue.at(number, again, 10_000_000 + number)
        queue.run()
        return PLAIN_EVENTS - left

    assert benchmark.pedantic(run, rounds=ROUNDS) == PLAIN_EVENTS
    rate = PLAIN_EVENTS / benchmark.stats.stats.min
    benchmark.extra_info["events per second"] = round(rate)
    print(f"{rate:,.0f} plain events per second")
