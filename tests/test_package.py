"""What an installation is made of: the wheel alone, without the checkout beside it."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

pytest.importorskip("hatchling", reason="a wheel needs hatchling: pip install '.[test]'")
ROOT = Path(__file__).parents[1]
SOURCES = ("bench", "nodes", "scenarios", "dbc", "README.md", "LICENSE", "pyproject.toml")


def run(folder: Path, package: Path, *words: str) -> str:
    """What a module prints that runs out of an unpacked wheel."""
    ran = subprocess.run(
        [sys.executable, "-m", *words],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(package), "COLUMNS": "80"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    return ran.stdout


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory) -> Path:
    """A wheel of a copy of the checkout, unpacked; the copy is gone."""
    copy = tmp_path_factory.mktemp("copy")
    for name in SOURCES:
        place = ROOT / name
        if place.is_dir():
            shutil.copytree(place, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(place, copy / name)
    built = tmp_path_factory.mktemp("built")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(built)],
        cwd=copy, check=True, capture_output=True,
    )  # fmt: skip
    shutil.rmtree(copy)
    (wheel,) = built.glob("*.whl")
    package = tmp_path_factory.mktemp("package")
    with zipfile.ZipFile(wheel) as file:
        file.extractall(package)
    return package


def test_the_wheel_holds_two_packages_and_what_they_need(unpacked):
    assert {path.name for path in unpacked.iterdir() if not path.name.endswith(".dist-info")} == {
        "linkloss",
        "linkloss_nodes",
    }
    data = unpacked / "linkloss" / "data"
    for place in ("scenarios/wren/vehicle.toml", "dbc/wren.dbc", "nodes/firmware/board.h"):
        assert (data / place).is_file(), place
    for place in ("one_lamp/rear.c", "nodes/power.c.jinja", "nodes/can_chip.h.jinja"):
        assert (unpacked / "linkloss" / "start" / place).is_file(), place


def test_the_wheel_alone_checks_the_demo_car_and_begins_a_car(unpacked, tmp_path):
    program = tmp_path / "where.py"
    program.write_text("import linkloss, linkloss_nodes\nprint(linkloss.__file__)\n")
    assert run(tmp_path, unpacked, "where").strip().startswith(str(unpacked))
    shown = run(tmp_path, unpacked, "linkloss.cli", "run", "--help")
    assert "Usage" in shown
    out = run(
        tmp_path, unpacked, "linkloss.cli", "run",
        str(unpacked / "linkloss" / "data" / "scenarios" / "wren" / "tail_cable_pulled.toml"),
    )  # fmt: skip
    assert "tail_left" in out
    run(tmp_path, unpacked, "linkloss.cli", "new", "my_car")
    assert (tmp_path / "my_car" / "vehicle.toml").is_file()
    assert "--terminal" in run(tmp_path, unpacked, "linkloss.cli", "live", "--help")
    told = run(tmp_path, unpacked, "pytest", "--co", "-q", "-p", "no:cacheprovider", "my_car")
    assert "test_car.py" in told


def test_a_folder_nodes_and_a_file_bench_beside_a_vehicle_shadow_nothing(tmp_path):
    """Nor do packages of a car's own with these names get in the way of ours."""
    for folder in ("scenarios", "dbc"):
        shutil.copytree(ROOT / folder, tmp_path / folder)
    car = tmp_path / "scenarios" / "wren"
    (car / "nodes").mkdir()
    (car / "nodes" / "__init__.py").write_text("raise RuntimeError('not this one')\n")
    (car / "bench.py").write_text("raise RuntimeError('nor this one')\n")
    ran = subprocess.run(
        [sys.executable, "-m", "linkloss.cli", "run", "tail_cable_pulled.toml"],
        cwd=car, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stdout + ran.stderr
