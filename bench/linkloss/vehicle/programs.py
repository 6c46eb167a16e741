"""The program of a node, found and prepared: in Python, as a script, or in C.

A Python program is a class, ``file.py:Class`` beside the vehicle or ``package.module:Class``. A
script is a plain python-can program, compiled before anything runs. For C and C++ the vehicle file
also describes the node's pins and processor. The bench reaches node code only through here.
"""

from __future__ import annotations

import importlib
import importlib.util
import inspect
import sys
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from functools import cached_property
from importlib.util import find_spec
from pathlib import Path
from types import CodeType, ModuleType
from typing import TYPE_CHECKING, Any

from linkloss.firmware.answers import InputPin, OutputPin, SensePin, Wiring
from linkloss.firmware.build import BuildOptions, Sources
from linkloss.firmware.guard import install, runs_programs
from linkloss.problem import nearest
from linkloss.vehicle.images import (
    SUPPLY,
    chip_of,
    clock_of,
    image_problem,
    no_channel,
    pin_of,
    pin_problem,
    problems_of_image,
    spi_can,
)
from linkloss.vehicle.tables import BusTable, PinTable, VehicleFile

if TYPE_CHECKING:
    from linkloss.vehicle.tables import InputTable, NodeTable, SenseTable


_PREFIX = "linkloss_node_"


class ProgramError(Exception):
    """A node's program that cannot be used; the text is for the user."""


def load_program(reference: str, folder: Path) -> Callable[[Any], Any]:
    """The node class that ``reference`` names. Raises ProgramError."""
    install()
    place, colon, name = reference.rpartition(":")
    if not colon or not place or not name:
        raise ProgramError(f"got '{reference}'; expected 'file.py:Class' or 'package.module:Class'")
    module = (
        _from_file((folder / place).resolve()) if place.endswith(".py") else _from_package(place)
    )
    found = getattr(module, name, None)
    if not inspect.isclass(found):
        classes = [key for key, value in vars(module).items() if inspect.isclass(value)]
        raise ProgramError(f"'{place}' has no class '{name}'{nearest(name, classes)}")
    if not (hasattr(found, "start") or hasattr(found, "run")):
        raise ProgramError(f"'{reference}' is no node: it has neither 'start' nor 'run'")
    return found


@runs_programs
def _from_file(path: Path) -> ModuleType:
    if not path.is_file():
        raise ProgramError(f"there is no file '{path}'")
    name = f"{_PREFIX}{path.stem}_{abs(hash_text(str(path))):x}"
    if name in sys.modules:
        return sys.modules[name]
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # dataclasses look their module up while it is being imported
    sys.path.insert(0, str(path.parent))  # a node may be written in several files of one folder
    try:
        spec.loader.exec_module(module)
    except BaseException as error:  # noqa: BLE001 - a file may even try to exit
        del sys.modules[name]
        raise ProgramError(_import_text(path.name, error, str(path))) from None
    finally:
        with suppress(ValueError):  # it may have removed the entry itself
            sys.path.remove(str(path.parent))
    return module


@runs_programs
def program_from(program: Callable[[Any], Any], code: CodeType) -> Callable[[Any], Any]:
    """The node class of the same name in other code for its file. The module that others see stays
    the one that there was. Raises ProgramError.
    """
    assert inspect.isclass(program), "asked for programs in Python only"
    name, path = program.__module__, program_file(program)
    before = sys.modules[name]
    module = ModuleType(name)
    module.__dict__.update(__file__=str(path), __package__=before.__package__)
    sys.modules[name] = module  # dataclasses look their module up while it is being run
    try:
        exec(code, module.__dict__)  # noqa: S102 - running it is the purpose of a program
        found = getattr(module, program.__name__)
    except BaseException as error:  # noqa: BLE001 - a file may even try to exit
        raise ProgramError(_import_text(str(path), error, str(path))) from None
    finally:
        sys.modules[name] = before
    if not inspect.isclass(found):
        raise ProgramError(f"'{path}' has no class '{program.__name__}'")
    return found


