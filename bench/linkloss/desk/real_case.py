"""One case on real time, with a real node on the desk: what the bench recorded, and what the I/O
board did and felt meanwhile.

The other nodes run as in a live session. The node's frames come and go through an adapter, its
inputs are made by the board as the session moves them, and its supply, its plug and its reset line
are pulled by relays. Every case begins with the node just started, if a relay can do that.
"""

from __future__ import annotations

import gc
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import can

from linkloss.bus import Frame
from linkloss.clock.wallclock import wait_seconds
from linkloss.desk.adapter_way import AdapterWay
from linkloss.desk.board_clock import Span
from linkloss.desk.io_board import Command, Doubt, Felt
from linkloss.desk.watching_lines import dated
from linkloss.desk.wired_node import WiredNode
from linkloss.faults.base import Fault
from linkloss.judge.felt import DeskRecord, Down
from linkloss.live.driven import Excerpt, LiveSession
from linkloss.live.endpoints import AdapterEndpoint, Sent
from linkloss.live.opened import OpenBus, outside_of
from linkloss.problem import BadInput
from linkloss.recording import Outside, Recording, Series
from linkloss.scenario import Scenario
from linkloss.session.logged import LoggedNode
from linkloss.vehicle.expression import Value

_PRESS_NS = 50_000_000
"""A reset line is held for so long beyond the time that its relay takes: until every load that goes
has been felt to go, analogue lines included."""
_STILL_S = 0.05
"""Until a node without supply has stopped whatever it did."""
_BEATS_S = 0.15
"""After the end: so long until the board's clock is tied from both sides."""
_TURN_S, _LOOK_S = 0.001, 0.05
_LATE_S = 5.0
_GREETING_S = 8.0


class Adapter(NamedTuple):
    """An open adapter, as python-can knows it, and how long its ways are."""

    interface: str
    channel: str
    bus: can.BusABC
    way: AdapterWay


@dataclass(frozen=True, slots=True)
class RealRun:
    """A case that ran on the desk. ``scenario`` has the outside as it went."""

    scenario: Scenario
    recording: Recording
    outside: Outside
    desk: DeskRecord


