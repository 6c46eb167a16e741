"""Where faults can be dropped on the car from above."""

from __future__ import annotations

from typing import get_args

import pytest
from live_lab import WREN, fault

from linkloss.faults.base import Group
from linkloss.live.view import offers

PARTS = {"between", "node", "beside", "receiver", "input", "load", "message"}
"""Parameters of a fault that name a part of the car; one without any acts on all of the car."""
OFFERS = {offer.fault: offer for offer in offers(WREN)}


@pytest.mark.parametrize(
    ("kind", "parameters", "places"),
    [
        ("cut", {"between": ["gauge", "rear"]}, {("gap", "gauge|rear")}),
        ("unplug", {"node": "rear"}, {("node", "rear")}),
        ("stuck", {"input": "lights"}, {("input", "lights")}),
        (
            "drop",
            {"message": "LampRequest", "receiver": "rear"},
            {("message", "LampRequest"), ("node", "rear")},
        ),
    ],
)
def test_a_fault_goes_where_it_acts(kind, parameters, places):
    assert set(OFFERS[fault(kind, **parameters)].places) == places


def test_all_that_a_check_tries_is_offered_and_has_its_place():
    assert len(OFFERS) > 100
    assert [offer.number for offer in OFFERS.values()] == list(range(len(OFFERS)))
    assert {offer.fault.group for offer in OFFERS.values()} == set(get_args(Group))
    for offer in OFFERS.values():
        parts = {name for name, value in offer.fault if name in PARTS and value is not None}
        assert bool(offer.places) == bool(parts), offer
    nowhere = {offer.fault.kind for offer in OFFERS.values() if not offer.places}
    assert nowhere == {"noise", "unterminated", "alternator_surge", "battery_off", "brown_out"}