class Unread:
    """A program that was found, and neither imported nor loaded: nothing of it has run. ``kept``:
    whether it is one of the sources of its folder. Calling it is a mistake of the bench.
    """

    def __init__(self, find: Callable[[], Path], *, kept: bool) -> None:
        self._find = find
        self.kept = kept

    @cached_property
    def path(self) -> Path:
        """Its file: the source or, for a program in C, what is built from all sources."""
        return self._find()

    def __call__(self, board: Any) -> Any:
        """Refuse to run."""
        raise RuntimeError(f"{self.path} was not read, and cannot run")


def unread_program(reference: str, folder: Path) -> Unread:
    """The program that ``reference`` names, as :func:`load_program` would import it. Raises
    ProgramError for a file that is not there.
    """
    place = reference.rpartition(":")[0]
    path = (folder / place).resolve() if place.endswith(".py") else _file_of(place)
    if path is None or not path.is_file():
        raise ProgramError(f"there is no file '{path or place}'")
    return Unread(lambda: path, kept=True)


def _file_of(module: str) -> Path | None:
    """The file of a module, without importing its package, which would run it."""
    top, *inner = module.split(".")
    spec = find_spec(top)
    if spec is None or not inner:
        return None if spec is None or spec.origin is None else Path(spec.origin)
    for folder in spec.submodule_search_locations or ():
        base = Path(folder).joinpath(*inner)
        for path in (base.with_suffix(".py"), base / "__init__.py"):
            if path.is_file():
                return path
    return None


def program_file(program: Callable[[Any], Any]) -> Path | None:
    """The file that holds a program, where it can be known: its source or, for a compiled one, what
    was built from all its sources.
    """
    made = getattr(program, "path", None)
    if isinstance(made, Path):
        return made
    source = inspect.getsourcefile(program)
    return None if source is None else Path(source)


def program_folders(programs: Iterable[Callable[[Any], Any]]) -> set[Path]:
    """The folders of programs' own files, where these can be known."""
    sources: list[str | Path | None] = []
    for program in programs:
        if isinstance(program, Unread):
            sources += [program.path] if program.kept else []
        elif inspect.isclass(program):
            sources.append(inspect.getsourcefile(program))
    return {Path(source).resolve().parent for source in sources if source is not None}


def named_files(node: NodeTable, folder: Path) -> list[Path]:
    """The files that a node's table names as its program; ``folder`` is the vehicle file's."""
    python = (node.python or "").rpartition(":")[0]
    names = [*node.c, node.script, node.image, python if python.endswith(".py") else None]
    return [(folder / name).resolve() for name in names if name is not None]


def own_files(program: Callable[[Any], Any]) -> list[Path]:
    """The files that are a program's alone, as far as is known; for one in C all that it was
    compiled from.
    """
    files: Callable[[], list[Path]] | None = getattr(program, "files", None)
    if files is not None and not inspect.isclass(program):
        return files()
    source = inspect.getsourcefile(program)
    return [] if source is None else [Path(source).resolve()]


def files_behind(program: Callable[[Any], Any]) -> set[Path]:
    """The files that can change what a program does: its own, and where these are in Python those
    beside them, which they may import.
    """
    own = own_files(program)
    folders = {path.parent for path in own if path.suffix == ".py"}
    return {*own, *(path for folder in folders for path in folder.glob("*.py"))}


def forget_programs(programs: Iterable[Callable[[Any], Any]]) -> None:
    """Have the files of programs, and what they import from their folders, read again."""
    own = [program for program in programs if program.__module__.startswith(_PREFIX)]
    folders = program_folders(own)
    for name, module in list(sys.modules.items()):
        source = getattr(module, "__file__", None)
        if source is not None and Path(source).resolve().parent in folders:
            del sys.modules[name]


