"""What a vehicle file says about a node whose program is C or C++: its pins and its processor."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from linkloss.firmware.build import BuildOptions, Sources, build
from linkloss.firmware.problem import BuildError
from linkloss.firmware.wiring import InputPin, OutputPin, Wiring
from linkloss.model.pins import PinTable

if TYPE_CHECKING:
    from linkloss.model.vehicle import InputTable, NodeTable, VehicleFile

def wiring(name: str, file: VehicleFile) -> Wiring:
    """A node's wiring from its tables, which are known to be consistent."""
    node = file.nodes[name]
    outputs: list[OutputPin] = []
    inputs: list[InputPin] = []
    for key, entries in node.pins.items():
        for entry in entries:
            if key in file.inputs and name in file.inputs[key].wired_to:
                inputs.append(_input_pin(key, entry, file.inputs[key]))
            else:
                outputs.append(OutputPin(entry.pin, key, entry.active == "low"))
    target = node.target
    return Wiring(
        outputs=tuple(outputs),
        inputs=tuple(inputs),
        call_ns=target.call,
        clock_start_ns=target.clock_start,
        memory_bytes=target.memory,
        analog_bits=target.analog_bits,
    )


def _input_pin(name: str, entry: PinTable, table: InputTable) -> InputPin:
    positions = entry.positions or (table.positions or ())[1:]
    span = table.range if table.positions is None else None
    return InputPin(entry.pin, name, frozenset(positions), entry.active == "low", span)


def pin_problems(name: str, file: VehicleFile) -> Iterator[tuple[tuple[str, ...], str]]:
    """What is wrong with a node's pins: (where below the node's table, text)."""
    node = file.nodes[name]
    outputs = {load.output or key: key for key, load in file.loads.items() if load.node == name}
    own_inputs = [key for key, table in file.inputs.items() if name in table.wired_to]
    used: dict[int, str] = {}
    for key, entries in node.pins.items():
        if key not in outputs and key not in own_inputs:
            yield ("pins", key), _unknown_pin(name, key, [*own_inputs, *outputs])
            continue
        if key in outputs and key in own_inputs:
            text = f"node '{name}' has both an input and an output '{key}'; expected two names:"
            yield ("pins", key), f"{text} set 'output' of load '{outputs[key]}'"
            continue
        for entry in entries:
            if entry.pin in used:
                text = f"pin {entry.pin} has two uses: '{used[entry.pin]}' and '{key}'"
                yield ("pins", key), text
            used[entry.pin] = key
            table = file.inputs[key] if key in own_inputs else None
            yield from _position_problems(key, entry, table)
        if key in outputs and len(entries) > 1:
            yield ("pins", key), f"output '{key}' has {len(entries)} pins; expected one"
    yield from _missing_pins(node, outputs)


def _unknown_pin(node: str, key: str, known: list[str]) -> str:
    from linkloss.model.problem import unknown  # noqa: PLC0415

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


def _missing_pins(
    node: NodeTable, outputs: Mapping[str, str]
) -> Iterator[tuple[tuple[str, ...], str]]:
    if not node.c:
        if node.pins and node.script is None:
            yield ("pins",), "pins belong to a program in C or a script; this node has neither"
        return
    for output, load in outputs.items():
        if output not in node.pins:
            yield ("pins",), f"output '{output}' (load '{load}') has no pin: nothing could drive it"


def _bus_definitions(file: VehicleFile) -> Iterator[str]:
    """What the models of controllers hold a program's bit timing against."""
    yield f"BOARD_BIT_RATE={file.bus.bit_rate}"
    least, most = (round(1000 * share) for share in file.bus.sample_point)
    yield f"BOARD_SAMPLE_LEAST={least}"
    yield f"BOARD_SAMPLE_MOST={most}"


def load_firmware(name: str, file: VehicleFile, folder: Path, options: BuildOptions | None) -> Any:
    """Build and load the program of a node. Raises BuildError."""
    from linkloss.firmware.program import Firmware  # noqa: PLC0415 - only when there is one

    if find_spec("cffi") is None:
        text = "a program in C needs the extra 'firmware': pip install 'linkloss[firmware]'"
        raise BuildError(text)

    node = file.nodes[name]
    sources = Sources(
        folder=folder.resolve(),
        files=node.c,
        definitions=(*_bus_definitions(file), *node.defines),
        includes=node.includes,
        std=node.std,
        long_bits=node.target.long_bits,
        signed_char=node.target.char == "signed",
    )
    firmware = Firmware(build(sources, options), wiring(name, file))
    if not firmware.has_program:
        raise BuildError(
            f"no program in {', '.join(node.c)}: neither setup() and loop() nor main()"
        )
    return firmware
