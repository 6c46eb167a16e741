from __future__ import annotations

import pytest
from two_bus_car import TwoBusCar


@pytest.fixture
def two_buses(tmp_path) -> TwoBusCar:
    return TwoBusCar(tmp_path)
