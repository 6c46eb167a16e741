"""A new car from a list of its nodes: ``dash,front=sketch,rear=c``.

The first node is the control node. It reads the switches, asks the others for what hangs on them,
and says which of them it has lost. The loads, one of each kind, are dealt out to the others. The
files are templates in ``start/nodes``: a pair of programs for each kind, one for a control node and
one for a power node.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

from cantools.database import Database, load_string
from cantools.database.can.c_source import camel_to_snake_case

from linkloss.cli.common import NewCar
from linkloss.firmware.pack import header_text
from linkloss.problem import BadInput, unknown

TEMPLATES = Path(__file__).parents[1] / "start" / "nodes"
KINDS = {"python": ".py", "script": ".py", "c": ".c", "sketch": ".ino", "image": ".ino"}
"""Each kind of program, and how its file ends."""
_TAKEN = {"can", "cantools", "linkloss", "linkloss_nodes", "test_car", *sys.stdlib_module_names}
"""Names that a Python program's file cannot have: the programs would import it in their place."""
FIRST_LOAD_PIN, FIRST_SWITCH_PIN = 3, 14
_AS_IMAGE = """target = "avr"                          # runs as it is flashed: see Makefile
board = "uno"
spi_can = { select = 10, interrupt = 2, oscillator = "16 MHz" }"""


@dataclass(frozen=True)
class Switch:
    """A switch of the driver: its positions, the one at rest first."""

    name: str
    positions: tuple[str, str]
    bounces: bool = True

    @property
    def constant(self) -> str:
        """Its name in C."""
        return self.name.upper()


@dataclass(frozen=True)
class Load:
    """A load and its answer to a lost link. ``signal`` asks for it; without one its switch is wired
    to its own node.
    """

    name: str
    switch: Switch
    signal: str
    why: str
    fuse: str
    electrical: tuple[str, ...]
    stale: str = "off"
    hold_ms: int = 0
    reset: bool = False
    flashes: bool = False
    node: str = ""
    pin: int = 0

    @property
    def field(self) -> str:
        """Its signal's name in C."""
        return camel_to_snake_case(self.signal)


def camel_name(name: str) -> str:
    """``rear_left`` -> ``RearLeft``."""
    return "".join(part[:1].upper() + part[1:] for part in name.split("_"))


@dataclass
class NewNode:
    """A node of the list."""

    name: str
    kind: str
    control: bool
    loads: list[Load] = field(default_factory=list)
    switches: list[Switch] = field(default_factory=list)

    @cached_property
    def camel(self) -> str:
        """Its name as the names of its messages begin."""
        return camel_name(self.name)

    @property
    def snake(self) -> str:
        """The beginning of its messages' names in C."""
        return camel_to_snake_case(f"{self.camel}Lost").removesuffix("_lost")

    @property
    def constant(self) -> str:
        """Its own name in C."""
        return f"{self.snake}_node".upper()

    @property
    def quoted(self) -> str:
        """Its name as TOML writes it."""
        return f'"{self.name}"'

    @property
    def python_name(self) -> str:
        """The beginning of its messages' names as Python writes it."""
        return f'"{self.camel}"'

    @property
    def status(self) -> str:
        """The message that is its heartbeat."""
        return "DriverRequest" if self.control else f"{self.camel}Status"

    @property
    def file(self) -> str:
        """The file of its program."""
        return self.name + KINDS[self.kind]

    @property
    def program(self) -> str:
        """The lines of the vehicle file that name its program."""
        if self.kind == "python":
            return f'python = "{self.file}:{self.camel}Node"'
        if self.kind == "script":
            return f'script = "{self.file}"\nchannel = "can0"'
        if self.kind == "image":
            return f'c = ["{self.file}"]\n{_AS_IMAGE}'
        return f'c = ["{self.file}"]'

    @property
    def pins(self) -> Mapping[str, int]:
        """Which pin leads where, for a program that knows pins by number."""
        if self.kind not in ("c", "sketch", "image"):
            return {}
        wired = enumerate((switch.name for switch in self.switches), start=FIRST_SWITCH_PIN)
        return {load.name: load.pin for load in self.loads} | {name: pin for pin, name in wired}


_SOLID = 'solid_state = { limit = "%g A", trip = "%g A" }'
_LEAD = 'lead = { size = "%g mm²", length = "2 m" }'


