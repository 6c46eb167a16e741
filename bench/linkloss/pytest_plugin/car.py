"""The car of one test: set its inputs, break things, look at its loads, ask the judge.

Virtual time for one test, whether the test is a coroutine or a plain function.

Which vehicle a test is about, and what its car is doing when the test begins.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any, NoReturn, Self

import pytest

from linkloss.campaign.result import RunResult
from linkloss.clock import Priority, VirtualLoop
from linkloss.faults.base import Fault
from linkloss.faults.catalogue import FaultError, make_fault
from linkloss.judge import Verdict, judge
from linkloss.judge.flashing import mean_rate, whole_cycles
from linkloss.problem import BadInput, Problem, unknown
from linkloss.pytest_plugin.checks import from_here
from linkloss.recording import Recording, Series
from linkloss.report.timeline import story
from linkloss.report.words import run_sentence
from linkloss.scenario import Scenario, TimedAction, TimedFault
from linkloss.session import Session
from linkloss.session.session import timeline
from linkloss.units import parse_duration, show_duration
from linkloss.vehicle.consistency import value_problem
from linkloss.vehicle.expression import Value
from linkloss.vehicle.loading import Vehicle, load_vehicle

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


LONGEST = "10 min"
"""Virtual time after which a test ends that would wait for ever: the nodes never stop sending."""


class TimeLimitError(RuntimeError):
    """A test took more virtual time than it may."""


class Bench:
    """A vehicle on the bench, powered up at instant zero of the test's virtual time."""

    def __init__(
        self,
        vehicle: Vehicle,
        time: VirtualTime,
        *,
        name: str = "",
        situation: str = "",
        inputs: Mapping[str, Value | int] | None = None,
        seed: int = 0,
        longest: str = LONGEST,
    ) -> None:
        """Power up. A ``situation`` gives the initial inputs and what the driver does; ``inputs``
        come on top.

        Raises BadInput for names and values that the vehicle does not have.
        """
        self.vehicle = vehicle
        self.time = time
        self._longest_ns = parse_duration(longest)
        self._ended = False
        begins = dict(_situation(vehicle, situation)) | _checked(vehicle, inputs or {})
        actions = vehicle.situations[situation].actions if situation else ()
        self._scenario = Scenario(
            name=name,
            title=name,
            vehicle=vehicle,
            situation=situation,
            inputs=begins,
            actions=tuple(TimedAction(action.at, action.set) for action in actions),
            faults=(),
            lasts_ns=self._longest_ns,
            seed=seed,
        )
        self._session = Session(self._scenario, time.loop)
        queue = time.loop.queue
        for stimulus in timeline(self._scenario):
            queue.at(stimulus.at_ns, stimulus.do, self._session, priority=0)
        queue.at(queue.now_ns + self._longest_ns, self._too_long)
        self._session.power_up()

    # ---- time ----

    @property
    def now_ns(self) -> int:
        """Nanoseconds since power-up."""
        return self.time.now_ns

    async def after(self, duration: str) -> None:
        """Wait in an ``async def`` test: ``await bench.after("2 s")``. See VirtualTime.after."""
        await self.time.after(duration)

    def run(self, duration: str) -> None:
        """Let time pass in a plain test: ``bench.run("2 s")``. See VirtualTime.run."""
        __tracebackhide__ = True
        self.time.run(duration)

    def _too_long(self) -> None:
        __tracebackhide__ = True
        raise TimeLimitError(
            f"the test has taken {show_duration(self._longest_ns)} of virtual time; does it wait"
            " for something that never happens? expected an end before that, or a marker"
            " linkloss(longest='60 min')"
        )

    # ---- what is done to the car ----

    def set(self, **inputs: Value | int) -> None:
        """The driver or the engine changes inputs now: ``bench.set(lights="dipped")``.

        Raises BadInput for inputs and positions that the vehicle does not have.
        """
        __tracebackhide__ = True
        self._session.act(_checked(self.vehicle, inputs))

    def fault(self, kind: str, **parameters: Any) -> ActiveFault:
        """Something breaks now: ``bench.fault("unplug", node="rear")``. What comes back mends it,
        by ``clear()`` or at the end of a ``with`` block.

        Parameters as in a scenario file. Raises BadInput for what is no such fault.
        """
        __tracebackhide__ = True
        try:
            fault = make_fault(kind, parameters, self.vehicle)
        except FaultError as error:
            raise BadInput.one("bench.fault", error.key, str(error)) from None
        self._session.apply(TimedFault(fault, self.now_ns, None))
        return ActiveFault(self._session, fault)

    # ---- what is seen of the car ----

    def load(self, name: str) -> LoadView:
        """A load by its name. Raises BadInput for one that the vehicle does not have."""
        __tracebackhide__ = True
        if name not in self.vehicle.loads:
            raise BadInput.one("bench.load", "", unknown("load", name, self.vehicle.loads))
        return LoadView(self, name, self.recording.outputs[name])

    def node(self, name: str) -> str:
        """What a node's program is doing: ``reset``, ``running``, ``hung``, ``crashed``, or
        ``off`` for want of supply.

        Raises BadInput for a node that the vehicle does not have.
        """
        __tracebackhide__ = True
        if name not in self.vehicle.nodes:
            raise BadInput.one("bench.node", "", unknown("node", name, self.vehicle.nodes))
        return self._session.hosts[name].state

    @property
    def recording(self) -> Recording:
        """Everything that has happened so far; it goes on growing."""
        return self._session.recording

    def verdicts(self) -> list[Verdict]:
        """What the judge says of every rule of the vehicle, going by what has happened so far."""
        self.recording.end_ns = self.now_ns
        return judge(self.vehicle, self.recording)

    def broken(self) -> list[str]:
        """The rules that broke so far, one sentence each: ``assert not bench.broken()``."""
        result = self._result()
        return [run_sentence(result, verdict) for verdict in result.verdicts if verdict.broken]

    def story(self) -> str:
        """What happened so far, as a text."""
        return story(self._result())

    def _result(self) -> RunResult:
        return RunResult(self._scenario, self.recording, tuple(self.verdicts()), ())

    def close(self) -> None:
        """The test is over: the programs end, the bus is gone."""
        if self._ended:
            return
        self._ended = True
        if self.time.loop.is_running() or self.time.loop.is_closed():
            self._session.end()
            return
        with self.time.loop.running():
            self._session.end()


