"""A new car from a message definition and a log of it: one node of the user's beside a logged car.

What the user has not said yet is measured on the log or guessed, and each such key carries a mark
that every result names until it is taken away. The node gets one lamp, and follows the signal of
the log that looks most like a switch:

    received by the node  >  changes in the log  >  named like a lamp or a switch  >  comes often
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from pathlib import Path
from typing import Any

from linkloss.cli.common import NewCar, bad
from linkloss.cli.from_nodes import camel_name, filled
from linkloss.logs.describe import Description, Seen, describe
from linkloss.logs.source import LogFile
from linkloss.logs.stream import Tally, frames
from linkloss.problem import MOST_LISTED, BadInput, unknown
from linkloss.units import plain
from linkloss.vehicle.dbc import Dbc, read_dbc
from linkloss.vehicle.messages import MessageInfo, SignalInfo

TEMPLATES = Path(__file__).parents[1] / "start" / "log"
MS = 1_000_000
USUAL_RATE, EXTENDED_RATE = 500_000, 250_000
"""Bit rates of a car's own bus, and of one with extended identifiers only; common practice."""
STALE_PERIODS = 5
"""A message counts as lost after so many of its periods; common practice."""
USUAL_CYCLE_MS = 100
LAST_IDENTIFIER = 0x7EF
"""The lowest priority whose seven highest bits are not all recessive (Bosch CAN Specification 2.0,
part A).
"""
SLOWEST_NS = 1_000 * MS
"""A switch that is told less often is no request for a lamp."""
MOST_SHOWN = 12
"""So many further candidates stand in the vehicle file as comments."""
LIKELY = (
    "bra?k", "lamp", "light", "beam", "indicator", "turn", "blinker", "reverse", "hazard", "door",
    "horn", "pressed", "switch",
)  # fmt: skip
GUARDS = re.compile(r"count|cnt|ctr|crc|chk|check|sum|alive|rolling|parity|valid", re.IGNORECASE)
"""Names of signals that protect others."""
MOST_CHANGES = 0.2
"""A bit that changes in a larger share of its frames is no switch."""


@dataclass(frozen=True)
class Candidate:
    """A signal of the log that may ask for a lamp. ``changes`` counts how often it changed."""

    message: MessageInfo
    signal: SignalInfo
    period_ns: int
    longest_ns: int
    changes: int
    received: bool

    @property
    def reference(self) -> str:
        """``Message.Signal``."""
        return f"{self.message.name}.{self.signal.name}"

    @property
    def input(self) -> str:
        """What the switch behind it is called."""
        words = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", self.signal.name).lower()
        return words if re.fullmatch(r"[a-z]\w*", words) else f"input_{words}"

    @property
    def changed(self) -> str:
        """How often it changed, in words."""
        return "1 change" if self.changes == 1 else f"{self.changes} changes"

    @property
    def cycle_ms(self) -> int:
        """Its period, in whole ms."""
        return max(1, round(self.period_ns / MS))

    @property
    def stale_ms(self) -> int:
        """When it counts as lost, in ms: later than after the longest silence of the log."""
        return max(STALE_PERIODS * self.cycle_ms, round(1.5 * self.longest_ns / MS), 20)

    def order(self) -> tuple[Any, ...]:
        """The most likely one comes first."""
        name = self.signal.name.lower()
        words = (place for place, word in enumerate(LIKELY) if re.search(word, name))
        word = next(words, len(LIKELY))
        return not self.received, not self.changes, word, self.period_ns, self.reference


