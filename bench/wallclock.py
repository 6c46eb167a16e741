"""The one door to the wall clock: how long a person waits. Nothing that is judged passes here."""

from __future__ import annotations

import time


def monotonic_seconds() -> float:
    """Seconds of real time since some fixed instant; never runs backwards."""
    return time.monotonic()  # noqa: TID251 - the one door


def wait_seconds(seconds: float) -> None:
    """Let real time pass: only to show something at the pace at which it happened."""
    time.sleep(seconds)  # noqa: TID251 - the one door
