"""Where the bundled demo vehicle lies: inside an installed package, or beside it in a checkout."""

from __future__ import annotations

from pathlib import Path

_PLACE = Path("scenarios") / "wren" / "vehicle.toml"


def demo_vehicle() -> Path:
    """The file of the bundled vehicle, Wren. Raises BadInput when the installation lacks it."""
    package = Path(__file__).resolve().parent
    places = (package / "data" / _PLACE, package.parent / _PLACE)
    for place in places:
        if place.is_file():
            return place
    from bench.model.problem import BadInput  # noqa: PLC0415 - only when there is one to report

    raise BadInput.one(places[0], "", "the bundled demo vehicle is missing; name a vehicle file")
