"""A vehicle as text, so that a test can change one word of it and look at what is said."""

from __future__ import annotations

from pathlib import Path

from linkloss.problem import BadInput
from linkloss.vehicle.loading import Vehicle, load_vehicle

DBC = """VERSION ""

NS_ :

BS_:

BU_: dash rear DASH

BO_ 256 LampRequest: 2 dash
 SG_ Tail : 0|1@1+ (1,0) [0|1] "" rear
 SG_ Stop : 1|1@1+ (1,0) [0|1] "" rear

BO_ 257 Slow: 1 dash
 SG_ Never : 0|1@1+ (1,0) [0|1] "" rear

BO_ 258 Foreign: 1 DASH
 SG_ Anything : 0|1@1+ (1,0) [0|1] "" rear

BO_ 512 DashStatus: 1 dash
 SG_ RearLost : 0|1@1+ (1,0) [0|1] "" rear

BO_ 513 RearStatus: 1 rear
 SG_ Alive : 0|1@1+ (1,0) [0|1] "" dash

BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 256 50;
BA_ "GenMsgCycleTime" BO_ 258 50;
BA_ "GenMsgCycleTime" BO_ 512 100;
BA_ "GenMsgCycleTime" BO_ 513 100;
"""

PROGRAMS = """from linkloss_nodes import Node


class Dash(Node):
    pass


class Rear(Node):
    pass
"""

VEHICLE = """title = "Written"
dbc = "written.dbc"

[bus]
bit_rate = "250 kbit/s"
cable = ["dash", "rear"]

[nodes.dash]
python = "programs.py:Dash"
boot = "60 ms"
boots_in = "20 ms"
status = "DashStatus"

[nodes.rear]
python = "programs.py:Rear"
boot = "60 ms"
watchdog = "200 ms"
status = "RearStatus"

[inputs.lights]
wired_to = ["dash"]
positions = ["off", "position", "dipped"]

[inputs.brake]
wired_to = ["rear"]
positions = ["released", "pressed"]
open_reads = "pressed"

[inputs.speed]
wired_to = ["dash"]
range = [0, 200]
unit = "km/h"

[loads.tail]
node = "rear"
request = "LampRequest.Tail"
stale_after = "250 ms"
on_stale = "hold"
on_reset = "on"

[loads.stop]
node = "rear"
output = "stop_lamp"
local = "brake == pressed"
never = [{ state = "on", when = "speed > 150", within = "1 s" }]

[requests."LampRequest.Tail"]
follows = "lights in [position, dipped]"

[notices.rear_lost]
lost = "rear"
signal = "DashStatus.RearLost"
within = "600 ms"

[situations.night]
inputs = { speed = 30 }
lasts = "2 s"

[[situations.night.actions]]
at = "200 ms"
set = { lights = "dipped" }

[[situations.night.actions]]
at = "1 s"
set = { lights = "off", speed = 0 }
"""


class WrittenCar:
    """The files in a folder of their own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.path = folder / "vehicle.toml"
        self.write("written.dbc", DBC)
        self.write("programs.py", PROGRAMS)
        self.write("vehicle.toml", VEHICLE)

    def write(self, name: str, text: str) -> None:
        (self.folder / name).write_text(text, encoding="utf-8")

    def change(self, old: str, new: str, name: str = "vehicle.toml") -> WrittenCar:
        text = (self.folder / name).read_text(encoding="utf-8")
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {name}"
        self.write(name, text.replace(old, new))
        return self

    def load(self) -> Vehicle:
        return load_vehicle(self.path)

    def problems(self) -> list[str]:
        """What is wrong, each as ``line: place: text``."""
        try:
            self.load()
        except BadInput as error:
            found = error.problems
        else:
            return []
        assert all(Path(problem.file).parent == self.folder for problem in found)
        return [str(problem).removeprefix(f"{self.path}:") for problem in found]