def car_from_log(dbc: Path, log: Path, node: str, request: str | None = None) -> NewCar:
    """The files of a car with a node beside the ones that are logged. ``request`` is the signal
    that its lamp follows (``Message.Signal``); None takes the most likely one. Raises BadInput for
    files that cannot be read, and where no message of the log could ask for a lamp.
    """
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_]{0,30}", node):
        text = f"'{node}' is no name for a node; expected up to 31 letters, digits and _"
        raise bad("--node", f"{text}, beginning with a letter")
    read = read_dbc(dbc)
    database = read.database
    found = describe(log, database=database)
    own = [message for message in database.messages if node in message.senders]
    candidates = sorted(_candidates(read, found, log, node), key=Candidate.order)
    if not candidates:
        text = "no message in it that this DBC file knows comes in a steady period and has a signal"
        raise BadInput.one(log, "", f"{text} of one bit; expected one that could ask for a lamp")
    best = candidates[0] if request is None else _named(request, log, candidates)
    others = [candidate for candidate in candidates if candidate is not best]
    senders = _senders(found, node)
    status_dbc = "" if own else f"{node.lower()}_status.dbc"
    camel = camel_name(node)
    status = own[0].name if own else f"{camel}Status"
    words: dict[str, Any] = {
        "node": node,
        "camel": camel,
        "status": status,
        "status_dbc": status_dbc,
        "sent": [message.name for message in own] or [status],
        "file": f"{node.lower()}.py",
        "dbc": dbc.name,
        "bit_rate": _bit_rate(read, found),
        "senders": senders,
        "cycles": list(_cycles(found, best, own)),
        "best": best,
        "sender": (best.message.senders or ("log",))[0],
        "given": request is not None,
        "lamp": "brake_lamp" if re.search(LIKELY[0], best.signal.name.lower()) else "lamp",
        "others": others[:MOST_SHOWN],
        "more": max(0, len(others) - MOST_SHOWN),
        "first_values": list(_first_values(read, own)),
        "guarded": best.message.counter is not None or best.message.checksum is not None,
    }
    files = {
        "vehicle.toml": _filled("vehicle.toml", words),
        words["file"]: _filled("node.py", words),
        dbc.name: dbc.read_bytes(),
    }
    if status_dbc:
        words |= {"identifier": _free_identifier(read, found)}
        files[status_dbc] = _filled("status.dbc", words)
    return NewCar(files, (words["file"],), drive=log)


def _named(request: str, log: Path, candidates: Sequence[Candidate]) -> Candidate:
    """The signal that the user names. Raises BadInput for one that there is not, or that never
    changes.
    """
    known = {candidate.reference: candidate for candidate in candidates}
    if request not in known:
        text = unknown("signal of one bit in a message of the log", request, known)
        raise bad("--request", text)
    if not known[request].changes:
        raise bad("--request", _still(request, log, candidates))
    return known[request]


def _still(request: str, log: Path, candidates: Sequence[Candidate]) -> str:
    """What is wrong with a signal that never changes, and the signals most like it that do."""
    text = f"{request} never changes in {log}: nothing would be asked of the lamp"
    moving = {c.reference: c for c in candidates if c.changes}
    if not moving:
        return f"{text}; expected another log, no other signal of one bit changes in this one"

    def unlike(name: str) -> float:
        return -SequenceMatcher(None, request, name).ratio()

    near = sorted(moving, key=unlike)[:MOST_LISTED]
    listed = ", ".join(f"{name} ({moving[name].changed})" for name in near)
    more = f" and {len(moving) - len(near)} more" if len(moving) > len(near) else ""
    return f"{text}; expected another log, or a signal that changes, such as {listed}{more}"


def _candidates(read: Dbc, found: Description, log: Path, node: str) -> Iterator[Candidate]:
    """Signals of one bit in messages that others send in a steady period, and that the DBC file
    describes without a flaw.
    """
    spoilt = {flaw.message for flaw in read.flaws}
    steady: dict[tuple[int, bool], tuple[Seen, MessageInfo]] = {}
    for seen in found.seen:
        if seen.message is None or node in seen.message.senders or seen.message.name in spoilt:
            continue
        median_ns = seen.intervals.median_ns
        if not median_ns or median_ns > SLOWEST_NS or seen.wrong_length:
            continue
        steady[seen.identifier, seen.extended] = (seen, read.messages[seen.message.name])
    changes = _changes(log, {key: info for key, (_, info) in steady.items()}, found.channel)
    for seen, info in steady.values():
        assert seen.message is not None
        for signal in seen.message.signals:
            if signal.length != 1 or signal.multiplexer_ids or GUARDS.search(signal.name):
                continue
            number = changes[info.name, signal.name]
            if number > MOST_CHANGES * seen.count:
                continue
            yield Candidate(
                message=info,
                signal=info.signals[signal.name],
                period_ns=info.period_ns or seen.intervals.median_ns or 0,
                longest_ns=seen.intervals.longest_ns,
                changes=number,
                received=node in signal.receivers,
            )


