"""What a result was made from, as a digest: to know later whether it still stands."""

from __future__ import annotations

from linkloss.campaign.order import content
from linkloss.model.loading import Vehicle


def content_now(vehicle: Vehicle) -> str | None:
    """The SHA-256 of the vehicle's file, its DBC and its programs, in hexadecimal, as they are
    now; None when one of them is not there any more.
    """
    try:
        return content(vehicle)
    except OSError:
        return None
