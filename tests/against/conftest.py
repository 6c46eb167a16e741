"""Leaves out what another library cannot do on this Python."""

from __future__ import annotations

import sys

collect_ignore = []
if sys.version_info >= (3, 13):  # the parser of rtamt needs typing.io
    collect_ignore.append("test_temporal_logic.py")
