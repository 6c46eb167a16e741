"""Sketches are compiled: without a compiler or the extra there is nothing to test."""

import shutil
import sys
from pathlib import Path

import pytest

pytest.importorskip("cffi", reason="sketches need the extra 'firmware' (cffi)")
if shutil.which("c++") is None:
    pytest.skip("sketches need a C++ compiler (apt install g++)", allow_module_level=True)
TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS / name) for name in ("sketch", "session", "scripts")]
