"""The rear node of a van as a plain python-can script: one loop that blocks in ``bus.recv``.

It is the example of a script that does the whole job: it checks counters and checksums, knows what
each feed does when its request stays away, sends a heartbeat and comes back from bus-off. What
the feeds do stands in ``FEEDS``; times are in seconds, as in ``time`` and ``can``.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Literal

import can

from linkloss_nodes.here import board

Without = Literal["off", "on", "hold"]
STATUS_ID, STATUS_EVERY, LOOK_EVERY, WATCHDOG_NS = 0x202, 0.1, 0.004, 200_000_000
CYCLE, LIT, IN_STEP, SHORTEN, LENGTHEN, TIME_UNIT = 0.66, 0.33, 0.03, 0.13, 0.26, 0.005
RECOVER_AFTER, TOO_OLD = 0.05, 0.01
MAX_STEP, NO_TIME = 5, 255
LOOK_AT_CURRENTS_EVERY, NOTHING_A, WORKS_FROM_V = 0.1, 0.1, 9.0
FADE = 0.5


def checksum(identifier: int, data: bytes) -> int:
    """CRC-8 of SAE J1850 over identifier (high byte first) and data behind the checksum."""
    crc = 0xFF
    for byte in (*identifier.to_bytes(2, "big"), *data[1:]):
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D if crc & 0x80 else crc << 1) & 0xFF
    return crc ^ 0xFF


class Link:
    """One message that this node listens to: what it said last, and whether it still comes."""

    def __init__(self, identifier: int, length: int, stale_after: float) -> None:
        self.identifier, self.length, self.stale_after = identifier, length, stale_after
        self.state: Literal["waiting", "fresh", "lost"] = "waiting"
        self.data = bytes(length)
        self.heard = time.monotonic()
        self.lost_at = 0.0
        self.count: int | None = None
        self.good = 0

    def take(self, message: can.Message, now: float) -> bool:
        """Take a message if it is good; after a silence it takes two in a row, for one alone may
        come from a sender that repeats itself for ever.
        """
        data = bytes(message.data)
        if len(data) != self.length or data[0] != checksum(self.identifier, data):
            return False
        count = data[1] & 0x0F
        if self.count is not None and not 0 < (count - self.count) % 16 <= MAX_STEP:
            return False
        self.count, self.heard = count, now
        self.good += 1
        if self.state == "lost" and self.good < 2:
            return False
        self.state, self.data = "fresh", data
        return True

    def watch(self, now: float) -> None:
        """Notice that it no longer comes."""
        if now - self.heard < self.stale_after:
            return
        self.count, self.good = None, 0
        if self.state != "lost":
            self.state, self.lost_at = "lost", now

    def bit(self, byte: int, bit: int) -> bool:
        """One bit of what it said last."""
        return bool(self.data[byte] >> bit & 1)


class Flasher:
    """A flash cycle of its own, trimmed in the dark phase towards that of the dash."""

    def __init__(self) -> None:
        self.running = self.lit = False
        self.began = self.wait = 0.0
        self.dash_began: float | None = None

    def hear(self, link: Link) -> None:
        """The dash has told where in its cycle it is."""
        position = link.data[3]
        self.dash_began = None if position == NO_TIME else link.heard - position * TIME_UNIT

    def tick(self, now: float, *, wanted: bool) -> None:
        """Flash, or do not."""
        if not wanted:
            self.running = self.lit = False
        elif not self.running:
            phase = 0.0 if self.dash_began is None else (now - self.dash_began) % CYCLE
            self.running, self.lit, self.began = True, phase < LIT, now - phase
            self.wait = LIT if self.lit else CYCLE
        elif now - self.began >= self.wait:
            self.lit = not self.lit
            if self.lit:
                self.began = now
            self.wait = LIT if self.lit else CYCLE + self._trim()

    def _trim(self) -> float:
        if self.dash_began is None:
            return 0.0
        late = (self.began - self.dash_began) % CYCLE
        if late <= IN_STEP or late >= CYCLE - IN_STEP:
            return 0.0
        return -late if late <= SHORTEN else min(CYCLE - late, LENGTHEN)


LAMP = Link(0x0A0, 4, 0.25)
BODY = Link(0x0D0, 3, 0.25)
ENGINE = Link(0x0C0, 2, 0.5)
LINKS = {link.identifier: link for link in (LAMP, BODY, ENGINE)}


@dataclass
class Feed:
    """One output: the bit that asks for it, and what happens when nobody does."""

    name: str
    link: Link | None = None
    byte: int = 0
    bit: int = 0
    stale: Without = "off"
    reset: bool = False
    flashes: bool = False
    hold_for: float = 0.0
    local: tuple[tuple[str, str], ...] = ()
    stops_in_crash: bool = False
    fades: bool = False
    least_a: float = 0.0
    """Less while it is on: it has failed; 0: nobody looks."""
    given_up: bool = False
    level: float | None = None
    doubtful: bool = False
    failed: bool | None = None
    """Whether it is on when the current is wrong."""
    asked_at: float = 0.0

    @property
    def on(self) -> bool:
        """Whether its pin has power."""
        return bool(self.level)

    def drive(self, now: float, *, on: bool) -> None:
        """Give the pin its level, if that alters it; what fades loses it little by little."""
        if on:
            self.asked_at = now
        level = float(on)
        if self.fades and self.level and not on:
            level = max(0.0, round(1 - (now - self.asked_at) / FADE, 3))
        if self.level != level:
            self.level, self.doubtful = level, False
            board.write(self.name, level)

    def look(self) -> None:
        """What the current tells. Two looks at one level of the pin that both find it wrong make
        a failure: the first may come before a lamp is warm or a relay has moved. Two that find it
        right end one: a switch that tries again drives its short for a moment.
        """
        amps = board.current(self.name)  # not a number where nothing senses it: never wrong
        wrong = amps < self.least_a if self.on else amps > NOTHING_A
        if wrong and self.doubtful:
            self.failed = self.on
        elif not wrong and not self.doubtful and self.failed is self.on:
            self.failed = None
        self.doubtful = wrong

    def wanted(self, now: float) -> bool:
        """Whether it is to be on, or to flash."""
        if self.local and all(board.read(name) == value for name, value in self.local):
            return True
        link = self.link
        if link is None:
            return False
        if link.state == "waiting":
            return self.reset
        if link.state == "fresh":
            self.given_up = False
            return link.bit(self.byte, self.bit)
        if self.stale != "hold":
            return self.stale == "on"
        self.given_up = self.given_up or now - link.lost_at >= self.hold_for
        return not self.given_up and link.bit(self.byte, self.bit)


HAZARD = (("hazard", "on"),)
RUNS = (("oil_pressure", "present"), ("ignition", "on"))
FEEDS = (
    Feed("tail_left", LAMP, 1, 4, stale="on", reset=True, least_a=0.2),
    Feed("tail_right", LAMP, 1, 4, stale="on", reset=True, least_a=0.2),
    Feed("plate_lamp", LAMP, 1, 4, stale="on", reset=True, least_a=0.2),
    Feed("brake_lamps", local=(("brake_pedal", "pressed"),), least_a=1.5),
    Feed("reverse_lamps", local=(("reverse_gear", "engaged"), ("ignition", "on")), least_a=1.5),
    Feed("indicator_rear_left", LAMP, 2, 0, flashes=True, local=HAZARD, least_a=0.8),
    Feed("indicator_rear_right", LAMP, 2, 1, flashes=True, local=HAZARD, least_a=0.8),
    Feed("fuel_pump", ENGINE, 1, 5, local=RUNS, stops_in_crash=True, least_a=2),
    Feed("interior_lamp", BODY, 1, 7, stale="hold", hold_for=0.8, fades=True, least_a=0.1),
    Feed("accessory_socket", BODY, 2, 0),
)


class CrashSwitch:
    """The inertia switch. What it cuts off stays off until somebody turns the key back."""

    def __init__(self) -> None:
        self.cut_off = False

    def look(self) -> bool:
        """Whether it has cut off."""
        if board.read("crash") == "yes":
            self.cut_off = True
        elif board.read("ignition") != "on":
            self.cut_off = False
        return self.cut_off


class Heartbeat:
    """The status message, and the way back from bus-off."""

    def __init__(self, bus: can.BusABC, now: float) -> None:
        self.bus = bus
        self.began = self.due = now
        self.count = 0
        self.came_back = False
        self.refused_at: float | None = None

    def tick(self, now: float) -> None:
        """Send it when it is due. What is refused is built anew: nothing old goes out."""
        if now < self.due:
            return
        lost = any(link.state != "fresh" for link in LINKS.values())
        failed = any(feed.failed is not None for feed in FEEDS)
        flags = self.count | lost << 4 | self.came_back << 5 | failed << 6
        running_for = min(255, int(now - self.began))
        body = bytes((0, flags, int(board.supply_volts() * 10), running_for))
        data = bytes((checksum(STATUS_ID, body), *body[1:]))
        try:
            self.bus.send(can.Message(arbitration_id=STATUS_ID, data=data, is_extended_id=False))
        except can.CanOperationError:
            self._refused(now)
        else:
            self.refused_at = None
            self.count = (self.count + 1) % 16
            self.due = now + STATUS_EVERY

    def _refused(self, now: float) -> None:
        if self.refused_at is None:
            self.refused_at = now
        elif self.bus.state is can.BusState.ERROR:
            if now - self.refused_at >= RECOVER_AFTER:
                board.recover_bus()
                self.came_back, self.refused_at = True, None
        elif now - self.refused_at >= TOO_OLD:
            self.bus.flush_tx_buffer()
            self.refused_at = None


def look_at_currents() -> None:
    """Look at those that tell something, while there is voltage enough to tell."""
    if board.supply_volts() >= WORKS_FROM_V:
        for feed in FEEDS:
            if feed.least_a:
                feed.look()


def main() -> None:
    """Set the outputs, join the bus, and go round for ever."""
    flasher, crash_switch = Flasher(), CrashSwitch()

    def switch(now: float) -> None:
        crashed = crash_switch.look()
        wanted = {
            feed.name: feed.wanted(now) and not (crashed and feed.stops_in_crash) for feed in FEEDS
        }
        flasher.tick(now, wanted=any(wanted[feed.name] for feed in FEEDS if feed.flashes))
        for feed in FEEDS:
            feed.drive(now, on=wanted[feed.name] and (flasher.lit or not feed.flashes))

    switch(time.monotonic())
    board.start_watchdog(WATCHDOG_NS)
    filters = [{"can_id": each, "can_mask": 0x7FF, "extended": False} for each in LINKS]
    bus = can.Bus(interface="socketcan", channel="can0", can_filters=filters)
    sign = Heartbeat(bus, time.monotonic())
    looked = time.monotonic()
    while True:
        message = bus.recv(LOOK_EVERY)
        now = time.monotonic()
        if message is not None:
            link = LINKS[message.arbitration_id]
            if link.take(message, now) and link is LAMP:
                flasher.hear(LAMP)
        for link in LINKS.values():
            link.watch(now)
        if LAMP.state != "fresh":
            flasher.dash_began = None
        switch(now)
        if now - looked >= LOOK_AT_CURRENTS_EVERY:
            looked = now
            look_at_currents()
        sign.tick(now)
        board.feed_watchdog()


if __name__ == "__main__":
    main()
