"""Wren sends as its rules for messages and senders demand."""

from __future__ import annotations

import pytest
from sender_lab import broken, drive, wren

GARBLED = ("corrupt", {"message": "LampRequest"}, 700, 2700)


def test_wrens_own_way_back_from_bus_off_is_quiet_and_put_to_the_test():
    found = drive(wren(), "night_drive", GARBLED)
    assert not broken(found)
    assert found[("dash", "quiet recovery")].outcome.value == "kept"


@pytest.mark.parametrize("situation", [*wren().situations])
def test_wren_keeps_every_rule_of_messages_and_senders_without_a_fault(situation):
    found = drive(wren(), situation)
    assert not broken(found)
    unkept = [pair for pair, verdict in found.items() if verdict.outcome.value != "kept"]
    assert {rule for _, rule in unkept} <= {"sensor", "quiet recovery"}
