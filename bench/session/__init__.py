"""A vehicle on a clock and a wire: built, run through a scenario, recorded."""

from bench.session.session import Session, simulate

__all__ = ["Session", "simulate"]
