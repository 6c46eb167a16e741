"""The little car of the session's tests serves here too."""

import sys
from pathlib import Path

import pytest

pytest.importorskip("greenlet", reason="scripts need the extra 'firmware' (greenlet)")
sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1] / "session")]
