"""Reading, describing and replaying a log, as ratios to python-can's own reader of the same file;
and the memory that it takes, which must not grow with the log.
"""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import can
import pytest

from linkloss.clock.wallclock import monotonic_seconds
from linkloss.logs.bare import replay_bare
from linkloss.logs.describe import describe
from linkloss.vehicle.dbc import read_dbc

ROUNDS = 3
FRAMES = 20_000
DBC = Path(__file__).parents[2] / "dbc" / "wren.dbc"


def written(path: Path, frames: int) -> Path:
    """A log of 30 messages of 8 bytes, all contents different, 1 ms apart."""
    lines = []
    for number in range(frames):
        data = (number * 0x9E3779B97F4A7C15 & (1 << 64) - 1).to_bytes(8, "big").hex()
        at_us = number * 1000
        stamp = f"{at_us // 1_000_000}.{at_us % 1_000_000:06d}"
        lines.append(f"({stamp}) can0 {0x100 + number % 30:03X}#{data} R\n")
    path.write_text("".join(lines))
    return path


@pytest.fixture(scope="module")
def log(tmp_path_factory) -> Path:
    return written(tmp_path_factory.mktemp("speed") / "drive.log", FRAMES)


def seconds(action) -> float:
    begun = monotonic_seconds()
    action()
    return monotonic_seconds() - begun


def share_of_reader(log: Path, action) -> float:
    """Frames per second of an action as a share of those of an empty loop over the reader."""
    reading, acting = [], []
    for _ in range(ROUNDS):
        reading.append(seconds(lambda: sum(1 for _ in can.LogReader(log))))
        acting.append(seconds(lambda: action(log)))
    return min(reading) / min(acting)


@pytest.mark.parametrize(
    ("name", "action", "wanted"),
    [
        ("replay to two listeners", lambda log: replay_bare(log, 500_000), 0.25),
        ("describe", describe, 0.5),
        ("describe with a DBC", lambda log: describe(log, database=read_dbc(DBC).database), 0.5),
    ],
    ids=["replay", "describe", "describe-dbc"],
)
def test_speed_beside_an_empty_loop_over_the_reader(benchmark, log, name, action, wanted):
    found = action(log)
    assert (found.shift.sent if name.startswith("replay") else found.frames) == FRAMES
    share = benchmark.pedantic(share_of_reader, args=(log, action), rounds=1, iterations=1)
    benchmark.extra_info["share"] = round(share, 3)
    benchmark.extra_info["wanted"] = wanted
    print(f"\n{name}: {share:.2f} of the reader's frames per second (wanted: {wanted})")


def peak_bytes(action, log: Path) -> int:
    action(log)  # what is made once, such as tables of headers
    tracemalloc.start()
    try:
        action(log)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize(
    "action", [lambda log: replay_bare(log, 500_000), describe], ids=["replay", "describe"]
)
def test_memory_does_not_grow_with_the_log(tmp_path, action):
    """Between one and three times the frames that are looked at together."""
    short = peak_bytes(action, written(tmp_path / "short.log", 17_000))
    long = peak_bytes(action, written(tmp_path / "long.log", 51_000))
    assert long < 1.1 * short + 100_000
