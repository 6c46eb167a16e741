"""Which vehicle a test is about, and what its car is doing when the test begins."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any, NoReturn

import pytest

from linkloss.model.loading import Vehicle, load_vehicle
from linkloss.model.problem import BadInput, unknown
from linkloss.pytest_plugin.car import Bench
from linkloss.pytest_plugin.scenarios import from_here
from linkloss.pytest_plugin.waiting import VirtualTime

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