class RealCase:
    """Runs one case. Use once.

    :raises BadInput: if the board does not do what it is told, or the adapter is gone.
    """

    def __init__(self, wired: WiredNode, adapter: Adapter, case: Scenario) -> None:
        self._wired, self._adapter, self._case = wired, adapter, case
        self._node = wired.node
        self._link = wired.link
        self._vehicle = case.vehicle
        self._moves: list[tuple[str, Value, Command]] = []
        self._resets: list[tuple[Command, Command | None]] = []
        self._sent: list[Sent] = []
        self._plug: Command | None = None
        """The last command to plug in again; frames are held back until the relay has closed."""
        self._unplugged = False
        self._over = threading.Event()

    def run(self) -> RealRun:
        """Run it, in as much real time as it lasts."""
        started = self._make_ready()
        endpoint = _GatedEndpoint(self._node, self._adapter, self._may_hear)
        endpoint.on_sent = self._sent.append
        outside = outside_of((), [endpoint], self._adapter.way.worst_ns)
        live = LiveSession(self._vehicle, seed=self._case.seed, outside=outside, case=self._case)
        self._hook(live)
        failures: list[BaseException] = []
        thread = threading.Thread(target=_run, args=(live, failures), name="session", daemon=True)
        said: list[str] = []
        with OpenBus(live, [endpoint], said.append) as opened:
            live.pacer.schedule(self._case.lasts_ns, lambda _: self._over.set())
            thread.start()
            try:
                self._await_start(live, thread)
                release = self._release(started)
                excerpt = self._wait(live, thread)
                outside = opened.as_it_went(outside)
            finally:  # also where somebody ends the check by hand
                live.end()
                thread.join(_LATE_S)
        if failures:
            raise failures[0]
        wait_seconds(_BEATS_S)
        recording = excerpt.recording
        desk = self._record(live, started, release, recording.end_ns)
        self._let_go()
        scenario = replace(self._case, outside=replace(outside, events=tuple(recording.outside)))
        return RealRun(scenario, recording, outside, desk)

    # ---- before ----

    def _make_ready(self) -> Command | None:
        """The node without supply or in reset, its inputs as the case begins. Returns what holds
        it.
        """
        gc.collect()
        gc.freeze()  # what is there already shall not stop the heartbeat while the case runs
        if not self._link.wait(lambda board: board.alive, _GREETING_S):
            text = self._link.lost or "the I/O board is not heard"
            raise BadInput.one("linkloss", f"--io {self._link.path}", text)
        self._wired.prepare()
        orders: list[Command] = []
        hold = self._pull("supply", away=True) or self._pull("reset", away=True)
        orders += [hold] if hold else []
        plug = self._pull("plug", away=False)
        orders += [plug] if plug else []
        for name in self._wired.table.drives:
            value = self._case.inputs.get(name, self._vehicle.inputs[name].rest)
            order = self._wired.drive(name, value)
            assert order is not None
            orders.append(order)
        self._wired.carry_out(orders)
        wait_seconds(self._wired.table.operates_in / 1e9 + _STILL_S)
        while self._adapter.bus.recv(0) is not None:
            pass  # what the node said before the case
        self._adapter.way.measure(self._adapter.bus)
        self._link.take()
        self._levels = dict(self._wired.levels())
        return hold

    def _pull(self, what: str, *, away: bool) -> Command | None:
        return self._wired.pull(what, away=away)

    def _await_start(self, live: LiveSession, thread: threading.Thread) -> None:
        """Until virtual time has begun: the node starts with the others, and not before them."""
        while thread.is_alive() and live.pacer.now_ns() <= 0:
            wait_seconds(_TURN_S)

    def _release(self, hold: Command | None) -> Command | None:
        if hold is None:
            return None
        what = "supply" if self._wired.table.supply else "reset"
        return self._pull(what, away=False)

    # ---- meanwhile, in the thread of the session ----

    def _hook(self, live: LiveSession) -> None:
        proxy = live.session.hosts[self._node]
        assert isinstance(proxy, LoggedNode)
        proxy.on_input = self._move
        proxy.on_reset = lambda: self._press(live)
        live.on_fault = self._fault

    def _move(self, name: str, value: Value) -> None:
        command = self._wired.drive(name, value)
        if command is not None:
            self._moves.append((name, value, command))

    def _press(self, live: LiveSession) -> None:
        press = self._pull("reset", away=True)
        if press is None:
            return
        place = len(self._resets)
        self._resets.append((press, None))

        def let_go() -> None:
            self._resets[place] = (press, self._pull("reset", away=False))

        live.session.queue.after(self._wired.table.operates_in + _PRESS_NS, let_go)

    def _fault(self, fault: Fault, there: bool) -> None:
        if fault.kind == "unplug" and self._node in fault.nodes():
            self._unplugged = there
            order = self._pull("plug", away=there)
            self._plug = None if there else order

    def _may_hear(self) -> bool:
        """Whether what the bus delivers surely reaches the node: its plug has closed again."""
        order = self._plug
        if order is None:
            return True
        if order.done_us is None:
            return False
        done_us = order.done_us
        span = self._link.with_board(lambda board: board.clock.span(done_us))
        if span is None or self._link.now_ns() < span.to_ns + self._wired.table.operates_in:
            return False
        self._plug = None
        return True

    def _wait(self, live: LiveSession, thread: threading.Thread) -> Excerpt:
        while thread.is_alive() and not self._over.wait(_LOOK_S) and not self._link.lost:
            pass
        found = live.excerpt(name=self._case.name, title=self._case.title)
        return found.result(timeout=_LATE_S)

    # ---- afterwards ----

    def _let_go(self) -> None:
        for what in self._wired.table.relays:
            self._pull(what, away=False)

    def _record(
        self, live: LiveSession, hold: Command | None, release: Command | None, end_ns: int
    ) -> DeskRecord:
        desk = DeskRecord()
        felt, doubts = self._link.take()
        self._note_felt(live, desk, felt, end_ns)
        self._note_inputs(live, desk)
        self._note_downs(live, desk, hold, release)
        for sent in self._sent:
            at_ns = live.pacer.instant_of(sent.from_ns)
            desk.frames.append((sent.frame, at_ns))
            width_ns = sent.to_ns - sent.from_ns + self._adapter.way.worst_ns
            desk.frame_width_ns = max(desk.frame_width_ns, width_ns)
        desk.doubt = desk.doubt or self._doubt(live, doubts, end_ns)
        return desk

    def _doubt(self, live: LiveSession, doubts: list[Doubt], end_ns: int) -> str:
        if self._link.lost:
            return f"because the I/O board is gone: {self._link.lost}"
        inside = (d for d in doubts if live.pacer.instant_of(d.at_ns) <= end_ns + 10**9)
        return next((doubt.why for doubt in inside), "")

    def _note_felt(
        self, live: LiveSession, desk: DeskRecord, felt: list[Felt], end_ns: int
    ) -> None:
        for load, level in self._levels.items():
            series: Series[float] = Series()
            series.set(0, level)
            desk.felt[load] = series
            desk.felt_width_ns[load] = 0
        for one in felt:
            load = self._wired.loads.get(one.line, "")
            if load not in desk.felt:
                continue
            if one.duty is not None:
                desk.dimmed.add(load)
            span = dated(self._link, one)
            if span is None:
                desk.doubt = "because the clock of the I/O board is not steady"
                return
            at_ns = live.pacer.instant_of(span.to_ns)
            if at_ns > end_ns:
                continue
            series = desk.felt[load]
            series.set(max(at_ns, series.times[-1]), self._wired.level(load, one))
            desk.felt_width_ns[load] = max(desk.felt_width_ns[load], span.to_ns - span.from_ns)

    def _note_inputs(self, live: LiveSession, desk: DeskRecord) -> None:
        inputs = self._vehicle.inputs
        wired = [name for name, table in inputs.items() if self._node in table.wired_to]
        desk.unmade = tuple(name for name in wired if name not in self._wired.table.drives)
        for name in wired:
            start = self._case.inputs.get(name, inputs[name].rest)
            series: Series[Value] = Series()
            if name in desk.unmade:
                if inputs[name].wired_to == (self._node,):
                    series.set(0, inputs[name].rest)
                    desk.seen[name] = series
                continue
            series.set(0, start)
            desk.seen[name], desk.seen_width_ns[name] = series, 0
        for name, value, command in self._moves:
            span = self._span(command)
            if span is None:
                desk.doubt = "because the I/O board did not make an input"
                return
            at_ns = max(0, live.pacer.instant_of(span.from_ns))
            desk.seen[name].set(max(at_ns, desk.seen[name].times[-1]), value)
            width_ns = span.to_ns - span.from_ns
            desk.seen_width_ns[name] = max(desk.seen_width_ns[name], width_ns)

    def _note_downs(
        self, live: LiveSession, desk: DeskRecord, hold: Command | None, release: Command | None
    ) -> None:
        resets: list[tuple[Command, Command | None]] = list(self._resets)
        if hold is not None:
            resets.insert(0, (hold, release))
        for number, (press, let_go) in enumerate(resets):
            begun, over = self._span(press), None if let_go is None else self._span(let_go)
            if begun is None or over is None:
                desk.doubt = "because the I/O board did not pull a relay"
                return
            from_ns = live.pacer.instant_of(begun.from_ns)
            if hold is not None and number == 0:
                from_ns = 0
            to_ns = max(0, live.pacer.instant_of(over.from_ns))
            late_ns = over.to_ns - over.from_ns + self._wired.table.operates_in
            desk.downs.append(Down(from_ns, to_ns, late_ns))

    def _span(self, command: Command) -> Span | None:
        done_us = command.done_us
        if done_us is None:
            return None
        return self._link.with_board(lambda board: board.clock.span(done_us))


class _GatedEndpoint(AdapterEndpoint):
    """An adapter that stays open from case to case, and drops frames while its node's plug may be
    open.
    """

    def __init__(self, node: str, adapter: Adapter, may_hear: Callable[[], bool]) -> None:
        none: dict[str, Any] = {}
        super().__init__(
            node, adapter.interface, adapter.channel, "--interface", none, bus=adapter.bus
        )
        self._may_hear = may_hear

    def deliver(self, frame: Frame) -> None:
        """Queue a frame, unless it might not reach the node."""
        if self._may_hear():
            super().deliver(frame)


def _run(live: LiveSession, failures: list[BaseException]) -> None:
    with suppress(KeyboardInterrupt):
        try:
            live.run()
        except BaseException as error:  # noqa: BLE001 - raised again by who waits
            failures.append(error)
