"""Images need Linux, a compiler, cffi and three packages of the system; without them these tests
skip and say so.
"""

from __future__ import annotations

import shutil
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

HERE = Path(__file__).parent


def missing() -> str:
    """What images lack here; empty if nothing."""
    if sys.platform != "linux":
        return "images run on Linux only"
    needed = {
        "libsimavr-dev": Path("/usr/include/simavr/sim_avr.h").is_file(),
        "gcc-avr": shutil.which("avr-gcc"),
        "avr-libc": Path("/usr/lib/avr/include/avr/io.h").is_file(),
        "arduino-core-avr": Path("/usr/share/arduino/hardware/arduino/avr").is_dir(),
        "gcc": shutil.which("cc"),
        "g++": shutil.which("c++"),
    }
    packages = [package for package, there in needed.items() if not there]
    if packages:
        return f"not installed: {', '.join(packages)}"
    return "" if find_spec("cffi") else "cffi is not installed"


def pytest_collection_modifyitems(items):
    """Skip what stands in this folder."""
    why = missing()
    for item in items:
        if why and item.path.is_relative_to(HERE):
            item.add_marker(pytest.mark.skip(reason=why))
