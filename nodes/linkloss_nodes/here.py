"""The board that a script runs on.

    from linkloss_nodes.here import board

    board.start_watchdog(200 * 1_000_000)
    board.write("tail_lamp", 1.0)

On the test bench every script finds its own board here, with the methods of
``linkloss_nodes.Board`` (but for timers and the bus: a script has ``time``, ``threading`` and
``can``). On a computer in the car, call :func:`use` once, before the script, with a board that
drives its pins.
"""

from __future__ import annotations

from typing import Any

from linkloss_nodes.api import Board

_board: Board | None = None


def use(board: Board) -> None:
    """Name the board that scripts in this process run on."""
    global _board  # noqa: PLW0603 - one process on a small computer has one board
    _board = board


def __getattr__(name: str) -> Any:
    if name != "board":
        raise AttributeError(f"module '{__name__}' has no attribute '{name}'")
    if _board is None:
        raise AttributeError(
            "no board was named for this computer; call linkloss_nodes.here.use(board)"
        )
    return _board
