"""``linkloss live``: a vehicle to drive by hand, in a browser or on the terminal."""

from __future__ import annotations

import sys
from contextlib import suppress
from ipaddress import ip_address
from pathlib import Path
from typing import TYPE_CHECKING

from linkloss.cli.common import Flag, Words, bad

if TYPE_CHECKING:
    from linkloss.live.running import Running
    from linkloss.live.session import LiveSession
    from linkloss.outside import Outside


def live(
    vehicle: Path | None = None,
    /,
    *,
    situation: str | None = None,
    speed: float = 1.0,
    seed: int = 0,
    folder: Path = Path(),
    terminal: Flag = False,
    port: int = 0,
    listen: str = "127.0.0.1",
    yes_expose: Flag = False,
    open: Words = None,  # noqa: A002 - the name of the option
) -> int:
    """Drive a vehicle by hand: flip its switches, break its cable, watch its loads and rules.

    Parameters
    ----------
    vehicle
        The vehicle file. Default: the demo vehicle Wren.
    situation
        Begin in this situation of the vehicle; what happens in it happens by itself.
    speed
        Virtual seconds for each real one, 0.1 to 10.
    seed
        For faults that draw lots.
    folder
        Where sessions are saved as scenarios. Default: here.
    terminal
        Show it on this terminal and not in a browser.
    port
        The port of the page. Default: one that is free.
    listen
        The address to listen on. Default: only this computer can open the page.
    yes_expose
        Let other computers in as well: needed for a --listen that they can reach.
    open
        Let programs of this computer onto the bus: udp, slcan, socketcan:vcan0; once for each.
    """
    from linkloss.cli.common import check_folder  # noqa: PLC0415
    from linkloss.live.running import Running  # noqa: PLC0415
    from linkloss.live.session import LiveSession  # noqa: PLC0415
    from linkloss.model.loading import load_vehicle  # noqa: PLC0415
    from linkloss.serve.doors import Doors  # noqa: PLC0415
    from linkloss.shipped import demo_vehicle  # noqa: PLC0415

    exposed = _exposed(listen, yes_expose=yes_expose)
    check_folder(folder)
    loaded = load_vehicle(demo_vehicle() if vehicle is None else vehicle)

    def make(outside: Outside | None) -> LiveSession:
        began = situation or ""
        return LiveSession(loaded, situation=began, seed=seed, speed=speed, outside=outside)

    doors = Doors(open or (), lambda text: print(text, file=sys.stderr, flush=True))
    try:
        running = Running(loaded, lambda: doors.begin(make), folder)
        if terminal:
            return _on_terminal(running)
        return _in_browser(running, listen, port, exposed=exposed)
    finally:
        doors.close()


def _on_terminal(running: Running) -> int:
    """Show it here until somebody has seen enough."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise bad("--terminal", "needs a terminal for keys and pictures, and there is none")
    from linkloss.live.keys import pressed  # noqa: PLC0415
    from linkloss.live.terminal import Terminal  # noqa: PLC0415
    from linkloss.report.screen import make_console  # noqa: PLC0415

    running.start()
    try:
        with pressed() as keys, suppress(KeyboardInterrupt):
            Terminal(running).run(make_console(), keys)
    finally:
        running.stop()
    if running.failed:
        print(f"linkloss: {running.failed}", file=sys.stderr)
    return 1 if running.failed else 0


def _in_browser(running: Running, listen: str, port: int, *, exposed: bool) -> int:
    """Serve the page until an interrupt."""
    try:
        from linkloss.live.serve import Site, bind  # noqa: PLC0415
    except ImportError:
        text = "needs the extra 'web': pip install 'linkloss[web]', or --terminal without it"
        raise bad("live", text) from None
    site = Site(running, bind(listen, port), exposed=exposed)
    sys.stdout.write(f"{running.vehicle.title} is on the bench. Open this address, all of it:\n\n")
    sys.stdout.write(f"  {site.address}\n\n")
    if exposed:
        sys.stdout.write(
            f"Other computers can reach it too, by this computer's address and port {site.port}."
            " Nothing is encrypted on the way: whoever overhears the address can come in.\n"
        )
    sys.stdout.write("Ctrl+C ends it; what was not saved is lost then.\n")
    sys.stdout.flush()
    running.start()
    try:
        with suppress(KeyboardInterrupt):  # the way it ends
            site.run()
    finally:
        running.stop()
    if running.failed:
        print(f"linkloss: {running.failed}", file=sys.stderr)
    return 1 if running.failed else 0


def _exposed(listen: str, *, yes_expose: bool) -> bool:
    """Whether others can reach an address. Raises BadInput where that was not agreed to."""
    try:
        exposed = not ip_address(listen).is_loopback
    except ValueError:
        text = f"got '{listen}'; expected an address such as 127.0.0.1, ::1 or 0.0.0.0"
        raise bad("--listen", text) from None
    if exposed and not yes_expose:
        text = (
            f"{listen} lets other computers on the network open the page. Whoever has its address,"
            " which goes over the network in the clear, can operate the session and save files"
            " into the folder. If you want that, add --yes-expose"
        )
        raise bad("--listen", text)
    return exposed
