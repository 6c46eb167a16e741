"""The interface is found as if linkloss were installed."""

from __future__ import annotations

import can.interfaces
import can.util
import pytest
from plugin_can_entry import entry_point


@pytest.fixture
def plugged_in(monkeypatch):
    module, _, name = entry_point().partition(":")
    valid = can.interfaces.VALID_INTERFACES | {"linkloss"}
    monkeypatch.setattr(can.util, "VALID_INTERFACES", valid)
    monkeypatch.setitem(can.interfaces.BACKENDS, "linkloss", (module, name))
