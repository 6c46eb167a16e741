"""``linkloss serve``: the bus of a vehicle, open to other programs and to a real node."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from linkloss.cli.adapter import Adapter
from linkloss.cli.common import (
    Flag,
    Quiet,
    Verbose,
    Words,
    bad,
    check_folder,
    check_logs,
    check_targets,
    console_beside,
    duration_ns,
)

if TYPE_CHECKING:
    from rich.console import Console

    from linkloss.judge import Verdict
    from linkloss.live.session import Excerpt, LiveSession
    from linkloss.serve.endpoint import Endpoint
    from linkloss.serve.opened import OpenBus

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
        How: udp (or udp:PORT), slcan, socketcan:vcan0; once for each program.
    real
        This node is a real one, behind an adapter; all others are simulated.
    interface
        Of the adapter, as python-can calls it: slcan, socketcan, gs_usb, ...
    channel
        Of the adapter, as python-can calls it: /dev/ttyACM0, can0, ...
    bitrate
        Of the adapter, in bits per second. Default: that of the bus, and no other will do.
    delay
        The longest time that a frame takes through the adapter, one way. Default: 20 ms.
    checklist
        Walk through the faults of the real node that need hands.
    situation
        What the driver and the engine are doing, by its name in the vehicle file.
    fault
        A fault and when: 'cut(gauge,rear)@30s+2s'.
    lasts
        End after so long, such as "60 s". Default: with Ctrl-C.
    speed
        1 is real time, 0.5 half as fast; 0.1 to 10.
    seed
        Seed of everything that faults leave to chance.
    save
        A folder for the session as a scenario, which runs again without the programs.
    log
        Write all frames as a log, in the format of the extension.
    json
        Write the whole recording and the verdicts as JSON to this file.
    quiet
        No timeline: what broke, the totals.
    verbose
        List the rules that the run did not put to the test, too.
    """
    if not open and real is None:
        text = "nothing is to be opened; expected udp, slcan or socketcan:vcan0, or '--real NODE'"
        raise bad("--open", text)
    logs = [Path(path) for path in log or ()]
    check_targets([json])
    check_logs(logs)
    check_folder(save)
    lasts_ns = duration_ns("--lasts", lasts)
    from linkloss.live.session import LiveSession  # noqa: PLC0415
    from linkloss.model.loading import load_vehicle  # noqa: PLC0415
    from linkloss.replay.fault_text import timed_fault  # noqa: PLC0415
    from linkloss.serve.asked import endpoints  # noqa: PLC0415
    from linkloss.serve.opened import outside_of  # noqa: PLC0415
    from linkloss.shipped import demo_vehicle  # noqa: PLC0415

    loaded = load_vehicle(demo_vehicle() if vehicle is None else vehicle)
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
    from linkloss.campaign.result import EXIT_NOT_EXERCISED  # noqa: PLC0415
    from linkloss.cli.running import write_run  # noqa: PLC0415
    from linkloss.judge import Outcome  # noqa: PLC0415
    from linkloss.report.timeline import show_run  # noqa: PLC0415

    result = excerpt.judged()
    result = replace(result, verdicts=(*result.verdicts, *by_hand))
    write_run(result, logs, json)
    if save is not None:
        from linkloss.live.save import save as save_session  # noqa: PLC0415

        console.print(f"linkloss run {save_session(excerpt, save, 'served')}", soft_wrap=True)
    show_run(console, result, quiet=quiet, verbose=verbose)
    adapter.account(console, loaded, result)
    if by_hand and not result.broken and not any(v.outcome is Outcome.KEPT for v in by_hand):
        return EXIT_NOT_EXERCISED  # the checklist was asked for, and nobody went through it
    return result.exit_code


def serve_until(
    begin: Callable[[], LiveSession],
    ends: Sequence[Endpoint],
    lasts_ns: int | None,
    console: Console,
    walk: Callable[[OpenBus], object] | None = None,
) -> Excerpt:
    """Run a session with its endpoints until it has lasted so long, until ``walk`` is through, or
    until Ctrl-C; returns what happened. The session has a thread of its own, so that Ctrl-C never
    falls into the middle of it.
    """
    from linkloss.report.screen import paragraph  # noqa: PLC0415
    from linkloss.serve.opened import OpenBus  # noqa: PLC0415

    live = begin()
    thread = _SessionThread(live)
    with OpenBus(live, ends, lambda text: paragraph(console, text)) as opened:
        for endpoint in ends:
            console.print(f"{endpoint.name}: {endpoint.how_to_join()}", soft_wrap=True)
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
        except TimeoutError:  # it has failed meanwhile, or hangs
            excerpt = None
        opened.close()
        live.end()
        thread.join(_PATIENCE_S)
        for text in opened.accounts():
            paragraph(console, text)
    if thread.failure is not None:
        raise thread.failure
    if excerpt is None:
        raise bad("serve", "the session does not answer; a program in it waits for ever")
    assert excerpt.scenario.outside is not None
    outside = opened.as_it_went(excerpt.scenario.outside)
    return replace(excerpt, scenario=replace(excerpt.scenario, outside=outside))


class _SessionThread(threading.Thread):
    """Runs a live session; ``failure`` is what it raised."""

    def __init__(self, live: LiveSession) -> None:
        super().__init__(name="session", daemon=True)
        self.failure: BaseException | None = None
        self.over = threading.Event()
        self._live = live

    def run(self) -> None:
        try:
            self._live.run()
        except BaseException as error:  # noqa: BLE001 - raised again by whoever waits
            self.failure = error
