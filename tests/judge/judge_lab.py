"""A tiny car and hand-made recordings of it: no session, no node code, every instant chosen.

Instants are given in ms (``int`` or ``float`` with exact halves) or, where a test needs the edge,
in ns by adding ``NS`` units. Unless a test says otherwise:

- nodes ``dash`` and ``rear`` power up at 0, run from 50 ms on, declared boot 100 ms;
- ``Request`` (dash, every 50 ms): Lamp in byte 0, a 4-bit counter in byte 1, a sum in byte 2;
- ``Plain`` (dash, every 50 ms): Lamp in byte 0, unprotected; ``Dimmer`` likewise, with Percent in
  byte 1;
- ``DashStatus`` and ``RearStatus`` every 100 ms from 60 ms on;
- a load is stale after 250 ms (early by 2 % = 5 ms), reaction 20 ms, latency 20 ms, rejoin 300 ms.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from linkloss.bus import BusRecord, Frame, RecordList
from linkloss.judge import Outcome, Verdict, judge
from linkloss.judge.case import Case
from linkloss.judge.loads import view_load
from linkloss.recording import (
    ControllerChange,
    Crash,
    FaultRecord,
    Handed,
    NodeChange,
    Recording,
    Series,
    series,
)
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.messages import MessageInfo, SignalInfo
from linkloss.vehicle.tables import VehicleFile

MS = 1_000_000
NS = Fraction(1, MS)
"""One nanosecond in the unit of these tests."""

KEPT, BROKEN, NOT_EXERCISED = Outcome.KEPT, Outcome.BROKEN, Outcome.NOT_EXERCISED

LOAD = {
    "node": "rear",
    "request": "Request.Lamp",
    "stale_after": "250 ms",
    "on_stale": "off",
    "on_reset": "off",
    "rejoin": "300 ms",
}


def ns(at_ms) -> int:
    """ms -> ns, exactly."""
    value = Fraction(at_ms) * MS
    assert value.denominator == 1, f"{at_ms} ms is no whole number of ns"
    return int(value)


def _bit(name: str, byte: int, shift: int = 0, length: int = 1) -> SignalInfo:
    mask = (1 << length) - 1
    return SignalInfo(name, lambda data: data[byte] >> shift & mask, 1.0, 0.0, length, {})


def _message(name, identifier, length, sender, period_ms, signals, counter=None, checksum=None):
    by_name = {signal.name: signal for signal in signals}
    return MessageInfo(
        name=name,
        identifier=identifier,
        extended=False,
        length=length,
        senders=(sender,),
        period_ns=period_ms * MS,
        signals=by_name,
        counter=by_name.get(counter),
        checksum=checksum,
        guards=frozenset({counter} & by_name.keys()),
    )


_BYTE = _bit("", 0, 0, 8)
MESSAGES = {
    message.name: message
    for message in (
        _message(
            "Request",
            0x100,
            3,
            "dash",
            50,
            [_bit("Lamp", 0), _bit("Counter", 1, 0, 4)],
            counter="Counter",
            checksum=lambda data: data[2] == (data[0] + data[1]) & 0xFF,
        ),
        _message("Plain", 0x101, 1, "dash", 50, [_bit("Lamp", 0)]),
        _message("Dimmer", 0x103, 2, "dash", 50, [_bit("Lamp", 0), _bit("Percent", 1, 0, 8)]),
        _message(
            "Beat", 0x104, 1, "dash", 50, [replace(_bit("Since", 0, 0, 8), scale=5, unit="ms")]
        ),
        _message("Engine", 0x110, 1, "rear", 50, [_bit("Running", 0)]),
        _message("DashStatus", 0x200, 1, "dash", 100, [_bit("RearLost", 0), _bit("Stuck", 0, 1)]),
        _message("RearStatus", 0x201, 1, "rear", 100, [_bit("Alive", 0)]),
    )
}


def car(*, nodes=None, requests=None, notices=None, bus=None, **loads) -> Vehicle:
    """The tiny car with these loads (keys beyond :data:`LOAD`; None takes a key away)."""
    tables = {
        name: {key: value for key, value in {**LOAD, **load}.items() if value is not None}
        for name, load in (loads or {"lamp": {}}).items()
    }
    node: dict[str, Any] = {
        "python": "none:None",
        "boot": "100 ms",
        "boots_in": "50 ms",
        "rejoin": "400 ms",
    }
    node["mailboxes"] = 32  # what is handed over without being sent never fills them
    nodes = nodes or {}
    fed = any("supply" in table for table in nodes.values()) or any(
        "electrical" in table for table in tables.values()
    )
    file = VehicleFile.model_validate(
        {
            "title": "tiny",
            "supply": {} if fed else None,
            "dbc": "none",
            "bus": {"bit_rate": "250 kbit/s", "cable": ["dash", "rear"], **(bus or {})},
            "nodes": {
                "dash": {**node, "status": "DashStatus", **nodes.get("dash", {})},
                "rear": {**node, "status": "RearStatus", "watchdog": "200 ms"}
                | nodes.get("rear", {}),
            },
            "inputs": {
                "switch": {"wired_to": ["dash"], "positions": ["off", "on"]},
                "key": {"wired_to": ["dash"], "positions": ["off", "on"]},
                "speed": {"wired_to": ["dash"], "range": [0, 100]},
                "pedal": {"wired_to": ["rear"], "positions": ["up", "down"]},
                "crash": {"wired_to": ["rear"], "positions": ["no", "yes"]},
            },
            "loads": tables,
            "requests": requests or {},
            "notices": notices or {},
        },
    )
    source: Any = SimpleNamespace(path=Path("tiny.toml"), text="")
    no_database: Any = None
    return Vehicle(Path("tiny.toml"), source, file, no_database, MESSAGES, {})


class Tape:
    """A recording in the making. Every method returns the tape, so that a test reads as a list."""

    def __init__(self, vehicle: Vehicle, end_ms=3000) -> None:
        self.vehicle = vehicle
        self.recording = Recording(vehicle="tiny", seed=0, end_ns=ns(end_ms))
        self.counter = 0
        self._frames: list[BusRecord] = []
        self._status = {"dash": True, "rear": True}
        self._commanded: set[str] = set()
        for name, table in vehicle.inputs.items():
            self.recording.inputs[name] = Series()
            self.input(name, (0, table.rest))
        for name in vehicle.loads:
            self.recording.outputs[name] = Series()
            self.recording.outputs[name].set(0, 0.0)
        for node in vehicle.nodes:
            self.recording.nodes[node] = [
                NodeChange(0, "reset", "power-up"),
                NodeChange(50 * MS, "running", "boot"),
            ]

    # ---- what happened ----

    def input(self, name, *changes, node=None):
        """Changes of an input as (ms, value): the truth and what every node reads; with ``node``,
        only what that node reads.
        """
        for at_ms, value in changes:
            if node is None:
                self.recording.inputs[name].set(ns(at_ms), value)
            for reader in self.vehicle.inputs[name].wired_to if node is None else (node,):
                self.recording.seen.setdefault((name, reader), Series()).set(ns(at_ms), value)
        return self

    def output(self, name, *changes):
        """Changes of a load's level as (ms, level)."""
        for at_ms, level in changes:
            self.recording.outputs[name].set(ns(at_ms), float(level))
        return self

    def command(self, name, *changes):
        """What a load's node drives as (ms, level), None where no program drives it; without it
        the level that the load got, and nothing between a reset and the start of the program.
        """
        self._commanded.add(name)
        for at_ms, level in changes:
            self.recording.commands.setdefault(name, Series()).set(ns(at_ms), level)
        return self

    def _command_as_driven(self) -> None:
        """A load that is ``driven`` is commanded so, but between a reset and a program's start."""
        for name, driven in self.recording.driven.items():
            if name in self._commanded:
                continue
            changes = self.recording.nodes[self.vehicle.loads[name].node]
            runs: Series[bool] = Series()
            for change in changes:
                runs.set(change.at_ns, change.state not in ("reset", "off"))
            command = self.recording.commands[name] = Series()
            for at_ns in sorted({*runs.times, *driven.times}):
                command.set(at_ns, driven.at(at_ns) if runs.at(at_ns) else None)

    def flashing(self, name, from_ms, to_ms, lit_ms=330, dark_ms=330):
        """A load that flashes, beginning lit, dark from ``to_ms`` on."""
        at_ms = Fraction(from_ms)
        while at_ms < to_ms:
            self.output(name, (at_ms, 1))
            if at_ms + lit_ms < to_ms:
                self.output(name, (at_ms + lit_ms, 0))
            at_ms += lit_ms + dark_ms
        return self.output(name, (to_ms, 0))

    def frame(self, at_ms, identifier, data, sender="dash", to=None, overrun=(), error=None):
        """A frame that ends at ``at_ms``; it reaches all other nodes unless ``to`` names some. One
        that failed reaches nobody but those.
        """
        others = tuple(node for node in self.vehicle.nodes if node != sender)
        receivers = tuple(to) if to is not None else () if error else others
        start_ns = ns(at_ms) - 500_000
        frame = Frame(identifier, bytes(data))
        self._frames.append(
            BusRecord(start_ns, ns(at_ms), sender, frame, receivers, error, tuple(overrun)),
        )
        return self

    def request(self, at_ms, on, counter=None, **how):
        """A well-formed Request; its counter moves by one from the last, unless given."""
        self.counter = (self.counter + 1) % 16 if counter is None else counter
        data = [int(on), self.counter]
        return self.frame(at_ms, 0x100, [*data, sum(data) & 0xFF], **how)

    def requests(self, from_ms, to_ms, on, **how):
        """Requests every 50 ms from ``from_ms`` on, before ``to_ms``."""
        at_ms = Fraction(from_ms)
        while at_ms < to_ms:
            self.request(at_ms, on, **how)
            at_ms += 50
        return self

    def plain(self, from_ms, to_ms, on):
        """Plain messages every 50 ms."""
        at_ms = Fraction(from_ms)
        while at_ms < to_ms:
            self.frame(at_ms, 0x101, [int(on)])
            at_ms += 50
        return self

    def status(self, node, *spans, every_ms=100, data=0):
        """Instead of all the time a node sends its status in these spans (ms, ms) only."""
        self._status[node] = False
        identifier = 0x200 if node == "dash" else 0x201
        for from_ms, to_ms in spans:
            at_ms = Fraction(from_ms)
            while at_ms < to_ms:
                self.frame(at_ms, identifier, [data], sender=node)
                at_ms += every_ms
        return self

    def hand(self, message, *entries):
        """What a program handed to its controller: (ms, first byte)."""
        length = MESSAGES[message].length
        self.recording.handed.setdefault(message, []).extend(
            Handed(ns(at_ms), bytes([value]).ljust(length, b"\0")) for at_ms, value in entries
        )
        return self

    def node(self, name, *changes):
        """More of a node's life: (ms, state, cause)."""
        self.recording.nodes[name] += [
            NodeChange(ns(at), state, cause) for at, state, cause in changes
        ]
        return self

    def reset(self, name, at_ms, cause="fault", boots_in=50):
        """A reset and the start of the program ``boots_in`` ms later (None: never)."""
        self.node(name, (at_ms, "reset", cause))
        if boots_in is not None:
            self.node(name, (Fraction(at_ms) + boots_in, "running", "boot"))
        return self

    def nap(self, name, at_ms, woke_ms=None, by="pedal", boots_in=50):
        """A node sleeps from one instant until something wakes it at another (None: nothing)."""
        self.node(name, (at_ms, "asleep", "program"))
        if woke_ms is not None:
            self.recording.nodes[name].append(NodeChange(ns(woke_ms), "reset", "wake", by))
            self.node(name, (Fraction(woke_ms) + boots_in, "running", "boot"))
        return self

    def fault(self, kind, from_ms, to_ms, group="frames", content=False, loads=()):
        """A fault; ``to_ms`` None: it never clears."""
        cleared_ns = None if to_ms is None else ns(to_ms)
        self.recording.faults.append(
            FaultRecord(kind, kind, group, content, (), ns(from_ms), cleared_ns, tuple(loads))
        )
        return self

    def unsupplied(self, name, off_ms, back_ms, boots_in=50):
        """A node without supply from one instant to another; its program starts after that."""
        self.node(name, (off_ms, "off", "supply"))
        return self if back_ms is None else self.reset(name, back_ms, "supply", boots_in)

    def volts(self, node, *changes):
        """The voltage at a node as (ms, V)."""
        for at_ms, volts in changes:
            self.recording.volts.setdefault(node, Series()).set(ns(at_ms), float(volts))
        return self

    def driven(self, name, *changes):
        """What a load would get were nothing wrong behind its node, as (ms, level)."""
        for at_ms, level in changes:
            self.recording.driven.setdefault(name, Series()).set(ns(at_ms), float(level))
        return self

    def trips(self, name, *changes):
        """What a load's switch reports of a trip, as (ms, text); nothing: it has none."""
        told = self.recording.trips.setdefault(name, series((0, "")))
        for at_ms, text in changes:
            told.set(ns(at_ms), text)
        return self

    def controller(self, node, *changes):
        """A controller's error states: (ms, state)."""
        self.recording.controllers[node] = [
            ControllerChange(ns(at_ms), state, 0, 0) for at_ms, state in changes
        ]
        return self

    def crash(self, node, at_ms):
        """A program that raised."""
        self.recording.crashes.append(Crash(node, ns(at_ms), "node.py:1", "ValueError: no"))
        return self.node(node, (at_ms, "crashed", "ValueError: no"))

    # ---- what the judge says ----

    def judged(self) -> list[Verdict]:
        """All verdicts."""
        end_ms = Fraction(self.recording.end_ns, MS)
        for node, running in list(self._status.items()):
            if running:
                self.status(node, (60, end_ms))
        self.recording.frames = RecordList(sorted(self._frames, key=lambda record: record.end_ns))
        self._command_as_driven()
        return judge(self.vehicle, self.recording)

    def verdict(self, rule, subject="lamp") -> Verdict:
        """The one verdict on a rule; a declared rule always has one."""
        found = [v for v in self.judged() if (v.subject, v.rule) == (subject, rule)]
        assert len(found) == 1, found
        return found[0]

    def broken(self, subject=None) -> list[tuple[str, str]]:
        """(subject, rule) of everything that broke, or of what broke of one subject. A tape tells
        what was delivered and leaves out when it was handed over: the cycle is judged apart.
        """
        found = [(v.subject, v.rule) for v in self.judged() if v.broken and v.rule != "cycle"]
        return [pair for pair in found if subject in (None, pair[0])]


