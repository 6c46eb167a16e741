"""A car with a node between two messages: it passes on the engine's speed in another unit.

``ecu`` sends EngineData with counter and checksum, ``gate`` EngineView. Each class of
``relay_programs.py`` below ``Gate`` is a gateway that goes wrong in one way, or a right one that
works differently.
"""

from __future__ import annotations

from pathlib import Path

from linkloss.problem import BadInput
from linkloss.vehicle.loading import Vehicle, load_vehicle

DBC = """VERSION ""

NS_ :

BS_:

BU_: ecu gate lamp

BO_ 256 EngineData: 5 ecu
 SG_ Checksum : 0|8@1+ (1,0) [0|255] "" gate
 SG_ Counter : 8|4@1+ (1,0) [0|15] "" gate
 SG_ Gear : 12|2@1+ (1,0) [0|3] "" gate
 SG_ Speed : 16|16@1+ (1,0) [0|13107] "rpm" gate
 SG_ Warm : 32|1@1+ (1,0) [0|1] "" gate

BO_ 512 EngineView: 5 gate
 SG_ Checksum : 0|8@1+ (1,0) [0|255] "" lamp
 SG_ Counter : 8|4@1+ (1,0) [0|15] "" lamp
 SG_ Gear : 12|3@1+ (1,0) [0|7] "" lamp
 SG_ Revs : 23|16@0+ (0.1,0) [0|6553.5] "1/s" lamp

BO_ 640 GateStatus: 1 gate
 SG_ Alive : 0|1@1+ (1,0) [0|1] "" ecu

BO_ 641 LampStatus: 1 lamp
 SG_ Lost : 0|1@1+ (1,0) [0|1] "" ecu

BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_ SG_ "LinkRole" ENUM "payload","counter","checksum";
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_DEF_DEF_ "LinkRole" "payload";
BA_ "GenMsgCycleTime" BO_ 256 50;
BA_ "GenMsgCycleTime" BO_ 512 100;
BA_ "GenMsgCycleTime" BO_ 640 100;
BA_ "GenMsgCycleTime" BO_ 641 100;
BA_ "LinkRole" SG_ 256 Counter 1;
BA_ "LinkRole" SG_ 256 Checksum 2;
BA_ "LinkRole" SG_ 512 Counter 1;
BA_ "LinkRole" SG_ 512 Checksum 2;
VAL_ 256 Gear 1 "Low" 2 "High";
"""

VEHICLE = """title = "Relay"
dbc = "car.dbc"

[bus]
bit_rate = "250 kbit/s"
cable = ["ecu", "gate", "lamp"]

[nodes.ecu]
python = "programs.py:Ecu"
boot = "100 ms"
watchdog = "250 ms"
status = "EngineData"

[nodes.gate]
python = "programs.py:Gate"
boot = "100 ms"
watchdog = "250 ms"
status = "GateStatus"

[messages.EngineView]
min_gap = "20 ms"

[nodes.lamp]
python = "programs.py:Lamp"
boot = "100 ms"
watchdog = "250 ms"
status = "LampStatus"

[inputs.throttle]
wired_to = ["ecu"]
positions = ["idle", "middle", "full"]

[loads.shift_light]
node = "lamp"
request = "EngineView.Revs > 1000 and EngineView.Revs < 5000"
stale_after = "400 ms"
on_stale = "off"
on_reset = "off"

[routes.engine]
from = "EngineData"
to = "EngineView"
latency = "120 ms"
stale_after = "300 ms"
on_stale = "not available"

[routes.engine.signals]
Revs = { from = "Speed", scale = 0.25, unit = "1/s", when_stale = 6553.5 }
Gear = { from = "Gear", values = { Low = 5, High = 6 }, when_stale = 7 }

[situations.drive]
lasts = "3 s"
inputs = { throttle = "idle" }
actions = [
    { at = "1 s", set = { throttle = "full" } },
    { at = "2 s", set = { throttle = "middle" } },
]
"""

PROGRAMS = Path(__file__).with_name("relay_programs.py")


class RelayCar:
    """The files of such a car, in a folder of their own, to be changed before they are loaded."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "vehicle.toml"
        self.path.write_text(VEHICLE, encoding="utf-8")
        (folder / "car.dbc").write_text(DBC, encoding="utf-8")
        (folder / "programs.py").write_bytes(PROGRAMS.read_bytes())

    def change(self, old: str, new: str, name: str = "vehicle.toml") -> RelayCar:
        """Replace a text that stands in one of the files."""
        path = self.path.with_name(name)
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1), encoding="utf-8")
        return self

    def stops(self) -> RelayCar:
        """The same with a route to a message that stops with its source, which is as slow."""
        for signal in ("6553.5", "7"):
            self.change(f", when_stale = {signal}", "")
        self.change('on_stale = "not available"', 'on_stale = "stop"')
        self.change('latency = "120 ms"', 'latency = "40 ms"')
        return self.change(
            '"GenMsgCycleTime" BO_ 512 100', '"GenMsgCycleTime" BO_ 512 50', "car.dbc"
        )

    def give(self, program: str) -> RelayCar:
        """Another program for the node between the two messages."""
        return self.change("programs.py:Gate", f"programs.py:{program}")

    def load(self) -> Vehicle:
        """The car; raises BadInput."""
        return load_vehicle(self.path)

    def problems(self) -> list[str]:
        """What is wrong with it, one text for each place."""
        try:
            load_vehicle(self.path, programs=False)
        except BadInput as error:
            return [f"{each.where}: {each.text}" for each in error.problems]
        return []
