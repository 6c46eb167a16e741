"""Where shipped files lie, inside an installation or in a checkout, and where caches do."""

from __future__ import annotations

import os
import sys
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent
_CHECKOUT = _PACKAGE.parents[1]


def shipped(place: str) -> Path:
    """A file or folder by its path in the checkout (``nodes/firmware``); it need not exist."""
    installed = _PACKAGE / "data" / place
    return installed if installed.exists() else _CHECKOUT / place


def cache_folder(part: str) -> Path:
    """Where a part of the bench keeps what it can do without: below ``XDG_CACHE_HOME`` if that is
    set, else in the system's own place for caches. It need not exist.
    """
    home = Path.home()
    usual = {"darwin": home / "Library" / "Caches", "win32": home / "AppData" / "Local"}
    base = os.environ.get("XDG_CACHE_HOME") or usual.get(sys.platform, home / ".cache")
    return Path(base) / "linkloss" / part


def demo_vehicle() -> Path:
    """The file of the bundled vehicle, Wren. Raises BadInput if the installation lacks it."""
    place = shipped("scenarios/wren/vehicle.toml")
    if place.is_file():
        return place
    from linkloss.problem import BadInput  # only if there is one to report

    raise BadInput.one(place, "", "the bundled demo vehicle is missing; name a vehicle file")
