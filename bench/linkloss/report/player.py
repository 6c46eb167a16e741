"""Playing a run on the terminal, at a speed that eyes can follow."""

from __future__ import annotations

from collections.abc import Callable

from rich.console import Console
from rich.live import Live

from linkloss.campaign.result import RunResult
from linkloss.report.picture import Pictures
from linkloss.wallclock import monotonic_seconds, wait_seconds

PICTURES_PER_S = 20


def play(
    console: Console,
    result: RunResult,
    speed: float,
    *,
    now_s: Callable[[], float] = monotonic_seconds,
    wait_s: Callable[[float], None] = wait_seconds,
) -> bool:
    """Show the run from power-up to its end; ``speed`` 1 is real time, 0.1 a tenth of it.

    Pictures that come too late are left out, so that the speed is kept. False when whoever
    watches has seen enough and interrupts.
    """
    pictures = Pictures(result, console.width, console.height)
    end_ns = result.recording.end_ns
    with Live(console=console, auto_refresh=False, transient=True) as live:
        began_s = now_s()
        try:
            while True:
                at_ns = min(end_ns, int((now_s() - began_s) * speed * 1e9))
                live.update(pictures.at(at_ns), refresh=True)
                if at_ns >= end_ns:
                    return True
                left_s = (end_ns - at_ns) / 1e9 / speed
                wait_s(min(1 / PICTURES_PER_S, left_s))
        except KeyboardInterrupt:
            return False
