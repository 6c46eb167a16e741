"""The bench inside pytest: scenario files and rules as tests, and a car for tests in Python.

Every pytest run of a machine that has linkloss installed imports this module. So it imports
nothing but pytest; all else waits for the first file or test that needs it.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Collection, Generator, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import pytest

if TYPE_CHECKING:
    from linkloss.pytest_plugin.car import Bench, VirtualTime
    from linkloss.vehicle.loading import Vehicle

DEPTHS = ("quick", "full", "pairs")
Kind = Literal["scenario", "vehicle"]
_TABLE = re.compile(r"^[ \t]*\[", re.MULTILINE)
_KEY = re.compile(r"^[ \t]*([A-Za-z_]+)[ \t]*=", re.MULTILINE)
_HEADER = re.compile(r"^[ \t]*\[+[ \t]*([A-Za-z_]+)", re.MULTILINE)
_LARGEST = 1 << 20
"""Bytes; nobody writes so much by hand."""
_RUNNER = "_function_scoped_runner"
"""The fixture of pytest-asyncio (1.1 and later) that holds the loop of a test."""
_CAR = pytest.StashKey["Bench"]()
_MARKER = (
    "linkloss(vehicle=, situation=, inputs=, seed=, longest=): the car of the fixtures 'vehicle'"
    " and 'bench', what the driver is doing, and how much virtual time a test may take"
)


def pytest_addoption(parser: pytest.Parser) -> None:
    """The options ``--linkloss-*``, and their lasting form in pytest's own settings."""
    group = parser.getgroup("linkloss", "linkloss: nodes on a simulated CAN bus")
    group.addoption(
        "--linkloss-depth",
        choices=DEPTHS,
        help="check the vehicle files that are collected, so deeply: one test for each rule",
    )
    group.addoption("--linkloss-vehicle", metavar="FILE", help="vehicle file of the fixtures")
    parser.addini("linkloss_vehicle", "vehicle file of the fixtures, relative to the root folder")


def pytest_configure(config: pytest.Config) -> None:
    """Make the marker known, for runs with ``--strict-markers``."""
    config.addinivalue_line("markers", _MARKER)


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    """Scenario files always; vehicle files when a depth is given, or when they are named."""
    if file_path.suffix != ".toml":
        return None
    kind = kind_of(file_path)
    if kind == "scenario":
        from linkloss.pytest_plugin.checks import ScenarioFile

        return ScenarioFile.from_parent(parent, path=file_path)
    depth = parent.config.getoption("--linkloss-depth")
    if kind == "vehicle" and (depth or parent.session.isinitpath(file_path)):
        from linkloss.pytest_plugin.checks import VehicleFile

        return VehicleFile.from_parent(parent, path=file_path)
    return None


def kind_of(path: Path) -> Kind | None:
    """What a TOML file is, to all appearances; None for what is neither.

    A scenario has a title, steps or expectations, and names its vehicle or its length. A vehicle
    has a title, a bus and nodes. A file with a mistake in it is still a scenario, and says so as a
    test, while a settings file of another program is none of our business.
    """
    try:
        if path.stat().st_size > _LARGEST:
            return None
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return None
    return _kind(_names(text)) if "title" in text else None  # most files end here


def _kind(names: Collection[str]) -> Kind | None:
    if "title" not in names:
        return None
    if "bus" in names and "nodes" in names:
        return "vehicle"
    told = "steps" in names or "expect" in names
    return "scenario" if told and ("vehicle" in names or "lasts" in names) else None


def _names(text: str) -> Collection[str]:
    """The keys and tables at the top of a file, as well as they can be made out in a torn one."""
    import tomllib

    try:
        return tomllib.loads(text).keys()
    except tomllib.TOMLDecodeError:
        first = _TABLE.search(text)
        head = text if first is None else text[: first.start()]
        return {*_KEY.findall(head), *_HEADER.findall(text)}


@pytest.hookimpl(tryfirst=True)
def pytest_runtestloop(session: pytest.Session) -> None:
    """No program under test turns the run green by ending it."""
    if any(_may_have_a_car(item) for item in session.items):
        from linkloss.pytest_plugin.checks import watch

        watch(session)


def _may_have_a_car(item: pytest.Item) -> bool:
    has_fixture = "bench" in getattr(item, "fixturenames", ())
    return has_fixture or item.get_closest_marker("linkloss") is not None


@pytest.fixture
def virtual_time() -> Iterator[VirtualTime]:
    """Virtual time for a test: waiting costs nothing, the clock jumps to what comes next.

    An ``async def`` test that takes this fixture runs on a virtual event loop: ``asyncio.sleep``,
    ``asyncio.timeout`` and ``await virtual_time.after("2 s")`` return at once.
    """
    from linkloss.pytest_plugin.car import VirtualTime

    time = VirtualTime()
    try:
        yield time
    finally:
        time.close()


@pytest.fixture
def vehicle(request: pytest.FixtureRequest) -> Vehicle:
    """The vehicle that the test is about.

    Named by the marker ``linkloss(vehicle=...)``, by ``--linkloss-vehicle`` or by the setting
    ``linkloss_vehicle``; otherwise the nearest ``vehicle.toml`` in the folder of the test or above.
    """
    from linkloss.pytest_plugin.car import vehicle_of

    return vehicle_of(request)


@pytest.fixture
def bench(
    request: pytest.FixtureRequest, vehicle: Vehicle, virtual_time: VirtualTime
) -> Iterator[Bench]:
    """The car on the bench, just powered up: set inputs, break things, look at loads.

    ``await bench.after("2 s")`` in an ``async def`` test, ``bench.run("2 s")`` in a plain one.
    """
    from linkloss.pytest_plugin.car import bench_of

    car = bench_of(request, vehicle, virtual_time)
    request.node.stash[_CAR] = car
    try:
        yield car
    finally:
        car.close()


@pytest.hookimpl(wrapper=True)
def pytest_fixture_setup(
    fixturedef: pytest.FixtureDef[Any], request: pytest.FixtureRequest
) -> Generator[None, object, object]:
    """Where pytest-asyncio runs a test on virtual time, hand it the virtual loop, so that the
    test's asynchronous fixtures share it.
    """
    if fixturedef.argname != _RUNNER or "virtual_time" not in request.fixturenames:
        return (yield)
    time: VirtualTime = request.getfixturevalue("virtual_time")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fixturedef, "func", lambda **_: time.runner)
        return (yield)


@pytest.hookimpl(tryfirst=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> bool | None:
    """Run an ``async def`` test on virtual time that no other plug-in has taken on."""
    __tracebackhide__ = True
    names = pyfuncitem.fixturenames
    if "virtual_time" not in names or not inspect.iscoroutinefunction(pyfuncitem.obj):
        return None
    arguments = {name: pyfuncitem.funcargs[name] for name in pyfuncitem._fixtureinfo.argnames}
    time: VirtualTime = pyfuncitem.funcargs["virtual_time"]  # type: ignore[assignment]
    time.runner.run(pyfuncitem.obj(**arguments))
    return True


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """A failed test with a car shows what happened to the car."""
    report = yield
    car = item.stash.get(_CAR, None)
    if car is not None and call.when == "call" and report.failed:
        report.sections.append(("what happened on the bench", car.story()))
    return report
