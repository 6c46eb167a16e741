"""Reading a DBC file, as a ratio to the parser alone on the same file, at sizes that double."""

from __future__ import annotations

from pathlib import Path

import pytest
from cantools.database import load_file

from linkloss.clock.wallclock import monotonic_seconds
from linkloss.vehicle.dbc import read_dbc

SIZES = (250, 500, 1_000, 2_000)
"""Messages; each has 4 signals and 4 lines of attributes."""
WANTED = 2.0


def written(path: Path, messages: int) -> Path:
    heads, rest = [], ['BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;']
    rest += ['BA_DEF_ SG_ "LinkRole" ENUM "payload","counter","checksum";']
    for number in range(messages):
        place = number | 1 << 31
        heads.append(f"BO_ {place} Message{number}: 8 XXX")
        for bit in range(0, 64, 16):
            signal = f"Signal{number}_{bit}"
            heads.append(f' SG_ {signal} : {bit}|16@1+ (0.1,0) [0|6553.5] "V" XXX')
            rest.append(f'CM_ SG_ {place} {signal} "A comment, as tools write them.";')
            rest.append(f'VAL_ {place} {signal} 0 "off" 1 "on" 65535 "unknown" ;')
        rest.append(f'BA_ "GenMsgCycleTime" BO_ {place} 100;')
        rest += [f'BA_ "LinkRole" SG_ {place} Signal{number}_{bit} 0;' for bit in (0, 16, 32)]
    path.write_text("\n".join(['VERSION ""', "BU_: XXX", *heads, *rest, ""]))
    return path


def seconds(action) -> float:
    begun = monotonic_seconds()
    action()
    return monotonic_seconds() - begun


def ratio(path: Path) -> float:
    """How many times as long as the parser alone, which checks nothing (``strict=False``)."""
    rounds = range(3)
    alone = min(seconds(lambda: load_file(path, strict=False)) for _ in rounds)
    return min(seconds(lambda: read_dbc(path)) for _ in rounds) / alone


@pytest.mark.parametrize("flawed", [False, True], ids=["right", "flawed"])
def test_reading_beside_the_parser_alone(benchmark, tmp_path, flawed):
    files = [written(tmp_path / f"{size}.dbc", size) for size in SIZES]
    for path in files if flawed else ():
        path.write_text(path.read_text().replace("_16 : 16|", "_16 : 8|"))
    assert bool(read_dbc(files[0]).flaws) == flawed
    ratios = [round(ratio(path), 2) for path in files]
    benchmark.pedantic(read_dbc, args=(files[-1],), rounds=1, iterations=1)
    benchmark.extra_info["ratios"] = ratios
    benchmark.extra_info["wanted"] = WANTED
    print(f"\n{SIZES} messages: {ratios} of the parser's time (wanted: {WANTED} at most)")
