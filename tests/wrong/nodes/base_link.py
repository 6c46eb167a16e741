"""What every homemade node here begins with: one loop, and a link that it looks after by hand.

Written as a hobby builder writes it: everything is polled, time is counted in milliseconds, each
question that the link raises is one short method.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property, partial
from typing import ClassVar, cast

import can

from linkloss_nodes import MS, Board, Node


def crc8(data: bytes) -> int:
    """CRC-8 of SAE J1850, bit by bit: polynomial 0x1D, start value 0xFF, result inverted."""
    value = 0xFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value << 1 ^ 0x1D if value & 0x80 else value << 1) & 0xFF
    return value ^ 0xFF


def checksum(identifier: int, data: bytes) -> int:
    """What belongs into the first byte of a payload."""
    return crc8(identifier.to_bytes(2, "big") + data[1:])


class Heard:
    """A message that comes in: when the last good one came, and what was in it."""

    def __init__(self, board: Board, name: str, stale_ms: int) -> None:
        message = board.messages.get_message_by_name(name)
        self.identifier: int = message.frame_id
        self.length: int = message.length
        self.decode = partial(message.decode_simple, decode_choices=False)
        self.stale_ms = stale_ms
        self.max_step: int = stale_ms // (message.cycle_time or stale_ms)
        self.at_ms = 0
        self.count = 0
        self.seen_ms = 0
        self.seen_count = -1
        self.values: Mapping[str, float] | None = None

    def fresh(self, now_ms: int) -> bool:
        """Whether a good message came, and not too long ago."""
        return self.values is not None and now_ms - self.at_ms <= self.stale_ms


class Outgoing:
    """A message that goes out: every period, and soon after a change."""

    def __init__(self, board: Board, name: str) -> None:
        message = board.messages.get_message_by_name(name)
        self.identifier: int = message.frame_id
        self.period_ms: int = message.cycle_time or 100
        self.encode = message.encode
        self.supply_volts = board.supply_volts
        self.values: dict[str, float] = dict.fromkeys((s.name for s in message.signals), 0)
        self.count = 0
        self.sent_ms: int | None = None
        self.changed = False

    def set(self, **values: float) -> None:
        """What it shall say from now on."""
        self.changed = self.changed or any(self.values[key] != values[key] for key in values)
        self.values.update(values)

    def due(self, now_ms: int) -> bool:
        """Whether it shall go now; 10 ms lie between two of them at least."""
        if self.sent_ms is None:
            return True
        return now_ms - self.sent_ms >= (10 if self.changed else self.period_ms)

    def build(self) -> can.Message:
        """The frame, with counter and checksum."""
        self.values["Counter"] = self.count
        if "SupplyVoltage" in self.values:
            self.values["SupplyVoltage"] = self.supply_volts()
        data = bytearray(self.encode(self.values, strict=False))
        data[0] = checksum(self.identifier, bytes(data))
        return can.Message(arbitration_id=self.identifier, is_extended_id=False, data=bytes(data))


class HomeNode(Node):
    """The loop of every homemade node. ``LISTENS``: message -> stale after so many ms."""

    LOOP_MS = 5
    WATCHDOG_MS = 200
    LISTENS: ClassVar[Mapping[str, int]] = {}
    SENDS: tuple[str, ...] = ()

    @cached_property
    def heard(self) -> dict[str, Heard]:
        """The messages that come in."""
        return {name: Heard(self.board, name, ms) for name, ms in self.LISTENS.items()}

    @cached_property
    def out(self) -> dict[str, Outgoing]:
        """The messages that go out."""
        return {name: Outgoing(self.board, name) for name in self.SENDS}

    @property
    def now_ms(self) -> int:
        """Milliseconds since the board was powered."""
        return self.board.now_ns() // MS

    def start(self) -> None:
        """Set the pins, then let the loop run."""
        self.off_since: int | None = None
        self.full_since: int | None = None
        self.set_up()
        self.start_watchdog()
        self.board.every(self.LOOP_MS * MS, self.loop)

    def start_watchdog(self) -> None:
        """The hardware watchdog; the loop feeds it."""
        self.board.start_watchdog(self.WATCHDOG_MS * MS)

    def loop(self) -> None:
        """One round."""
        self.board.feed_watchdog()
        self.poll()
        self.look_after_bus()
        self.work()
        self.send_due()

    def set_up(self) -> None:
        """What comes before the first round."""

    def work(self) -> None:
        """What the node is there for."""

    # ---- receiving ----

    def poll(self) -> None:
        """Take all frames that came since the last round."""
        while (frame := self.board.bus.recv(0)) is not None:
            self.on_arrival(frame)

    def on_arrival(self, frame: can.Message) -> None:
        """Sort a frame, check it, take it."""
        for heard in self.heard.values():
            if not self.is_for(heard, frame):
                continue
            if self.is_intact(heard, frame) and self.counts_on(heard, frame):
                self.take(heard, frame)

    def is_for(self, heard: Heard, frame: can.Message) -> bool:
        """Whether a frame is this message."""
        kind = frame.is_extended_id or frame.is_remote_frame
        return frame.arbitration_id == heard.identifier and not kind

    def is_intact(self, heard: Heard, frame: can.Message) -> bool:
        """Length and checksum."""
        data = bytes(frame.data)
        return len(data) == heard.length and data[0] == checksum(heard.identifier, data)

    def counts_on(self, heard: Heard, frame: can.Message) -> bool:
        """The counter must move, but not too far; after a silence any count will do."""
        count, now_ms = frame.data[1] & 0x0F, self.now_ms
        repeated = count == heard.seen_count and now_ms - heard.seen_ms <= heard.stale_ms
        heard.seen_ms, heard.seen_count = now_ms, count
        if repeated:
            return False  # a frozen sender never ends a silence
        return not heard.fresh(now_ms) or 1 <= (count - heard.count) % 16 <= heard.max_step

    def take(self, heard: Heard, frame: can.Message) -> None:
        """It is good."""
        heard.at_ms = self.now_ms
        heard.count = frame.data[1] & 0x0F
        heard.values = cast("Mapping[str, float]", heard.decode(bytes(frame.data)))

    # ---- sending ----

    def send_due(self) -> None:
        """Send what is due; what the controller refuses is built anew in the next round."""
        for out in self.out.values():
            if out.due(self.now_ms) and self.send(out):
                out.count = (out.count + 1) % 16
                out.sent_ms = self.now_ms
                out.changed = False

    def send(self, out: Outgoing) -> bool:
        """Hand a message to the controller; whether it took it."""
        try:
            self.board.bus.send(out.build())
        except can.CanOperationError:
            self.refused()
            return False
        self.full_since = None
        return True

    def refused(self) -> None:
        """The mailboxes are full: what has been in there for long is old, throw it away."""
        if self.full_since is None:
            self.full_since = self.now_ms
        elif self.now_ms - self.full_since >= 10:
            self.board.bus.flush_tx_buffer()
            self.full_since = None

    def look_after_bus(self) -> None:
        """Bus-off: wait a little, then ask the controller to come back; with 50 ms it would come
        back 15 times a second while each of its frames is spoilt.
        """
        if self.board.bus.state != can.BusState.ERROR:
            self.off_since = None
        elif self.off_since is None:
            self.off_since = self.now_ms
        elif self.now_ms - self.off_since >= 100:
            self.recover()
            self.off_since = None

    def recover(self) -> None:
        """Come back from bus-off."""
        self.board.recover_bus()