def hash_text(text: str) -> int:
    """A number for a text that is the same in every process."""
    return int.from_bytes(text.encode(), "big") % (2**61 - 1)


@runs_programs
def _from_package(name: str) -> ModuleType:
    try:
        return importlib.import_module(name)
    except ModuleNotFoundError as error:
        if error.name and (name == error.name or name.startswith(error.name + ".")):
            text = f"there is no module '{name}'; for a file write 'file.py:Class'"
            raise ProgramError(text) from None
        raise ProgramError(_import_text(name, error, "")) from None
    except KeyboardInterrupt:
        raise
    except BaseException as error:  # noqa: BLE001 - a node's module may even try to exit
        raise ProgramError(_import_text(name, error, "")) from None


def _import_text(name: str, error: BaseException, path: str) -> str:
    if isinstance(error, SyntaxError):
        return f"importing '{name}' failed at line {error.lineno}: {error.msg}"
    frames = traceback.extract_tb(error.__traceback__)
    inside = [frame for frame in frames if not path or frame.filename == path]
    line = inside[-1].lineno if inside else 0
    at = f" at line {line}" if line else ""
    return f"importing '{name}' failed{at}: {type(error).__name__}: {error}"


def wiring(name: str, file: VehicleFile) -> Wiring:
    """A node's wiring from its tables, which must be consistent."""
    node = file.nodes[name]
    outputs: list[OutputPin] = []
    inputs: list[InputPin] = []
    for key, entries in node.pins.items():
        for entry in entries:
            if key in file.inputs and name in file.inputs[key].wired_to:
                inputs.append(_input_pin(key, entry, pin_of(node, entry.pin), file.inputs[key]))
            else:
                outputs.append(OutputPin(pin_of(node, entry.pin), key, entry.active == "low"))
    target = node.target
    return Wiring(
        outputs=tuple(outputs),
        inputs=tuple(inputs),
        senses=tuple(_sense_pin(node, key, entry) for key, entry in node.senses.items()),
        call_ns=target.call,
        clock_start_ns=target.clock_start,
        memory_bytes=target.memory,
        analog_bits=target.analog_bits,
    )


def _input_pin(name: str, entry: PinTable, pin: int, table: InputTable) -> InputPin:
    positions = entry.positions or (table.positions or ())[1:]
    span = table.range if table.positions is None else None
    return InputPin(pin, name, frozenset(positions), entry.active == "low", span)


def _sense_pin(node: NodeTable, key: str, entry: SenseTable) -> SensePin:
    output = None if key == SUPPLY else key
    return SensePin(pin_of(node, entry.pin), output, entry.volts or entry.amps or 1.0)


def pin_problems(name: str, file: VehicleFile) -> Iterator[tuple[tuple[str, ...], str]]:
    """What is wrong with a node's pins: (where below the node's table, text)."""
    node = file.nodes[name]
    outputs = {load.output or key: key for key, load in file.loads.items() if load.node == name}
    own_inputs = [key for key, table in file.inputs.items() if name in table.wired_to]
    used: dict[int, str] = {}
    yield from problems_of_image(node)
    if node.runs_image and image_problem(node):
        return  # without a chip there are no pins
    yield from _sense_problems(node, outputs)
    for key, entries in node.pins.items():
        if key not in outputs and key not in own_inputs:
            yield ("pins", key), _unknown_pin(name, key, [*own_inputs, *outputs])
            continue
        if key in outputs and key in own_inputs:
            text = f"node '{name}' has both an input and an output '{key}'; expected two names:"
            yield ("pins", key), f"{text} set 'output' of load '{outputs[key]}'"
            continue
        for entry in entries:
            wrong = pin_problem(node, entry.pin)
            if wrong:
                yield ("pins", key), wrong
                continue
            pin = pin_of(node, entry.pin)
            if pin in used:
                yield ("pins", key), f"pin {entry.pin} has two uses: '{used[pin]}' and '{key}'"
            used[pin] = key
            table = file.inputs[key] if key in own_inputs else None
            absent = no_channel(node, entry.pin) if table and table.positions is None else ""
            if absent:
                yield ("pins", key), absent
            yield from _position_problems(key, entry, table)
        if key in outputs and len(entries) > 1:
            yield ("pins", key), f"output '{key}' has {len(entries)} pins; expected one"
    yield from _missing_pins(node, outputs)