LOADS = (
    Load(
        "tail_lamp", Switch("lights", ("off", "on")), "TailLamp",
        "others must see the car", "3 A",
        ('kind = "filament"', 'watts = "5 W"', "count = 2", _LEAD % 0.75, _SOLID % (15, 5)),
        stale="on", reset=True,
    ),
    Load(
        "fuel_pump", Switch("ignition", ("off", "on")), "FuelPump",
        "time to leave the road, but none to empty the tank", "10 A",
        ('kind = "motor"', 'amps = "5 A"', 'start = "15 A"', _LEAD % 1.5, "relay = {}"),
        stale="hold", hold_ms=1000,
    ),
    Load(
        "indicator", Switch("indicator", ("off", "on")), "Indicator",
        "one that flashes on alone tells a lie", "5 A",
        ('kind = "filament"', 'watts = "21 W"', _LEAD % 0.75, _SOLID % (20, 5)),
        flashes=True,
    ),
    Load(
        "cooling_fan", Switch("coolant", ("cold", "hot"), bounces=False), "CoolingFan",
        "noise is cheaper than an engine", "30 A",
        ('kind = "motor"', 'amps = "14 A"', 'start = "50 A"', 'start_time = "200 ms"',
         'fuse_type = "maxi"', _LEAD % 4, "relay = {}"),
        stale="on",
    ),
    Load(
        "brake_lamp", Switch("brake_pedal", ("released", "pressed"), bounces=False), "",
        "its switch is wired to its own node: it needs no link", "5 A",
        ('kind = "filament"', 'watts = "21 W"', _LEAD % 0.75, _SOLID % (20, 5)),
    ),
    Load(
        "horn", Switch("horn_button", ("released", "pressed")), "Horn",
        "a horn that does not stop helps nobody", "10 A",
        ('kind = "solenoid"', 'amps = "5 A"', _LEAD % 1, "relay = {}"),
    ),
    Load(
        "window_heater", Switch("heater", ("off", "on")), "WindowHeater",
        "unasked it empties the battery", "20 A",
        ('kind = "heater"', 'amps = "12 A"', _LEAD % 2.5, "relay = {}"),
    ),
)  # fmt: skip
"""One load of each kind, in the order in which they are dealt out."""


def car_from_nodes(text: str) -> NewCar:
    """The car. Raises BadInput for a list that makes none."""
    nodes = list(_nodes(text))
    control, *power = nodes
    for number, load in enumerate(LOADS):
        node = power[number % len(power)]
        pin = FIRST_LOAD_PIN + len(node.loads)
        node.loads.append(replace(load, node=node.name, pin=pin))
        (control if load.signal else node).switches.append(load.switch)
    loads = [load for node in power for load in node.loads]
    words: dict[str, object] = dict(nodes=nodes, control=control, power=power, loads=loads)
    words |= dict(asked=[load for load in loads if load.signal])
    files = ["car.dbc", "vehicle.toml", "cable_pulled.toml", "test_car.py"]
    words |= dict(images=[node for node in nodes if node.kind == "image"])
    if any(node.kind in ("sketch", "image") for node in nodes):
        files.append("can_chip.h")
    if words["images"]:
        files.append("Makefile")
    made = {name: filled(TEMPLATES, name, words) for name in files}
    for node in nodes:
        role = "control" if node.control else "power"
        template = f"{role}_script.py" if node.kind == "script" else role + KINDS[node.kind]
        made[node.file] = filled(TEMPLATES, template, {**words, "node": node})
    if any(node.pins for node in nodes):
        database = load_string(made["car.dbc"], "dbc")
        assert isinstance(database, Database)
        made["car.h"] = header_text(database, "car.dbc", made["car.dbc"].encode())
    written = {name: text.encode() for name, text in made.items()}
    return NewCar(written, tuple(node.file for node in nodes), "cable_pulled.toml")


def filled(folder: Path, name: str, words: Mapping[str, object]) -> str:
    """A template of a folder, with its words filled in."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(  # noqa: S701 - programs, and no pages
        loader=FileSystemLoader(folder),
        undefined=StrictUndefined,
        variable_start_string="@{",
        variable_end_string="}",
        block_start_string="%[",
        block_end_string="]%",
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template(f"{name}.jinja").render(words)


def _nodes(text: str) -> Iterator[NewNode]:
    """The nodes of the list, each looked at by itself and beside those before it."""
    words = [word.strip() for word in text.split(",")]
    if not 2 <= len(words) <= 1 + len(LOADS):
        number = "one node" if len(words) == 1 else f"{len(words)} nodes"
        raise _refused(
            f"got {number}; expected a control node and 1 to {len(LOADS)} power nodes, such as"
            " 'dash,front,rear=c'"
        )
    others = {load.name for load in LOADS} | {load.switch.name for load in LOADS}
    others |= {f"{word.partition('=')[0].strip()}_lost" for word in words}
    seen: dict[str, str] = {}
    for place, word in enumerate(words):
        name, equals, kind = (part.strip() for part in word.partition("="))
        node = NewNode(name, kind if equals else "python", control=place == 0)
        _ensure_usable(node)
        if name in others:
            text = f"'{name}' is the name of a load, a switch or a notice of the car"
            raise _refused(f"{text}; expected another one for that node")
        alike = node.camel.casefold()
        if alike in seen:
            also = "twice" if seen[alike] == name else f"beside '{seen[alike]}'"
            raise _refused(f"got the node '{name}' {also}; expected names that differ")
        seen[alike] = name
        yield node


def _ensure_usable(node: NewNode) -> None:
    """Raises BadInput for a kind that there is not, and a name that files cannot have."""
    if node.kind not in KINDS:
        raise _refused(unknown("kind of program", node.kind, KINDS))
    if not re.fullmatch(r"[a-z][a-z0-9_]{0,19}", node.name):
        raise _refused(
            f"'{node.name}' is no name for a node; expected up to 20 small letters, digits and _,"
            " beginning with a letter"
        )
    if KINDS[node.kind] == ".py" and node.name in _TAKEN:
        text = f"'{node.name}' is the name of a Python module; expected another one for that node"
        raise _refused(text)


def _refused(text: str) -> BadInput:
    return BadInput.one("linkloss", "--nodes", text)
