"""A vehicle on a clock and a bus: built, run through a scenario, recorded."""

from linkloss.session.session import Session, simulate

__all__ = ["Session", "simulate"]
