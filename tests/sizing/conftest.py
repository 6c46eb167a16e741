"""The electric car of the model's tests serves here too."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "vehicle"))
from electric_car import ElectricCar


@pytest.fixture
def car(tmp_path) -> ElectricCar:
    return ElectricCar(tmp_path)
