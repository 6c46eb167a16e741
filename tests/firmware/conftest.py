"""Programs in C need Linux, a compiler and cffi; without them these tests skip and say so."""

from __future__ import annotations

import shutil
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

HERE = Path(__file__).parent


def missing() -> str:
    """What programs in C lack here; empty if nothing."""
    if sys.platform != "linux":
        return "programs in C run on Linux only"
    tools = [tool for tool in ("cc", "c++", "gcov", "addr2line", "nm") if not shutil.which(tool)]
    if tools:
        return f"not installed: {', '.join(tools)} (Debian: gcc, g++, binutils)"
    return "" if find_spec("cffi") else "cffi is not installed"


def pytest_collection_modifyitems(items):
    """Skip what stands in this folder."""
    why = missing()
    for item in items:
        if why and item.path.is_relative_to(HERE):
            item.add_marker(pytest.mark.skip(reason=why))
