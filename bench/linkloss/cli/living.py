"""``linkloss live`` and ``linkloss serve``: a vehicle in real time.

``live`` lets a user drive a vehicle by hand, in a browser or on the terminal. ``serve`` opens the
bus of a vehicle to other programs, and to a real node behind an adapter.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from ipaddress import ip_address
from pathlib import Path
from typing import TYPE_CHECKING, Any

from linkloss.cli.common import (
    Flag,
    Quiet,
    Verbose,
    Words,
    bad,
    check_targets,
    compiled,
    console_beside,
    duration_ns,
    load,
    refuse,
)

if TYPE_CHECKING:
    from rich.console import Console

    from linkloss.campaign.result import RunResult
    from linkloss.judge import Verdict
    from linkloss.live.driven import Excerpt, LiveSession
    from linkloss.live.endpoints import Endpoint
    from linkloss.live.opened import OpenBus
    from linkloss.live.service import Running
    from linkloss.recording import Outside
    from linkloss.scenario import TimedFault
    from linkloss.vehicle.loading import Vehicle


@dataclass(frozen=True, slots=True)
class Adapter:
    """The options of ``serve`` for an adapter, as given. Without ``--real`` there is no adapter."""

    real: str | None
    interface: str | None
    channel: str | None
    bitrate: int | None
    delay: str | None
    checklist: bool

    @property
    def delay_ns(self) -> int:
        """The longest time through the adapter, one way, in ns. Raises BadInput."""
        from linkloss.live.real_node import DELAY_NS

        if self.real is None:
            return 0
        given = duration_ns("--delay", self.delay)
        return DELAY_NS if given is None else given

    def endpoints(self, vehicle: Vehicle, faults: Sequence[TimedFault]) -> list[Endpoint]:
        """The endpoint of the real node, if there is one. Raises BadInput for options that do not
        go together.
        """
        if self.real is None:
            for option in ("interface", "channel", "bitrate", "delay", "checklist"):
                if getattr(self, option):
                    raise bad(f"--{option}", "belongs to a real node; expected '--real NODE' too")
            return []
        if self.interface is None or self.channel is None:
            raise bad("--real", "expected '--interface' and '--channel' of the adapter too")
        rate = vehicle.bus_of(self.real).bit_rate
        if self.bitrate not in (None, rate):
            text = f"got {self.bitrate}; the bus of {vehicle.title} runs at {rate}"
            raise bad("--bitrate", text)
        from linkloss.live.endpoints import AdapterEndpoint
        from linkloss.live.real_node import ensure_real

        ensure_real(vehicle, self.real, faults)
        more: dict[str, Any] = {"bitrate": rate}
        if vehicle.fd:
            more |= {"fd": True, "data_bitrate": vehicle.bus_of(self.real).data_bit_rate or rate}
        return [AdapterEndpoint(self.real, self.interface, self.channel, "--real", more)]

    def warn(self, console: Console, vehicle: Vehicle, speed: float) -> None:
        """Show the caution, before anything runs. Raises BadInput for a speed other than 1 with a
        real node.
        """
        if self.real is not None and speed != 1:
            raise bad("--speed", f"got {speed:g}; '{self.real}' is real and runs only at 1")
        if self.real is not None and not self.checklist:  # the checklist begins with the caution
            from linkloss.live.real_node import caution
            from linkloss.report.screen import paragraph

            paragraph(console, caution(vehicle, self.real), style="bold")

    def walk(self, console: Console, found: list[Verdict]) -> Callable[[OpenBus], object] | None:
        """The guided checklist, if it was asked for; it appends its verdicts to ``found``."""
        node = self.real
        if node is None or not self.checklist:
            return None
        from linkloss.clock.wallclock import wait_seconds
        from linkloss.live.real_node import Checklist
        from linkloss.report.screen import paragraph

        def go(opened: OpenBus) -> None:
            guide = Checklist(
                opened, node, console.input, lambda text: paragraph(console, text), wait_seconds
            )
            found.extend(guide.walk())

        return go

    def account(self, console: Console, vehicle: Vehicle, result: RunResult) -> None:
        """Say what the run shows about the real node, and what it cannot show and why."""
        if self.real is None:
            return
        from linkloss.judge import Outcome
        from linkloss.judge.reported import UNREPORTED
        from linkloss.live.real_node import scope
        from linkloss.report.screen import paragraph

        for text in scope(vehicle, self.real):
            paragraph(console, text)
        reasons: dict[str, list[str]] = {}
        for verdict in result.verdicts:
            if verdict.outcome is Outcome.NOT_EXERCISED and verdict.text:
                reasons.setdefault(verdict.text, []).append(f"{verdict.subject} ({verdict.rule})")
        for reason, rules in reasons.items():
            if reason != UNREPORTED:  # scope() already says so
                paragraph(console, f"Not exercised, {reason}: {', '.join(rules)}.")


_PATIENCE_S = 10.0
_LOOK_S = 0.1


def serve(
    vehicle: Path | None = None,
    /,
    *,
    open: Words = None,  # noqa: A002 - the name of the option
    real: str | None = None,
    interface: str | None = None,
    channel: str | None = None,
    bitrate: int | None = None,
    delay: str | None = None,
    checklist: Flag = False,
    situation: str = "",
    fault: Words = None,
    lasts: str | None = None,
    speed: float = 1.0,
    seed: int = 0,
    save: Path | None = None,
    log: Words = None,
    json: Path | None = None,
    quiet: Quiet = False,
    verbose: Verbose = False,
) -> int:
    """Run a vehicle in real time, its bus open to other programs or to a real node, and judge it.

    Each program has an endpoint of its own; its frames reach the others only through the bus.
    Ends after --lasts, or with Ctrl-C.

    Parameters
    ----------
    vehicle
        The vehicle file. Default: the bundled demo vehicle, Wren.
    open
        What to open: udp (or udp:PORT), slcan, socketcan:vcan0; once for each program.
    real
        This node is a real one, behind an adapter; all others are simulated.
    interface
        The adapter's interface, as python-can calls it: slcan, socketcan, gs_usb, ...
    channel
        The adapter's channel, as python-can calls it: /dev/ttyACM0, can0, ...
    bitrate
        The adapter's bit rate in bits per second. Default: that of the bus; no other is accepted.
    delay
        The longest time that a frame takes through the adapter, one way. Default: 20 ms.
    checklist
        Walk through the faults of the real node that need hands.
    situation
        What the driver and the engine are doing, by its name in the vehicle file.
    fault
        A fault and when: 'cut(gauge,rear)@30s+2s'.
    lasts
        End after this time, such as "60 s". Default: with Ctrl-C.
    speed
        1 is real time, 0.5 half as fast; 0.1 to 10.
    seed
        Seed of everything that faults leave to chance.
    save
        A folder for the session as a scenario, which can run again without the programs.
    log
        Write all frames as a log, in the format of the extension.
    json
        Write the whole recording and the verdicts as JSON to this file.
    quiet
        No timeline: only what broke, and the totals.
    verbose
        List the rules that the run did not put to the test, too.
    """
    if not open and real is None:
        text = "nothing to open; expected udp, slcan or socketcan:vcan0, or '--real NODE'"
        raise bad("--open", text)
    logs = [Path(path) for path in log or ()]
    check_targets([json], logs, folder=save)
    lasts_ns = duration_ns("--lasts", lasts)
    from linkloss.live.driven import LiveSession
    from linkloss.live.opened import endpoints, outside_of
    from linkloss.scenario import timed_fault

    loaded = compiled(load(vehicle))
    faults = [timed_fault(text, loaded) for text in fault or ()]
    adapter = Adapter(real, interface, channel, bitrate, delay, checklist=checklist)
    nodes = adapter.endpoints(loaded, faults)
    programs = endpoints(open or ())
    outside = outside_of(programs, nodes, adapter.delay_ns)

    def begin() -> LiveSession:
        return LiveSession(
            loaded, situation=situation, seed=seed, speed=speed, faults=faults, outside=outside
        )

    console = console_beside([json])
    adapter.warn(console, loaded, speed)
    by_hand: list[Verdict] = []
    walk = adapter.walk(console, by_hand)
    excerpt = serve_until(begin, [*programs, *nodes], lasts_ns, console, walk)
    from linkloss.cli.running import write_run
    from linkloss.judge import Outcome
    from linkloss.problem import EXIT_NOT_EXERCISED, printable
    from linkloss.report.timeline import show_run

    result = excerpt.judged()
    result = replace(result, verdicts=(*result.verdicts, *by_hand))
    write_run(result, logs, json)
    if save is not None:
        from linkloss.live.service import save as save_session

        path = save_session(excerpt.scenario, save, "served")
        console.print(printable(f"linkloss run {path}"), soft_wrap=True)
    show_run(console, result, quiet=quiet, verbose=verbose)
    adapter.account(console, loaded, result)
    if by_hand and not result.broken and not any(v.outcome is Outcome.KEPT for v in by_hand):
        return EXIT_NOT_EXERCISED  # the checklist was asked for, but nobody went through it
    return result.exit_code


def serve_until(
    begin: Callable[[], LiveSession],
    ends: Sequence[Endpoint],
    lasts_ns: int | None,
    console: Console,
    walk: Callable[[OpenBus], object] | None = None,
) -> Excerpt:
    """Run a session with its endpoints until it has lasted ``lasts_ns``, until ``walk`` returns, or
    until Ctrl-C; returns what happened. The session has a thread of its own, so that Ctrl-C never
    interrupts it midway.
    """
    from linkloss.live.opened import OpenBus
    from linkloss.problem import printable
    from linkloss.report.screen import paragraph

    live = begin()
    thread = _SessionThread(live)
    with OpenBus(live, ends, lambda text: paragraph(console, text)) as opened:
        for endpoint in ends:
            text = f"{endpoint.name}: {endpoint.how_to_join()}"
            console.print(printable(text), soft_wrap=True)
        if lasts_ns is not None:
            live.pacer.schedule(lasts_ns, lambda _: thread.over.set())
        thread.start()
        try:
            if walk is not None:
                walk(opened)
            while walk is None and thread.is_alive() and not thread.over.wait(_LOOK_S):
                pass
        except KeyboardInterrupt:
            paragraph(console, "ended by hand")
        found = live.excerpt(name="served", title=f"{live.vehicle.title}, served")
        try:
            excerpt = found.result(timeout=_PATIENCE_S) if thread.is_alive() else None
        except TimeoutError:  # it has failed in the meantime, or hangs
            excerpt = None
        opened.close()
        live.end()
        thread.join(_PATIENCE_S)
        for text in opened.accounts():
            paragraph(console, text)
    if thread.failure is not None:
        raise thread.failure
    if excerpt is None:
        raise bad("serve", "the session does not answer; a program in it waits forever")
    assert excerpt.scenario.outside is not None
    outside = opened.as_it_went(excerpt.scenario.outside)
    return replace(excerpt, scenario=replace(excerpt.scenario, outside=outside))


class _SessionThread(threading.Thread):
    """Runs a live session; ``failure`` is the exception that it raised."""

    def __init__(self, live: LiveSession) -> None:
        super().__init__(name="session", daemon=True)
        self.failure: BaseException | None = None
        self.over = threading.Event()
        self._live = live

    def run(self) -> None:
        try:
            self._live.run()
        except BaseException as error:  # noqa: BLE001 - raised again in the waiting thread
            self.failure = error


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
        Begin in this situation of the vehicle; its actions happen by themselves.
    speed
        Simulated seconds per real second, 0.1 to 10.
    seed
        Seed of everything that faults leave to chance.
    folder
        Where sessions are saved as scenarios. Default: the current folder.
    terminal
        Show the vehicle on this terminal, not in a browser.
    port
        The port of the page; its address is then the same at the next start, unless other
        computers are let in. Default: one that is free.
    listen
        The address to listen on. Default: only this computer can open the page.
    yes_expose
        Let other computers in as well: needed for a --listen that they can reach.
    open
        Let programs on this computer onto the bus: udp, slcan, socketcan:vcan0; once for each.
    """
    from linkloss.live.driven import LiveSession
    from linkloss.live.opened import Doors
    from linkloss.live.service import Running
    from linkloss.problem import printable

    exposed = _exposed(listen, yes_expose=yes_expose)
    check_targets([], folder=folder)
    loaded = compiled(load(vehicle))

    def make(outside: Outside | None) -> LiveSession:
        began = situation or ""
        return LiveSession(loaded, situation=began, seed=seed, speed=speed, outside=outside)

    doors = Doors(open or (), lambda text: print(printable(text), file=sys.stderr, flush=True))
    try:
        running = Running(loaded, lambda: doors.begin(make), folder)
        show = _on_terminal(running) if terminal else _in_browser(running, listen, port, exposed)
        try:
            with suppress(KeyboardInterrupt):  # the usual way to end it
                running.start()
                show()
        finally:
            running.stop()
    finally:
        doors.close()
    if running.failed:
        print(printable(f"linkloss: {running.failed}"), file=sys.stderr)
    return 1 if running.failed else 0


