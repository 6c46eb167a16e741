"""What a script gets in place of the modules that know the wall clock, chance or a real bus.

They are module objects of its own, made for each life; the modules of everybody else stay as they
are. All clocks stand on the node's own: ``time.time()`` counts from the beginning of the run, as
a small computer without a clock of its own does, the other clocks from the start of the script;
both begin where the scenario says.
"""

from __future__ import annotations

import datetime as dt
import random
import time
from collections.abc import Callable
from types import ModuleType
from typing import Any

import can

from linkloss.bus import Port
from linkloss.scripts.port import ScriptPort
from linkloss.scripts.tasks import Tasks

NS_PER_S = 1e9


def copy_of(module: ModuleType) -> ModuleType:
    """A module with the same content, for others to change."""
    made = ModuleType(module.__name__, module.__doc__)
    made.__dict__.update(module.__dict__)
    return made


def time_module(tasks: Tasks) -> ModuleType:
    """``time`` on the clock of the script's node."""
    clock = tasks.clock

    def now_ns() -> int:
        tasks.spend()
        return clock.now_ns()

    def running_ns() -> int:
        return now_ns() - clock.shows(tasks.begun_ns) + clock.start_ns

    def sleep(secs: float) -> None:
        if secs < 0:
            raise ValueError("sleep length must be non-negative")
        tasks.spend()
        tasks.wait(clock.after(round(secs * NS_PER_S)))

    def of_now(convert: Callable[[float], Any]) -> Callable[..., Any]:
        return lambda secs=None: convert(now_ns() / NS_PER_S if secs is None else secs)

    made = copy_of(time)
    made.__dict__.update(
        sleep=sleep,
        time=lambda: now_ns() / NS_PER_S,
        time_ns=now_ns,
        gmtime=of_now(time.gmtime),
        localtime=of_now(time.gmtime),
        ctime=of_now(lambda secs: time.asctime(time.gmtime(secs))),
    )
    for name in ("monotonic", "perf_counter", "process_time", "thread_time"):
        made.__dict__[name] = lambda: running_ns() / NS_PER_S
        made.__dict__[f"{name}_ns"] = running_ns
    return made


def datetime_module(clock: ModuleType) -> ModuleType:
    """``datetime`` whose now and today are those of a ``time`` module."""
    utc = dt.UTC

    class DateTime(dt.datetime):
        @classmethod
        def now(cls, tz: dt.tzinfo | None = None) -> DateTime:
            found = cls.fromtimestamp(clock.time(), utc)
            return found.replace(tzinfo=None) if tz is None else found.astimezone(tz)

        @classmethod
        def utcnow(cls) -> DateTime:
            return cls.now()

        @classmethod
        def today(cls) -> DateTime:
            return cls.now()

    class Date(dt.date):
        @classmethod
        def today(cls) -> Date:
            return cls.fromordinal(DateTime.now().toordinal())

    DateTime.__name__, Date.__name__ = "datetime", "date"
    made = copy_of(dt)
    made.__dict__.update(datetime=DateTime, date=Date)
    return made


def random_module(name: str) -> ModuleType:
    """``random`` whose own generator begins alike at each start of the node."""
    made = copy_of(random)
    generator = random.Random(name)  # noqa: S311 - repeatable on purpose
    for key in random.__all__:
        method = getattr(generator, key, None)
        if callable(method):
            made.__dict__[key] = method
    return made


class CanFactory:
    """What ``can.Bus`` does in a script: it opens the node's one controller."""

    def __init__(
        self, tasks: Tasks, inner: Port, sample_point: tuple[float, float] = (0.0, 1.0)
    ) -> None:
        self._tasks = tasks
        self._sample_point = sample_point
        self._inner = inner
        self.bus: ScriptPort | None = None

    def open(
        self,
        channel: Any = None,
        interface: str | None = None,
        config_context: str | None = None,
        ignore_config: bool = False,
        *,
        bustype: str | None = None,
        bitrate: int | None = None,
        data_bitrate: int | None = None,
        can_filters: Any = None,
        receive_own_messages: bool = False,
        fd: bool = False,
        timing: can.BitTiming | can.BitTimingFd | None = None,
        **rest: Any,
    ) -> ScriptPort:
        """A bus, whatever adapter the script names.

        :raises can.CanInitializationError: for a second bus, other bit rates than the bus's, a
            sample point that the bus does not allow, CAN FD with a classical controller, or the
            return of own messages, which is not simulated.
        """
        del channel, interface, config_context, ignore_config, bustype, rest
        name, segment = self._inner.controller.name, self._inner.controller.segment
        bus_rate = segment.bus.bit_rate if segment is not None else bitrate
        bus_data = segment.bus.data_bit_rate if segment is not None else data_bitrate
        if isinstance(timing, can.BitTimingFd):
            bitrate, data_bitrate = timing.nom_bitrate, timing.data_bitrate
        elif timing is not None:
            bitrate = timing.bitrate
        problem = self._timing_problem(timing)
        if self.bus is not None and not self.bus._is_shutdown:
            problem = "has one controller, and its bus is open already; shut it down first"
        elif bitrate is not None and bitrate != bus_rate:
            problem = f"opens its bus with {bitrate} bit/s; the bus has {bus_rate} bit/s"
        elif fd and not self._inner.controller.fd:
            problem = "opens its bus for CAN FD, but its controller is classical, without 'fd'"
        elif fd and data_bitrate is not None and data_bitrate != bus_data:
            problem = (
                f"opens its bus with {data_bitrate} bit/s for data; the bus has {bus_data} bit/s"
            )
        elif receive_own_messages:
            problem = "wants its own messages back (receive_own_messages), which no bus here does"
        if problem:
            raise can.CanInitializationError(f"node '{name}' {problem}")
        self.bus = ScriptPort(self._tasks, self._inner, can_filters)
        return self.bus

    def _timing_problem(self, timing: can.BitTiming | can.BitTimingFd | None) -> str:
        """What is wrong with the sample point of a bit timing; empty for nothing. Its jump width
        was looked at where it was made.
        """
        if timing is None:
            return ""
        least, most = self._sample_point
        fd = isinstance(timing, can.BitTimingFd)
        at: float = getattr(timing, "nom_sample_point" if fd else "sample_point")
        if not 100 * least <= at <= 100 * most:
            return f"samples its bits at {at:.1f} %; the bus allows {least:.1%} to {most:.1%}"
        return ""


def can_modules(factory: CanFactory) -> dict[str, ModuleType]:
    """``can`` and its ``interface``, which open the node's own bus."""
    made = copy_of(can)
    interface = copy_of(can.interface)
    interface.__dict__["Bus"] = factory.open
    made.__dict__.update(Bus=factory.open, ThreadSafeBus=factory.open, interface=interface)
    return {"can": made, "can.interface": interface}
