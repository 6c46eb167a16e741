"""What the table of a node says of its image: chip, board, pins and the SPI CAN controller."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from linkloss.firmware.avr import BOARDS, CHIPS, analog_pins, pin_number
from linkloss.problem import unknown

if TYPE_CHECKING:
    from linkloss.firmware.image import SpiCan
    from linkloss.vehicle.tables import BusTable, NodeTable

SUPPLY = "supply"
"""The key of the pin that senses the node's supply voltage."""


def chip_of(node: NodeTable) -> str:
    """The chip of a node whose image runs; its table must be consistent."""
    return node.chip if node.chip is not None else BOARDS[node.board or ""].chip


def clock_of(node: NodeTable) -> int:
    """Its oscillator, in Hz."""
    return CHIPS[chip_of(node)].clock_hz if node.clock is None else node.clock


def problems_of_image(node: NodeTable) -> Iterator[tuple[tuple[str, ...], str]]:
    """What is wrong with what a node's table says of its image: (where below the table, text)."""
    wrong = image_problem(node) if node.runs_image else ""
    if wrong:
        yield ("chip" if node.chip is not None and node.chip not in CHIPS else "board",), wrong
    if wrong or node.spi_can is None:
        return
    for key, pin in (("select", node.spi_can.select), ("interrupt", node.spi_can.interrupt)):
        wrong = "" if pin is None else pin_problem(node, pin)
        if wrong:
            yield ("spi_can", key), wrong


def image_problem(node: NodeTable) -> str:
    """What is wrong with chip and board of a node whose image runs; empty if nothing."""
    if node.chip is not None and node.chip not in CHIPS:
        return unknown("chip", node.chip, CHIPS)
    if node.board is not None and node.board not in BOARDS:
        return unknown("board", node.board, BOARDS)
    if node.chip is not None and node.board is not None and BOARDS[node.board].chip != node.chip:
        return f"board '{node.board}' has an {BOARDS[node.board].chip}, not an {node.chip}"
    return ""


def pin_problem(node: NodeTable, pin: int | str) -> str:
    """What is wrong with a pin of a node; empty if nothing."""
    if not node.runs_image:
        named = isinstance(pin, str)
        return f"'{pin}' is a pin of a chip; expected a number for this program" if named else ""
    if isinstance(pin, str):
        chip = chip_of(node)
        return "" if pin_number(chip, pin) is not None else f"an {chip} has no pin '{pin}'"
    if node.board is None:
        return f"a chip has no pin {pin}; expected one like 'PD4', or a 'board'"
    most = len(BOARDS[node.board].pins) - 1
    return "" if pin <= most else f"board '{node.board}' has no pin {pin}; expected 0 to {most}"


def no_channel(node: NodeTable, pin: int | str) -> str:
    """Why a pin cannot be read as an analogue value; empty if it can, or if it is wrong anyway."""
    if not node.runs_image or pin_problem(node, pin):
        return ""
    if pin_of(node, pin) in analog_pins(chip_of(node)):
        return ""
    channels = ", ".join(CHIPS[chip_of(node)].analog)
    return f"pin {pin} leads to no channel of the converter; expected one of: {channels}"


def pin_of(node: NodeTable, pin: int | str) -> int:
    """The number by which the bench knows a pin: for an image 8 x port + bit, else its own. The
    table must be consistent.
    """
    if not node.runs_image:
        return int(pin)
    name = pin if isinstance(pin, str) else BOARDS[node.board or ""].pins[pin]
    return pin_number(chip_of(node), name) or 0


def spi_can(node: NodeTable, bus: BusTable) -> SpiCan | None:
    """The controller on the SPI port of a node whose image runs, and what its bus asks of it."""
    from linkloss.firmware.image import SpiCan
    from linkloss.firmware.processor import WITHOUT

    table = node.spi_can
    if table is None:
        return None
    least, most = (round(1000 * share) for share in bus.sample_point)
    interrupt = WITHOUT if table.interrupt is None else pin_of(node, table.interrupt)
    return SpiCan(
        pin_of(node, table.select), interrupt, table.oscillator, bus.bit_rate, least, most
    )
