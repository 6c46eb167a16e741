from __future__ import annotations

import pytest
from written_car import WrittenCar


@pytest.fixture
def car(tmp_path) -> WrittenCar:
    return WrittenCar(tmp_path)
