"""A node whose program is a plain python-can script: found and compiled before anything runs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from linkloss.model.programs import ProgramError
from linkloss.model.target import wiring
from linkloss.model.vehicle import VehicleFile

CALL_NS = 20_000
"""Processor time of one call to clock, bus or pins, unless the vehicle says otherwise: the order of
magnitude of a python-can call on a small computer (from memory).
"""


def load_script(name: str, file: VehicleFile, folder: Path) -> Any:
    """The program of a node. Raises ProgramError."""
    try:
        from linkloss.scripts.gpio import PinBank  # noqa: PLC0415 - the extra 'firmware'
        from linkloss.scripts.importing import compiled  # noqa: PLC0415
        from linkloss.scripts.program import Script  # noqa: PLC0415
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
    return Script(path, PinBank(wiring(name, file)), call_ns, file.bus.sample_point)