def _on_terminal(running: Running) -> Callable[[], None]:
    """Returns a function that shows the vehicle on this terminal until the user ends it."""
    from linkloss.problem import ensure_linux

    ensure_linux("--terminal", "for keys that are read one by one")
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise bad("--terminal", "needs a terminal for keys and pictures, and there is none")
    from linkloss.live.console import Terminal, pressed

    def show() -> None:
        with pressed() as keys:
            Terminal(running).run(console_beside(), keys)

    return show


def _in_browser(running: Running, listen: str, port: int, exposed: bool) -> Callable[[], None]:
    """Returns a function that serves the page until an interrupt. Prints the address at once."""
    try:
        from linkloss.live.address import kept_token
        from linkloss.live.server import Site, bind
    except ImportError:
        text = "needs the extra 'web': pip install 'linkloss[web]', or --terminal without it"
        raise bad("live", text) from None
    # An address that goes over a network in the clear is good for once.
    token = kept_token(port) if port and not exposed else ""
    site = Site(running, bind(listen, port), exposed=exposed, token=token)
    from linkloss.problem import printable

    title = printable(running.vehicle.title)
    sys.stdout.write(f"{title} is on the bench. Open this address, all of it:\n\n")
    sys.stdout.write(f"  {site.address}\n\n")
    if exposed:
        sys.stdout.write(
            f"Other computers can reach it too, by this computer's address and port {site.port}."
            " Nothing is encrypted on the way: whoever overhears the address can come in.\n"
        )
    sys.stdout.write("Ctrl+C ends it; what was not saved is lost then.\n")
    sys.stdout.flush()
    return site.run


def _exposed(listen: str, *, yes_expose: bool) -> bool:
    """Whether other computers can reach an address. Raises BadInput if the user did not agree."""
    try:
        exposed = not ip_address(listen).is_loopback
    except ValueError:
        text = f"got '{listen}'; expected an address such as 127.0.0.1, ::1 or 0.0.0.0"
        raise bad("--listen", text) from None
    text = (
        f"{listen} lets other computers on the network open the page. Whoever has its address,"
        " which goes over the network in the clear, can operate the session and save files"
        " into the folder. If you want that, add --yes-expose"
    )
    refuse((exposed and not yes_expose, "--listen", text))
    return exposed
