"""The state of a live session at an instant, as plain values, which both the page and the terminal
show.

Instants are whole microseconds of virtual time.

An offer is a fault that can be dropped onto the vehicle, with the places it can go to.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import TypedDict, TypeVar

from linkloss.bus import BusRecord
from linkloss.bus.message import hex_identifier
from linkloss.clock.pace import Lateness
from linkloss.clock.wallclock import monotonic_seconds
from linkloss.faults.base import Fault
from linkloss.faults.catalogue import catalogue
from linkloss.live.driven import LiveSession
from linkloss.live.standing import STRIP_NS, Band, Break, Standing
from linkloss.live.tally import SLOT_NS, Identity
from linkloss.recording import Series
from linkloss.report.html.scene import CAUSES
from linkloss.units import plain
from linkloss.vehicle.expression import Value
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.messages import MessageInfo, SignalInfo

Place = tuple[str, str]
"""The kind of place (``gap``, ``node``, ``input``, ``load``, ``message``) and its name. A gap is
named by its two neighbours, ``left|right``.
"""


@dataclass(frozen=True, slots=True)
class Offer:
    """One fault that a user can choose."""

    number: int
    fault: Fault
    places: tuple[Place, ...]


def offers(vehicle: Vehicle) -> tuple[Offer, ...]:
    """All faults that a check of the vehicle would try, in the order of the catalogue."""
    faults = [fault for form in catalogue().values() for fault in form.every(vehicle)]
    return tuple(
        Offer(number, fault, tuple(_places(vehicle, fault))) for number, fault in enumerate(faults)
    )


_KINDS = {"beside": "node", "receiver": "node", "output": "load"}


def _places(vehicle: Vehicle, fault: Fault) -> Iterator[Place]:
    """The places that the parameters of a fault name."""
    for name, value in fault:
        kind = _KINDS.get(name, name)
        if name == "between":
            yield "gap", gap_name(vehicle, value)
        elif kind in ("node", "input", "load", "message") and value in getattr(vehicle, f"{kind}s"):
            yield kind, value


def gap_name(vehicle: Vehicle, between: tuple[str, ...]) -> str:
    """The name of the piece of cable between two neighbours, in cable order."""
    return "|".join(sorted(between, key=vehicle.along.index))


T = TypeVar("T")
_RECENT_S, _LEAST_S = 2.0, 0.5
LATE_NS = 50_000_000
"""A session that is later than this is said to be behind; a person notices it."""


class Broken(TypedDict):
    """A broken rule in a sentence; ``until`` is None while it is broken."""

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
    """A node: the state of its program and of its controller."""

    program: str
    bus: str
    tec: int
    rec: int


class Active(TypedDict):
    """An active fault, by its number among the offers."""

    number: int
    text: str
    since: int


class Saved(TypedDict):
    """A saved session: its file, how far it has been judged (0 to 1), what the judge says at the
    end, and the command that runs it again.
    """

    name: str
    share: float
    text: str
    again: str


class Strip(TypedDict):
    """The last ten seconds of a load: its changes, the first of them from before, as [instant,
    level from 0 to 1]; when it might be lit, when dark and when it was wrong, up to the instant
    ``judged`` of the state; and what it may be then, in words.
    """

    levels: list[tuple[int, float]]
    lit: list[tuple[int, int]]
    dark: list[tuple[int, int]]
    wrong: list[tuple[int, int]]
    may: str


class BusStrip(TypedDict):
    """The last ten seconds of the bus in slots of ``step``, the last one up to now: frames and
    failed attempts that ended in each, and the highest error counters of each node.
    """

    begin: int
    step: int
    frames: list[int]
    failed: list[int]
    tec: dict[str, list[int]]
    rec: dict[str, list[int]]


class State(TypedDict):
    """The whole state. ``speed`` is what was asked for, ``pace`` what came of it in the last
    seconds, both in virtual seconds per real second. ``late`` holds the 99th percentile of lateness
    over the last seconds and over the whole session, and the worst, in microseconds of real time;
    ``given_up`` is the real time given up in total, in microseconds. ``room`` is how full the
    recording is, from 0 to 1, and ``room_left`` the virtual time after which it will be full.
    ``broken`` and ``past`` hold up to the instant ``judged``.
    """

    session: int
    at: int
    speed: float
    pace: float
    paused: bool
    full: bool
    room: float
    room_left: int | None
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
    saved: list[Saved]
    strips: dict[str, Strip]
    bus: BusStrip


class Tempo:
    """How fast virtual time goes, whatever was asked for."""

    def __init__(self, wall_s: Callable[[], float] = monotonic_seconds) -> None:
        self._wall_s = wall_s
        self._asked = (0.0, False)
        self._samples: deque[tuple[float, int]] = deque()

    def now(self, at_ns: int, speed: float, paused: bool) -> float:
        """Virtual seconds per real second since a change of what was asked for, over the last
        seconds; what was asked for, while that cannot be told yet.
        """
        now_s, asked = self._wall_s(), (speed, paused)
        if asked != self._asked:
            self._samples.clear()
            self._asked = asked
        self._samples.append((now_s, at_ns))
        while self._samples[0][0] < now_s - _RECENT_S:
            self._samples.popleft()
        first_s, first_ns = self._samples[0]
        if paused or now_s - first_s < _LEAST_S:
            return speed
        return round((at_ns - first_ns) / 1e9 / (now_s - first_s), 2)


class View:
    """Makes the states of one session. Only the session's thread may call it."""

    def __init__(self, live: LiveSession, offers: tuple[Offer, ...], number: int = 0) -> None:
        self._live = live
        self._numbers = {offer.fault: offer.number for offer in offers}
        self._number = number
        self._infos = {
            (info.identifier, info.extended): info for info in live.vehicle.messages.values()
        }
        self._texts: dict[Identity, tuple[BusRecord, str]] = {}
        self._tempo = Tempo()
        self._recent = (0, 0)
        self._renew_s = 0.0
        self.standing = Standing()
        self.unjudged = ""
        """Why nothing is judged any more; empty while the judge works."""
        self.saved: tuple[Saved, ...] = ()

    def state(self, failed: str = "") -> State:
        """The present state of the session."""
        live, standing = self._live, self.standing
        recording, now_ns = live.session.recording, live.session.queue.now_ns
        recent_ns, behind = self._lateness()
        whole, left_ns = live.pacer.lateness, live.room.left_ns()
        return State(
            session=self._number,
            at=now_ns // 1000,
            speed=live.pacer.speed,
            pace=self._tempo.now(now_ns, live.pacer.speed, live.pacer.paused),
            paused=live.pacer.paused,
            full=live.full,
            room=round(live.room.share, 4),
            room_left=None if left_ns is None else left_ns // 1000,
            failed=failed,
            late=(recent_ns // 1000, whole.percentile(0.99) // 1000, whole.worst_ns // 1000),
            given_up=live.pacer.given_up_ns // 1000,
            behind=behind,
            load=round(live.tally.load(now_ns), 4),
            frames=live.tally.frames,
            frame_errors=live.tally.failed,
            inputs=_latest(recording.inputs),
            loads=_latest(recording.outputs),
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
            saved=list(self.saved),
            strips={
                name: _strip(series, now_ns, standing.bands.get(name, _NO_BAND))
                for name, series in recording.outputs.items()
            },
            bus=self._bus(now_ns),
        )

    def _bus(self, now_ns: int) -> BusStrip:
        slots = self._live.tally.slots(now_ns)
        nodes = self._live.vehicle.nodes
        return BusStrip(
            begin=slots[0].number * SLOT_NS // 1000,
            step=SLOT_NS // 1000,
            frames=[slot.frames for slot in slots],
            failed=[slot.failed for slot in slots],
            tec={name: [slot.counters[name][0] for slot in slots] for name in nodes},
            rec={name: [slot.counters[name][1] for slot in slots] for name in nodes},
        )

    def _lateness(self) -> tuple[int, bool]:
        """The 99th percentile of lateness over the last seconds in ns, and whether the session is
        behind.
        """
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
        """The decoded frame, made once for each."""
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
        """Whether a notice is given, according to the last message that its sender handed over."""
        vehicle = self._live.vehicle
        message, signal = vehicle.signal(vehicle.notices[name].signal)
        handed = self._live.session.recording.handed.get(message.name, [])
        latest = (
            entry.data for entry in reversed(handed) if not entry.data or signal.present(entry.data)
        )
        data = next(latest, b"")
        return bool(data) and signal.nonzero(data)


def _latest(found: Mapping[str, Series[T]]) -> dict[str, T]:
    return {name: series.values[-1] for name, series in found.items() if series.values}


_NO_BAND = Band((), (), (), "")
_MOST_CHANGES = 120
"""The most changes of a load in its strip: one that a fault makes bounce has thousands."""


def _strip(series: Series[float], now_ns: int, band: Band) -> Strip:
    first = max(0, bisect_right(series.times, now_ns - STRIP_NS) - 1)
    first = max(first, len(series.times) - _MOST_CHANGES)
    changes = zip(series.times[first:], series.values[first:], strict=True)
    return Strip(
        levels=[(at_ns // 1000, round(level, 3)) for at_ns, level in changes],
        lit=_micro(band.lit),
        dark=_micro(band.dark),
        wrong=_micro(band.wrong),
        may=band.may,
    )


def _micro(spans: tuple[tuple[int, int], ...]) -> list[tuple[int, int]]:
    return [(from_ns // 1000, to_ns // 1000) for from_ns, to_ns in spans]


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
        if name not in info.guards and signal.present(frame.data)
    )
    return ", ".join(shown)


def _value(signal: SignalInfo, data: bytes) -> str:
    raw = signal.raw(data)
    named = None if signal.floating else signal.choices.get(raw)
    return named or plain(round(signal.physical(data), 6))


def _broken(entry: Break) -> Broken:
    return Broken(
        subject=entry.subject,
        rule=entry.rule,
        since=entry.since_ns // 1000,
        until=None if entry.until_ns is None else entry.until_ns // 1000,
        text=entry.text,
    )
