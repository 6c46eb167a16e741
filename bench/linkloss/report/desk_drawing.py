"""The wires of a node on the desk as a list on the screen and as a drawing (SVG): who is connected
to what.

    node                      parts                        board
    Tail lamp, left: plus  ---[22 kohm, 10 kohm]--------- in1
"""

from __future__ import annotations

from xml.sax.saxutils import escape

from rich.console import Console

from linkloss.report.screen import bullet, heading, plain_table
from linkloss.sizing.desk_wires import CAUTIONS, COIL, DeskWires

_ROW, _HEAD, _WIDTH, _BOX = 34, 76, 980, 260
_COLOURS = {"in": "#2a7f3f", "an": "#2a5f9e", "out": "#b06000", "rel": "#a02828"}
"""By the kind of line: felt, analogue, driven, pulled."""
_TEXT = 'font-family="sans-serif" font-size="12" fill="currentColor" stroke="none"'


def show_wires(console: Console, wires: DeskWires) -> None:
    """Show the wiring list, the cautions first."""
    heading(
        console, f"{wires.node} on the desk, {wires.volts:.0f} V: before anything is plugged in"
    )
    for text in CAUTIONS:
        bullet(console, text)
    heading(console, f"{wires.node} on the desk: wires to the I/O board")
    rows = ((wire.board_end, wire.node_end, wire.parts) for wire in wires.wires)
    console.print(plain_table(("board", "node", "in between"), rows, folds=2))
    for text, names in (
        ("Not felt", wires.not_felt),
        ("Not driven, at rest unless you move it", wires.not_driven),
    ):
        if names:
            bullet(console, f"{text}: {', '.join(names)}")


def wires_drawing(wires: DeskWires) -> str:
    """The drawing as SVG. It follows the light or dark ground that it is shown on."""
    height = _HEAD + _ROW * len(wires.wires) + 50
    board = _WIDTH - 130
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {height}" {_TEXT}>',
        f"<title>{escape(wires.node)} and its I/O board</title>",
        f'<text x="10" y="20" font-weight="bold">{escape(CAUTIONS[0])}</text>',
        f'<text x="10" y="38" font-weight="bold">{escape(CAUTIONS[4].partition(". ")[0])}</text>',
        _box(10, height, _BOX, f"node: {wires.node}"),
        _box(board, height, 120, "I/O board"),
    ]
    for place, wire in enumerate(wires.wires):
        y = _HEAD + _ROW * place + 20
        colour = _COLOURS[wire.board_end[:3].rstrip("0123456789")]
        between = wire.parts.partition(";")[0]
        parts += [
            f'<path d="M{10 + _BOX} {y}H{board}" stroke="{colour}" stroke-width="1.5"/>',
            f'<text x="16" y="{y + 4}">{escape(wire.node_end[:44])}</text>',
            f'<text x="{20 + _BOX}" y="{y - 5}" font-size="9">{escape(between)}</text>',
            f'<text x="{board + 8}" y="{y + 4}" font-weight="bold">{escape(wire.board_end)}</text>',
        ]
    below = f'<text x="10" y="{height - 6}" font-size="9">relays: {escape(COIL)}</text>'
    return "\n".join([*parts, below, "</svg>\n"])


def _box(x: int, height: int, width: int, title: str) -> str:
    return (
        f'<rect x="{x}" y="{_HEAD - 22}" width="{width}" height="{height - _HEAD}" rx="4"'
        f' fill="none" stroke="currentColor"/><text x="{x + 6}" y="{_HEAD - 8}"'
        f' font-weight="bold">{escape(title)}</text>'
    )
