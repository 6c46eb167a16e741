"""What a live session looks like at an instant, as plain values: the page and the terminal show
the same.

Instants are whole microseconds of virtual time.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypedDict, TypeVar

from linkloss.bus import BusRecord
from linkloss.clock.lateness import Lateness
from linkloss.live.palette import Offer
from linkloss.live.session import LiveSession
from linkloss.live.standing import Break, Standing
from linkloss.live.tally import Identity
from linkloss.model.expression import Value
from linkloss.model.messages import MessageInfo, SignalInfo
from linkloss.model.units import plain
from linkloss.recording import Series
from linkloss.report.html.traffic import CAUSES, hex_identifier
from linkloss.wallclock import monotonic_seconds

T = TypeVar("T")
_RECENT_S = 2.0
LATE_NS = 50_000_000
"""Later than a person notices: a session is said to be behind."""


class Broken(TypedDict):
    """A broken rule in a sentence; ``until`` None while it is broken."""

    subject: str
    rule: str
    since: int
    until: int | None
    text: str


class Message(TypedDict):
    """The last frame of a message: when it ended, how many were sent and failed, its content."""

    at: int
    sent: int
    failed: int
    text: str


class FrameLine(TypedDict):
    """One frame, or failed attempt."""

    at: int
    identifier: str
    name: str
    sender: str
    data: str
    text: str
    failed: str


class Node(TypedDict):
    """A node: what its program does, and how its controller stands."""

    program: str
    bus: str
    tec: int
    rec: int


class Active(TypedDict):
    """A fault that is there, by its number among the offers."""

    number: int
    text: str
    since: int


class State(TypedDict):
    """Everything. ``late`` holds the 99th percentile of the last seconds, that of the whole
    session and its worst, in microseconds of real time; ``given_up`` what was given up in all.
    ``judged`` is the instant up to which ``broken`` and ``past`` speak.
    """

    session: int
    at: int
    speed: float
    paused: bool
    full: bool
    failed: str
    late: tuple[int, int, int]
    given_up: int
    behind: bool
    load: float
    frames: int
    frame_errors: int
    inputs: dict[str, Value]
    loads: dict[str, float]
    nodes: dict[str, Node]
    faults: list[Active]
    messages: dict[str, Message]
    last: list[FrameLine]
    notices: dict[str, bool]
    judged: int
    unjudged: str
    broken: list[Broken]
    past: list[Broken]


class View:
    """Makes the states of one session; only its own thread may ask for them."""

    def __init__(self, live: LiveSession, offers: tuple[Offer, ...], number: int = 0) -> None:
        self._live = live
        self._numbers = {offer.fault: offer.number for offer in offers}
        self._number = number
        self._infos = {
            (info.identifier, info.extended): info for info in live.vehicle.messages.values()
        }
        self._texts: dict[Identity, tuple[BusRecord, str]] = {}
        self._recent = (0, 0)
        self._renew_s = 0.0
        self.standing = Standing()
        self.unjudged = ""
        """Why nothing is judged any more, if so."""

    def state(self, failed: str = "") -> State:
        """The session as it stands."""
        live, standing = self._live, self.standing
        recording, now_ns = live.session.recording, live.session.queue.now_ns
        recent_ns, behind = self._lateness()
        whole = live.pacer.lateness
        return State(
            session=self._number,
            at=now_ns // 1000,
            speed=live.pacer.speed,
            paused=live.pacer.paused,
            full=live.full,
            failed=failed,
            late=(recent_ns // 1000, whole.percentile(0.99) // 1000, whole.worst_ns // 1000),
            given_up=live.pacer.given_up_ns // 1000,
            behind=behind,
            load=round(live.tally.load(now_ns), 4),
            frames=live.tally.frames,
            frame_errors=live.tally.failed,
            inputs={name: series.values[-1] for name, series in recording.inputs.items()},
            loads={
                name: series.values[-1]
                for name, series in recording.outputs.items()
                if series.times
            },
            nodes={name: self._node(name) for name in live.vehicle.nodes},
            faults=[
                Active(
                    number=self._numbers.get(timed.fault, -1),
                    text=timed.fault.describe(),
                    since=timed.at_ns // 1000,
                )
                for timed in live.journal.active
            ],
            messages=self._messages(),
            last=[self._frame(record) for record in live.tally.last],
            notices={name: self._notice(name) for name in live.vehicle.notices},
            judged=standing.at_ns // 1000,
            unjudged=self.unjudged,
            broken=[_broken(entry) for entry in standing.now],
            past=[_broken(entry) for entry in standing.past],
        )

    def _lateness(self) -> tuple[int, bool]:
        """The 99th percentile of the last seconds in ns, and whether that is behind."""
        pacer, now_s = self._live.pacer, monotonic_seconds()
        if now_s >= self._renew_s:
            self._renew_s = now_s + _RECENT_S
            self._recent = (pacer.recent.percentile(0.99), pacer.given_up_ns)
            pacer.recent = Lateness()
        recent_ns = max(self._recent[0], pacer.recent.percentile(0.99))
        return recent_ns, recent_ns > LATE_NS or pacer.given_up_ns > self._recent[1]

    def _node(self, name: str) -> Node:
        host = self._live.session.hosts[name]
        controller = host.controller
        return Node(
            program=host.state,
            bus=controller.state.value if controller.powered else "off",
            tec=controller.tec,
            rec=controller.rec,
        )

    def _messages(self) -> dict[str, Message]:
        found: dict[str, Message] = {}
        for identity, seen in self._live.tally.messages.items():
            info = self._infos.get(identity)
            name = hex_identifier(*identity) if info is None else info.name
            found[name] = Message(
                at=seen.last.end_ns // 1000,
                sent=seen.sent,
                failed=seen.failed,
                text=self._text(identity, seen.last),
            )
        return found

    def _text(self, identity: Identity, record: BusRecord) -> str:
        """What a frame says; made once for each."""
        known = self._texts.get(identity)
        if known is None or known[0] is not record:
            text = decoded(self._infos.get(identity), record)
            self._texts[identity] = known = (record, text)
        return known[1]

    def _frame(self, record: BusRecord) -> FrameLine:
        frame = record.frame
        identity = (frame.identifier, frame.extended)
        info = self._infos.get(identity)
        cause = record.error
        return FrameLine(
            at=record.end_ns // 1000,
            identifier=hex_identifier(*identity),
            name="" if info is None else info.name,
            sender=record.sender,
            data="remote" if frame.remote else frame.data.hex(" ").upper(),
            text=decoded(info, record),
            failed="" if cause is None else CAUSES.get(cause, cause),
        )

    def _notice(self, name: str) -> bool:
        """Whether a notice is given, in what its sender handed over last."""
        vehicle = self._live.vehicle
        message, signal = vehicle.signal(vehicle.notices[name].signal)
        handed = self._live.session.recording.handed.get(message.name, [])
        return bool(handed and handed[-1].data and signal.raw(handed[-1].data))


def _latest(found: Mapping[str, Series[T]]) -> dict[str, T]:
    return {name: series.values[-1] for name, series in found.items() if series.values}


def decoded(info: MessageInfo | None, record: BusRecord) -> str:
    """The payload signals of a frame: ``Position 1, Speed 850 rpm``."""
    frame = record.frame
    if info is None or frame.remote:
        return ""
    if len(frame.data) != info.length:
        return f"{len(frame.data)} bytes instead of {info.length}"
    shown = (
        f"{name} {_value(signal, frame.data)}"
        for name, signal in info.signals.items()
        if name not in info.guards
    )
    return ", ".join(shown)


def _value(signal: SignalInfo, data: bytes) -> str:
    raw = signal.raw(data)
    return signal.choices.get(raw) or plain(round(signal.physical(data), 6))


def _broken(entry: Break) -> Broken:
    return Broken(
        subject=entry.subject,
        rule=entry.rule,
        since=entry.since_ns // 1000,
        until=None if entry.until_ns is None else entry.until_ns // 1000,
        text=entry.text,
    )