def kept(verdict: Verdict, margin_ms="any") -> None:
    """The rule was put to the test and kept, with just this margin (ms; None: no deadline)."""
    assert verdict.outcome is KEPT, verdict
    if margin_ms != "any":
        assert verdict.margin_ns == (None if margin_ms is None else ns(margin_ms)), verdict


def broken(verdict: Verdict, late_ms=None, at_ms=None) -> None:
    """The rule was broken, by just so much, from just then on."""
    assert verdict.outcome is BROKEN, verdict
    if late_ms is not None:
        assert verdict.margin_ns == -ns(late_ms), verdict
        assert verdict.wrong_for_ns == ns(late_ms), verdict
    if at_ms is not None:
        assert verdict.at_ns == ns(at_ms), verdict


def untested(verdict: Verdict) -> None:
    """The rule was not put to the test."""
    assert verdict.outcome is NOT_EXERCISED, verdict


def edge(make, rule, subject="lamp", deadline_ms=None) -> None:
    """``make(late)`` is a tape whose reaction comes ``late`` ms after its deadline: on the dot
    it keeps the rule with no margin, one nanosecond later it breaks it by that nanosecond.
    """
    kept(make(-1).verdict(rule, subject), 1)
    kept(make(0).verdict(rule, subject), 0)
    broken(make(NS).verdict(rule, subject), NS, deadline_ms)


def stretches(tape: Tape, name="lamp") -> list[tuple[int, int]]:
    """The stretches (ns, ns) in which a load was in no right state."""
    tape.judged()
    walked = view_load(Case(tape.vehicle, tape.recording), name).walked
    return [(breach.at_ns, breach.to_ns) for breach in walked.breaches]
