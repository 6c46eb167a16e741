"""Why a firmware cannot be used."""

from __future__ import annotations


class BuildError(Exception):
    """A firmware that cannot be built; the text is for the user."""