def _changes(
    log: Path, messages: Mapping[tuple[int, bool], MessageInfo], channel: str
) -> dict[tuple[str, str], int]:
    """How often each signal of one bit changed in a log."""
    bits = {
        key: [signal for signal in info.signals.values() if signal.length_bits == 1]
        for key, info in messages.items()
    }
    counts = {(messages[key].name, signal.name): 0 for key in bits for signal in bits[key]}
    last: dict[tuple[int, bool], bytes] = {}
    for _, frame, _ in frames(LogFile(log), Tally(), channel or None, fd=True):
        key = (frame.identifier, frame.extended)
        if key not in bits or frame.remote or len(frame.data) != messages[key].length:
            continue
        before = last.get(key)
        last[key] = frame.data
        if before is None or before == frame.data:
            continue
        for signal in bits[key]:
            if signal.raw(before) != signal.raw(frame.data):
                counts[messages[key].name, signal.name] += 1
    return counts


def _free_identifier(read: Dbc, found: Description) -> int:
    """The lowest priority of a base frame that neither the DBC file nor the log has."""
    taken = {key[0] for key in read.lines} | {seen.identifier for seen in found.seen}
    return next(number for number in range(LAST_IDENTIFIER, 0, -1) if number not in taken)


def _senders(found: Description, node: str) -> list[str]:
    """The nodes of the log, each once, in the order of its identifiers."""
    named = (name for seen in found.seen if seen.message for name in seen.message.senders)
    return [name for name in dict.fromkeys(named) if name.casefold() != node.casefold()]


def _bit_rate(read: Dbc, found: Description) -> tuple[int, str]:
    """The bit rate in kbit/s, and where it comes from."""
    specifics = read.database.dbc
    attributes = specifics.attributes if specifics is not None else {}
    for name, attribute in attributes.items():
        if name.casefold() == "baudrate" and attribute.value:
            rate = int(attribute.value)
            return (rate // 1000 if rate > 2000 else rate), "an attribute of the DBC file"
    extended = all(seen.extended for seen in found.seen)
    rate = EXTENDED_RATE if extended else USUAL_RATE
    why = "usual where all identifiers are extended" if extended else "usual in cars"
    least = found.load.rate_guess() or rate
    if least > rate:
        return least // 1000, "the slowest usual one that carries the busiest second"
    return rate // 1000, why


def _cycles(found: Description, best: Candidate, own: list[Any]) -> Iterator[tuple[str, int, str]]:
    """(message, ms, where it comes from) of the cycle times that the DBC file does not give."""
    if best.message.period_ns is None:
        yield best.message.name, best.cycle_ms, "the median in the log"
    for message in own:
        if message.cycle_time:
            continue
        seen = (entry.intervals.median_ns for entry in found.seen if entry.message is message)
        median_ns = next(seen, None)
        if median_ns is None:
            yield message.name, USUAL_CYCLE_MS, "the log does not have it"
        else:
            yield message.name, max(1, round(median_ns / MS)), "the median in the log"


def _first_values(read: Dbc, own: list[Any]) -> Iterator[tuple[str, str, str]]:
    """(message, signal, value) of what the node sends that must not be 0."""
    for info in (read.messages[message.name] for message in own):
        for signal in info.signals.values():
            nothing = bytes(info.length)
            if signal.name in info.guards or signal.page or signal.in_range(nothing):
                continue
            low, high = signal.minimum, signal.maximum
            value = low if low is not None and signal.physical(nothing) < low else high
            assert value is not None, "0 is out of a range"
            yield info.name, signal.name, plain(value)


def _filled(name: str, words: Mapping[str, Any]) -> bytes:
    return filled(TEMPLATES, name, words).encode()