@dataclass(slots=True)
class ActiveFault:
    """A fault that is there until it is cleared; a reset, for instance, is over at once."""

    session: Session
    fault: Fault
    cleared: bool = False

    def clear(self) -> None:
        """Mend it now. A fault that has been mended stays so."""
        if not self.cleared and self.fault.lasting:
            self.session.clear(self.fault)
        self.cleared = True

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.clear()


@dataclass(frozen=True, slots=True)
class LoadView:
    """One load, as it is now."""

    car: Bench
    name: str
    series: Series[float]

    @property
    def level(self) -> float:
        """What it gets, from 0.0 to 1.0."""
        return self.series.at(self.car.now_ns)

    @property
    def on(self) -> bool:
        """Whether it is on at this instant; a flashing lamp is on and off in turn."""
        return self.level > 0

    @property
    def off(self) -> bool:
        """Whether it is off at this instant."""
        return not self.on

    @property
    def flashes_per_minute(self) -> float:
        """The mean rate of the whole flashes of the last three seconds; 0.0 when there is none."""
        now_ns = self.car.now_ns
        cycles = whole_cycles(self.series, now_ns - 3_000_000_000, now_ns + 1)
        return mean_rate(cycles) if cycles else 0.0

    def changes(self) -> list[tuple[int, float]]:
        """All changes so far, as (nanoseconds since power-up, level)."""
        return self.series.changes()

    def __repr__(self) -> str:
        return f"<load {self.name}: {'on' if self.on else 'off'} at {self.car.now_ns / 1e9:g} s>"


def _situation(vehicle: Vehicle, name: str) -> Mapping[str, Value]:
    if not name:
        return {}
    if name not in vehicle.situations:
        raise BadInput.one("linkloss", "situation", unknown("situation", name, vehicle.situations))
    return vehicle.situations[name].inputs


def _checked(vehicle: Vehicle, inputs: Mapping[str, Value | int]) -> dict[str, Value]:
    """Inputs with their values, whole numbers included. Raises BadInput with every mistake."""
    __tracebackhide__ = True
    values: dict[str, Value] = {
        name: float(value) if isinstance(value, int) and not isinstance(value, bool) else value
        for name, value in inputs.items()
    }
    problems = []
    for name, value in values.items():
        known = vehicle.inputs.get(name)
        text = (
            unknown("input", name, vehicle.inputs)
            if known is None
            else value_problem(name, known, value)
        )
        if text:
            problems.append(Problem("inputs", name, text))
    if problems:
        raise BadInput(problems)
    return values


_WORDS = ("vehicle", "situation", "inputs", "seed", "longest")


def vehicle_of(request: pytest.FixtureRequest) -> Vehicle:
    """The vehicle of a test. Fails the test with a text for its author where there is none."""
    place = _place(request)
    try:
        return _loaded(place, place.stat().st_mtime_ns if place.is_file() else 0)
    except BadInput as error:
        _fail(error)


def bench_of(request: pytest.FixtureRequest, vehicle: Vehicle, time: VirtualTime) -> Bench:
    """The car of a test, powered up as the marker says."""
    wanted = _wanted(request)
    wanted.pop("vehicle", None)
    try:
        return Bench(vehicle, time, name=request.node.name, **wanted)
    except (BadInput, ValueError) as error:
        _fail(error)


@lru_cache(maxsize=16)
def _loaded(path: Path, _changed_ns: int) -> Vehicle:
    return load_vehicle(from_here(path))


def _fail(error: Exception) -> NoReturn:
    raise pytest.fail.Exception(str(error), pytrace=False) from None


def _wanted(request: pytest.FixtureRequest) -> dict[str, Any]:
    """What the markers of a test ask for; the nearest one counts."""
    wanted: dict[str, Any] = {}
    for marker in request.node.iter_markers("linkloss"):
        for word, value in marker.kwargs.items():
            if word not in _WORDS:
                pytest.fail(f"marker linkloss: {unknown('word', word, _WORDS)}", pytrace=False)
            wanted.setdefault(word, value)
    return wanted


def _place(request: pytest.FixtureRequest) -> Path:
    config: pytest.Config = request.config
    folder: Path = request.path.parent
    named = _wanted(request).get("vehicle")
    if named is not None:
        return folder / str(named)
    option = config.getoption("--linkloss-vehicle")
    if option is not None:
        return config.invocation_params.dir / str(option)
    setting = config.getini("linkloss_vehicle")
    if setting:
        return config.rootpath / str(setting)
    for above in _upward(folder, config.rootpath):
        if (above / "vehicle.toml").is_file():
            return above / "vehicle.toml"
    pytest.fail(
        f"linkloss: no vehicle for this test: there is no 'vehicle.toml' in {folder} or above it;"
        " expected one there, --linkloss-vehicle FILE, the setting linkloss_vehicle, or the"
        " marker linkloss(vehicle='FILE')",
        pytrace=False,
    )


def _upward(folder: Path, root: Path) -> Iterator[Path]:
    """A folder and those above it, up to the root of the test run."""
    yield folder
    for above in folder.parents:
        if not above.is_relative_to(root):
            return
        yield above
