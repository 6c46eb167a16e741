"""Where shipped files lie, inside an installation or in a checkout."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent
_CHECKOUT = _PACKAGE.parents[1]


def shipped(place: str) -> Path:
    """A file or folder by its path in the checkout (``nodes/firmware``); it need not exist."""
    installed = _PACKAGE / "data" / place
    return installed if installed.exists() else _CHECKOUT / place


def demo_vehicle() -> Path:
    """The file of the bundled vehicle, Wren. Raises BadInput if the installation lacks it."""
    place = shipped("scenarios/wren/vehicle.toml")
    if place.is_file():
        return place
    from linkloss.problem import BadInput  # only if there is one to report

    raise BadInput.one(place, "", "the bundled demo vehicle is missing; name a vehicle file")
