"""A program: Wren live at 500 kbit/s with a bus that is 60 % busy. Prints the address of its page,
serves until its standard input ends, then prints what it measured as JSON.
"""

from __future__ import annotations

import json
import os
import resource
import sys
import tempfile
import threading
from pathlib import Path

from linkloss.bus import Controller, Frame
from linkloss.clock.pace import Lateness
from linkloss.clock.wallclock import monotonic_seconds
from linkloss.live.driven import LiveSession
from linkloss.live.server import Site, bind
from linkloss.live.service import Running
from linkloss.shipped import demo_vehicle
from linkloss.vehicle.loading import load_vehicle

SHARE = float(os.environ.get("LINKLOSS_LIVE_SHARE", "0.6"))
SPEED = float(os.environ.get("LINKLOSS_LIVE_SPEED", "1"))
BIT_RATE = 500_000
MESSAGES = [Frame(0x300 + number, bytes(range(number, number + 8))) for number in range(40)]


def wren_at_500():
    folder = Path(tempfile.mkdtemp())
    text = demo_vehicle().read_text(encoding="utf-8").replace("250 kbit/s", "500 kbit/s")
    dbc = (demo_vehicle().parent / "../../dbc/wren.dbc").resolve().as_posix()
    path = folder / "vehicle.toml"
    path.write_text(text.replace("../../dbc/wren.dbc", dbc), encoding="utf-8")
    return load_vehicle(path)


class Busy:
    """One more controller, which sends whenever the load of the last second allows."""

    def __init__(self, live: LiveSession) -> None:
        self.controller = Controller("busy", mailboxes=8)
        self._live = live
        self._sent = 0
        live.session.bus.attach(self.controller)
        self.controller.on_receive = lambda heard: heard.inbox.clear()
        live.session.queue.at(100_000_000, self._send)

    def _send(self) -> None:
        queue = self._live.session.queue
        queue.after(350_000, self._send)
        if self._live.tally.load(queue.now_ns) < SHARE and self.controller.pending() < 8:
            self.controller.send(MESSAGES[self._sent % len(MESSAGES)])
            self._sent += 1


def main() -> None:
    vehicle = wren_at_500()
    made: list[tuple[LiveSession, Busy]] = []

    def make() -> LiveSession:
        live = LiveSession(vehicle, speed=SPEED)
        made.append((live, Busy(live)))
        return live

    running = Running(vehicle, make, Path(tempfile.mkdtemp()))
    site = Site(running, bind("127.0.0.1", 0))
    live, busy = made[0]
    threading.Thread(target=site.run, daemon=True).start()
    running.start()
    patience = threading.Event()
    while not site.started:
        patience.wait(0.01)
    print(site.address, flush=True)
    sys.stdin.readline()  # the clients are there
    began_s, cpu = monotonic_seconds(), resource.getrusage(resource.RUSAGE_SELF)
    live.pacer.lateness = Lateness()
    shown, frames = site.broadcaster.shown, live.tally.frames
    began_ns = live.session.queue.now_ns
    sys.stdin.readline()  # enough
    real_s, after = monotonic_seconds() - began_s, resource.getrusage(resource.RUSAGE_SELF)
    used_s = after.ru_utime + after.ru_stime - cpu.ru_utime - cpu.ru_stime
    controllers = [host.controller for host in live.session.hosts.values()]
    accounted = busy.controller.sent + busy.controller.pending()
    figures = {
        "real_s": round(real_s, 1),
        "pace": round((live.session.queue.now_ns - began_ns) / 1e9 / real_s, 2),
        "load": round(live.tally.load(live.session.queue.now_ns), 3),
        "frames": live.tally.frames - frames,
        "failed": live.tally.failed,
        "lost": busy.controller.accepted - accounted,
        "overruns": sum(controller.overruns for controller in controllers),
        "late_p99_ms": round(live.pacer.lateness.percentile(0.99) / 1e6, 2),
        "late_worst_ms": round(live.pacer.lateness.worst_ns / 1e6, 2),
        "given_up_ms": round(live.pacer.given_up_ns / 1e6, 1),
        "states_per_s": round(
            (site.broadcaster.shown - shown) / max(1, len(site.broadcaster.clients)) / real_s, 1
        ),
        "watchers": len(site.broadcaster.clients),
        "cpu_share": round(used_s / real_s, 2),
    }
    print(json.dumps(figures), flush=True)
    running.stop()


if __name__ == "__main__":  # the judge's process imports this file as well
    main()
