"""``linkloss feel``: what the I/O board feels of a node on the desk, while wires are soldered."""

from __future__ import annotations

from pathlib import Path

from linkloss.cli.common import console_beside, duration_ns, load


def feel(vehicle: Path, node: str, /, *, io: str, lasts: str | None = None) -> int:
    """Show what the I/O board feels of a node on the desk, change by change.

    For the time of soldering: nothing is driven, no relay moves, and nothing is judged. Reading the
    vehicle file imports its programs in Python: open only files that you trust.

    Parameters
    ----------
    vehicle
        The vehicle file, with a table [io.NODE].
    node
        The node whose loads are felt.
    io
        The serial line of the I/O board, such as /dev/ttyUSB0.
    lasts
        End after this time, such as "60 s". Default: with Ctrl-C.
    """
    lasts_ns = duration_ns("--lasts", lasts)
    from linkloss.desk.board_link import BoardLink
    from linkloss.desk.watching_lines import watch_lines
    from linkloss.desk.wired_node import WiredNode, ensure_wired
    from linkloss.report.screen import bullet
    from linkloss.sizing.desk_wires import CAUTIONS

    loaded = load(vehicle)
    ensure_wired(loaded, node)
    console = console_beside()
    for text in CAUTIONS:
        bullet(console, text, style="bold")
    with BoardLink(io) as link:
        wired = WiredNode(loaded, node, link)
        try:
            for text in watch_lines(wired, lasts_ns):
                console.print(text, soft_wrap=True, markup=False, highlight=False)
        except KeyboardInterrupt:
            console.print("ended by hand")
    return 0