def _unknown_pin(node: str, key: str, known: list[str]) -> str:
    from linkloss.problem import unknown

    return unknown(f"input or output of node '{node}'", key, known)


def _position_problems(
    key: str, entry: PinTable, table: InputTable | None
) -> Iterator[tuple[tuple[str, ...], str]]:
    if entry.positions is None:
        return
    known = () if table is None else table.positions or ()
    for position in entry.positions:
        if position not in known:
            expected = f"expected one of: {', '.join(known)}" if known else "it is no switch"
            yield ("pins", key), f"'{key}' has no position '{position}'; {expected}"


def _sense_problems(
    node: NodeTable, outputs: Mapping[str, str]
) -> Iterator[tuple[tuple[str, ...], str]]:
    from linkloss.problem import unknown

    for key, entry in node.senses.items():
        place = ("senses", key)
        wrong = pin_problem(node, entry.pin)
        if not (node.c or node.image):
            yield place, "a pin that senses belongs to a program in C or an image"
        elif key != SUPPLY and key not in outputs:
            yield place, unknown("output to sense", key, [SUPPLY, *outputs])
        elif (entry.volts is None) is (key == SUPPLY) or (entry.amps is None) is (key != SUPPLY):
            one, other = ("volts", "amps") if key == SUPPLY else ("amps", "volts")
            yield place, f"'{key}' is sensed in {one}; expected '{one}' and no '{other}'"
        elif wrong or no_channel(node, entry.pin):
            yield place, wrong or no_channel(node, entry.pin)


def _missing_pins(
    node: NodeTable, outputs: Mapping[str, str]
) -> Iterator[tuple[tuple[str, ...], str]]:
    if not node.c and node.image is None:
        if node.pins and node.script is None:
            yield ("pins",), "pins belong to a program in C or a script; this node has neither"
        return
    for output, load in outputs.items():
        if output not in node.pins:
            yield ("pins",), f"output '{output}' (load '{load}') has no pin: nothing could drive it"


def _bus_of(name: str, file: VehicleFile) -> BusTable:
    """The bus of a node; any bus for a node in no cable, which is a mistake told elsewhere."""
    buses = (bus for bus in file.bus.values() if name in bus.cable)
    return next(buses, next(iter(file.bus.values())))


def _bus_definitions(name: str, file: VehicleFile) -> Iterator[str]:
    """What the controller models check a program's bit timing against."""
    bus = _bus_of(name, file)
    yield f"BOARD_BIT_RATE={bus.bit_rate}"
    least, most = (round(1000 * share) for share in bus.sample_point)
    yield f"BOARD_SAMPLE_LEAST={least}"
    yield f"BOARD_SAMPLE_MOST={most}"


def _chip_definitions(node: NodeTable) -> Iterator[str]:
    """What the model of an SPI CAN controller goes by."""
    if node.spi_can is not None:
        yield f"SPI_CAN_CS={node.spi_can.select}"
        yield f"SPI_CAN_CLOCK={node.spi_can.oscillator}"
        if node.spi_can.interrupt is not None:
            yield f"SPI_CAN_INT={node.spi_can.interrupt}"


