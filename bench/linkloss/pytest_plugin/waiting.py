"""Virtual time for one test, whether the test is a coroutine or a plain function."""

from __future__ import annotations

import asyncio
from functools import cached_property

from linkloss.clock import Priority, VirtualLoop
from linkloss.model.units import parse_duration

_LAST = Priority.ARBITRATION + 1
"""A test that waits for an instant sees it settled: all that is due then has happened."""


class VirtualTime:
    """A virtual event loop and ways to wait on it."""

    def __init__(self) -> None:
        self.loop = VirtualLoop()

    @property
    def now_ns(self) -> int:
        """Nanoseconds since the beginning of the test, which is also when the car powers up."""
        return self.loop.queue.now_ns

    async def after(self, duration: str) -> None:
        """Wait in an ``async def`` test, such as ``await virtual_time.after("250 ms")``.

        Raises ValueError for what is no duration, and RuntimeError where another event loop runs
        the test.
        """
        if asyncio.get_running_loop() is not self.loop:
            raise RuntimeError(
                "this test runs on another event loop than the car: expected a test of its own"
                " loop (loop_scope 'function', pytest-asyncio 1.1 or later), not a shared one"
            )
        due = self.loop.create_future()
        self.loop.queue.after(parse_duration(duration), _settle, due, priority=_LAST)
        await due

    def run(self, duration: str) -> None:
        """Let time pass in a plain test, such as ``virtual_time.run("250 ms")``.

        Raises ValueError for what is no duration, and RuntimeError in an ``async def`` test.
        """
        if self.loop.is_running():
            raise RuntimeError(
                "an 'async def' test cannot let time pass like this: expected"
                f" 'await ....after(\"{duration}\")', not 'run(\"{duration}\")'"
            )
        end_ns = self.now_ns + parse_duration(duration)
        with self.loop.running():
            self.loop.queue.run_until(end_ns)

    @cached_property
    def runner(self) -> asyncio.Runner:
        """What runs coroutines on the loop; made when it is first wanted."""
        return asyncio.Runner(loop_factory=lambda: self.loop)

    def close(self) -> None:
        """End whatever still runs on the loop, and the loop."""
        if "runner" in vars(self):
            self.runner.close()
        if not self.loop.is_closed():
            self.loop.close()


def _settle(due: asyncio.Future[None]) -> None:
    if not due.done():
        due.set_result(None)
