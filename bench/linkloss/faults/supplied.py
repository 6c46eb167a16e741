"""What the faults of the supply have in common: profiles that stand in its place."""

from __future__ import annotations

from dataclasses import replace

from linkloss.faults.base import Undo
from linkloss.faults.rig import Rig
from linkloss.model.loading import Vehicle
from linkloss.power.profiles import PROFILES, Profile

STIFF_OHM = 0.01


def supply_problem(vehicle: Vehicle) -> str:
    """The text for a vehicle that says nothing of its supply; empty when it does."""
    if vehicle.supply is None:
        return "the vehicle has no table 'supply': it runs on an ideal one"
    return ""


def follow(rig: Rig, profile: str) -> Undo:
    """A named profile stands in place of battery and alternator until this is undone.

    It is a stiff source, whatever resistance the standard gives it: that one is meant for a single
    device on a bench, and here the whole car hangs on it.
    """
    return stand_in(rig, PROFILES[profile]())


def stand_in(rig: Rig, profile: Profile) -> Undo:
    """The same with a profile that has no name."""
    assert rig.power is not None, "the vehicle has no supply; problem() says so"
    return rig.power.follow(replace(profile, ohm=STIFF_OHM))
