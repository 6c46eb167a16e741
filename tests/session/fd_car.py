"""The demo car on CAN FD: the same programs, the same demands, all messages CAN FD messages."""

from __future__ import annotations

import re
from pathlib import Path

from linkloss.vehicle.loading import Vehicle, load_vehicle

ROOT = Path(__file__).parents[2]
FORMATS = ",".join(f'"{name}"' for name in ("StandardCAN", "ExtendedCAN", *map(str, range(12))))
DEFINED = (
    f'BA_DEF_ BO_ "VFrameFormat" ENUM {FORMATS},"StandardCAN_FD","ExtendedCAN_FD";\n'
    'BA_DEF_DEF_ "VFrameFormat" "StandardCAN";\n'
)


def fd_car(folder: Path, *, classical: str = "") -> Vehicle:
    """The car in a folder of its own. The node ``classical`` keeps a controller, and messages of
    its own, of the older kind.
    """
    dbc = (ROOT / "dbc" / "wren.dbc").read_text(encoding="utf-8")
    sent = re.findall(r"^BO_ (\d+) \w+: \d+ (\w+)", dbc, re.MULTILINE)
    first = dbc.index("BA_DEF_ ")
    dbc = dbc[:first] + DEFINED + dbc[first:].rstrip() + "\n"
    for number, sender in sent:
        if sender != classical:
            dbc += f'BA_ "VFrameFormat" BO_ {number} 14;\n'
    (folder / "wren.dbc").write_text(dbc, encoding="utf-8")
    text = (ROOT / "scenarios" / "wren" / "vehicle.toml").read_text(encoding="utf-8")
    text = text.replace('"../../dbc/wren.dbc"', '"wren.dbc"')
    text = text.replace('"250 kbit/s"', '"250 kbit/s"\ndata_bit_rate = "2 Mbit/s"')
    for node in ("dash", "front", "rear", "engine", "gauge"):
        known = str(node != classical).lower()
        text = text.replace(f"\n[nodes.{node}]\n", f"\n[nodes.{node}]\nfd = {known}\n")
    (folder / "vehicle.toml").write_text(text, encoding="utf-8")
    return load_vehicle(folder / "vehicle.toml")