def load_firmware(
    name: str,
    file: VehicleFile,
    folder: Path,
    options: BuildOptions | None,
    refused: Callable[[str], Exception],
) -> Any:
    """The program of a node, to be compiled once it is needed; ``refused(text)`` makes the error
    for one that cannot be. Raises ProgramError for what shows without that.
    """
    if sys.platform != "linux":
        raise ProgramError(f"a program in C needs Linux; this is {sys.platform}")
    if find_spec("cffi") is None:
        text = "a program in C needs the extra 'firmware': pip install 'linkloss[firmware]'"
        raise ProgramError(text)
    from linkloss.firmware.program import Firmware  # only if there is one

    node = file.nodes[name]
    for missing in (folder / each for each in node.c if not (folder / each).is_file()):
        raise ProgramError(f"there is no file '{missing}'")
    sources = Sources(
        folder=folder.resolve(),
        files=node.c,
        definitions=(*_bus_definitions(name, file), *_chip_definitions(node), *node.defines),
        includes=node.includes,
        std=node.std,
        long_bits=node.target.long_bits,
        signed_char=node.target.char == "signed",
    )
    return Firmware(sources, wiring(name, file), options, refused)


def load_image(
    name: str, file: VehicleFile, folder: Path, refused: Callable[[str], Exception]
) -> Any:
    """The program of a node whose image runs, to be read or compiled once it is needed;
    ``refused(text)`` makes the error for one that cannot be. Raises ProgramError for what shows
    without that.
    """
    if sys.platform != "linux":
        raise ProgramError(f"an image needs Linux; this is {sys.platform}")
    if find_spec("cffi") is None:
        raise ProgramError("an image needs the extra 'image': pip install 'linkloss[image]'")
    from linkloss.firmware.avr import AvrSources, missing  # only if there is one
    from linkloss.firmware.image import Around, Image

    node = file.nodes[name]
    if missing():
        raise ProgramError(missing())
    for absent in (path for path in named_files(node, folder) if not path.is_file()):
        raise ProgramError(f"there is no file '{absent}'")
    chip, clock_hz = chip_of(node), clock_of(node)
    around = Around(
        chip,
        clock_hz,
        wiring(name, file),
        spi_can(node, _bus_of(name, file)),
        watchdog_always=node.fuses is not None and node.fuses.watchdog_always,
    )
    if node.image is not None:
        return Image((folder / node.image).resolve(), around, refused)
    sources = AvrSources(
        folder=folder.resolve(),
        files=node.c,
        chip=chip,
        clock_hz=clock_hz,
        board=node.board,
        definitions=node.defines,
        includes=node.includes,
        std=node.std,
    )
    return Image(sources, around, refused)


def header_folders(file: VehicleFile, folder: Path) -> list[Path]:
    """The folders in which programs in C find their headers; ``folder`` is the vehicle file's."""
    nodes = [node for node in file.nodes.values() if node.c]
    beside = [(folder / source).parent for node in nodes for source in node.c]
    return [*beside, *(folder / include for node in nodes for include in node.includes)]


CALL_NS = 20_000
"""Processor time of one call to clock, bus or pins by default: the order of magnitude of a
python-can call on a small computer (from memory).
"""


def load_script(name: str, file: VehicleFile, folder: Path) -> Any:
    """The program of a node. Raises ProgramError."""
    try:
        from linkloss.firmware.script import Script, compiled  # the extra 'firmware'
    except ModuleNotFoundError as error:
        text = f"scripts need the package '{error.name}': pip install 'linkloss[firmware]'"
        raise ProgramError(text) from None
    node = file.nodes[name]
    assert node.script is not None, "asked for nodes with a script only"
    path = (folder / node.script).resolve()
    if not path.is_file():
        raise ProgramError(f"there is no file '{path}'")
    try:
        compiled(path)
    except SyntaxError as error:
        raise ProgramError(f"'{node.script}' line {error.lineno}: {error.msg}") from None
    except (OSError, ValueError) as error:
        raise ProgramError(f"'{node.script}' cannot be read: {error}") from None
    given = "call" in node.target.model_fields_set
    call_ns = node.target.call if given else CALL_NS
    points = _bus_of(name, file).sample_point
    return Script(path, wiring(name, file), call_ns, points, node.channel)
