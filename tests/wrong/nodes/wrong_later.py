"""Nodes whose mistake shows late, or only at one instant, one counter value or one frame: what a
check finds depends on which cases it tries.
"""

from __future__ import annotations

import struct

import can
from base_link import Heard, checksum
from base_power import BODY, LAMP, HomeFront, HomeRear, Load

from linkloss_nodes import MS


class Deaf(HomeRear):
    """Loads stay as they are while ``deaf`` says so."""

    DEAF: tuple[str, ...] = tuple(HomeRear.LOADS)

    def set_up(self) -> None:
        self.kept: dict[str, float] = {}
        super().set_up()

    def deaf(self) -> bool:
        """Whether the loads follow no longer."""
        raise NotImplementedError

    def set_output(self, name: str, level: float) -> None:
        if name in self.DEAF and name in self.kept and self.deaf():
            level = self.kept[name]
        self.kept[name] = level
        super().set_output(name, level)


class DeafBehindReturn(Deaf):
    """All loads that are asked for over the link but one are deaf from 1.5 s after its return."""

    DEAF = ("tail_left", "tail_right", "plate_lamp", "interior_lamp", "accessory_socket")

    def set_up(self) -> None:
        self.lost = False
        self.back_ms: int | None = None
        super().set_up()

    def deaf(self) -> bool:
        return self.back_ms is not None and self.now_ms - self.back_ms >= 1500

    def keep_step(self) -> None:
        super().keep_step()
        lamps = self.heard[LAMP]
        lost = lamps.values is not None and not lamps.fresh(self.now_ms)
        if self.lost and not lost:
            self.back_ms = self.now_ms
        self.lost = lost


class DarkAfterTwelveSeconds(HomeRear):
    """A counter of ms in a signed 16-bit variable goes negative, and with it all there is."""

    def set_output(self, name: str, level: float) -> None:
        super().set_output(name, 0.0 if self.now_ms >= 12_000 else level)


class DeafAfterTwoHundredMessages(HomeRear):
    """A log of what came in is full after 200 messages, and nobody takes the next one."""

    def set_up(self) -> None:
        self.room = 200
        super().set_up()

    def take(self, heard: Heard, frame: can.Message) -> None:
        if heard is not self.heard[BODY] or self.room:
            super().take(heard, frame)
        self.room -= bool(self.room) and heard is self.heard[BODY]


class DeafBehindThirdChange(Deaf):
    """After a lost link the third change of a request is the last one that is obeyed."""

    DEAF = ("accessory_socket",)

    def set_up(self) -> None:
        self.lost = False
        self.changes = 0
        self.before: float | None = None
        super().set_up()

    def deaf(self) -> bool:
        return self.changes > 3

    def keep_step(self) -> None:
        super().keep_step()
        body = self.heard[BODY]
        if body.values is None:
            return
        self.lost = self.lost or not body.fresh(self.now_ms)
        asked = float(body.values["Accessory"])
        self.changes += self.lost and self.before is not None and asked != self.before
        self.before = asked


class HighBeamStuck(HomeFront):
    """A change of the request is kept for the time after a reset, until it has been obeyed for
    300 ms: a reset soon behind it, and the lamp stays as it was asked for.
    """

    def set_up(self) -> None:
        self.stuck = bool(self.board.memory.get("asked", 0.0))
        self.since_ms = 0
        super().set_up()

    def wanted(self, load: Load) -> float:
        asked = super().wanted(load)
        if load.signal != "MainBeam":
            return asked
        if self.stuck:
            return 1.0
        before = self.levels.get("high_beam", 0.0)
        if asked != before:
            self.since_ms = self.now_ms
        self.board.memory["asked"] = asked if self.now_ms - self.since_ms < 300 else 0.0
        return asked


class MissesOneCount(HomeRear):
    """A repeated counter is found out, but not if it is ``MISSED``."""

    MISSED = 7

    def counts_on(self, heard: Heard, frame: can.Message) -> bool:
        return super().counts_on(heard, frame) or frame.data[1] & 0x0F == self.MISSED


class RepairsRollOver(HomeRear):
    """When the clock of 32-bit milliseconds begins anew, all counts as just heard and just sent."""

    def set_up(self) -> None:
        self.last_ms = 0
        super().set_up()

    @property
    def now_ms(self) -> int:
        return self.board.now_ns() // MS % 2**32

    def work(self) -> None:
        if self.now_ms < self.last_ms:
            for heard in self.heard.values():
                heard.at_ms = heard.seen_ms = self.now_ms
            for out in self.out.values():
                out.sent_ms = self.now_ms
            self.blinker.edge_ms = None
        self.last_ms = self.now_ms
        super().work()


class SixteenBitDeadline(HomeRear):
    """The end of the time-out is a sum of 16 bits, and compared as it is."""

    def asked(self, load: Load) -> float:
        heard = self.heard[load.message]
        deadline_ms = (heard.at_ms + heard.stale_ms) % 2**16
        if heard.values is not None and self.now_ms % 2**16 > deadline_ms:
            return self.on_its_own(load)
        return load.reset if heard.values is None else float(heard.values[load.signal])


class MicrosecondRollOver(HomeRear):
    """Milliseconds made of 32-bit microseconds: every 71 minutes they go back to 0."""

    @property
    def now_ms(self) -> int:
        return self.board.now_ns() // 1_000 % 2**32 // 1_000


class FloatSeconds(HomeRear):
    """Seconds in a float of 32 bits: after weeks they come in steps of half a second."""

    @property
    def now_ms(self) -> int:
        (seconds,) = struct.unpack("f", struct.pack("f", self.board.now_ns() / 1e9))
        return round(seconds * 1000)


class LooseMask(HomeRear):
    """The acceptance mask leaves out the lowest bit of the identifier, and nobody looks again."""

    def is_for(self, heard: Heard, frame: can.Message) -> bool:
        kind = frame.is_extended_id or frame.is_remote_frame
        return not kind and frame.arbitration_id >> 1 == heard.identifier >> 1


class TwinTaken(HomeRear):
    """Nobody asks whether the identifier is a standard or an extended one."""

    def is_for(self, heard: Heard, frame: can.Message) -> bool:
        return frame.arbitration_id == heard.identifier and not frame.is_remote_frame


class AnyLength(HomeRear):
    """What is too long is read as far as it is known."""

    def is_intact(self, heard: Heard, frame: can.Message) -> bool:
        data = bytes(frame.data)[: heard.length]
        return len(data) == heard.length and data[0] == checksum(heard.identifier, data)

    def take(self, heard: Heard, frame: can.Message) -> None:
        frame.data = frame.data[: heard.length]
        super().take(heard, frame)


class LengthCodeTaken(AnyLength):
    """A length code above 8 stands for 8 bytes: what brings so many is read as far as it is known,
    and nothing else that is too long.
    """

    def is_intact(self, heard: Heard, frame: can.Message) -> bool:
        return len(frame.data) in (heard.length, 8) and super().is_intact(heard, frame)


class RemoteTaken(HomeRear):
    """A remote frame is read like any other: its buffer is empty, and empty means off."""

    def on_arrival(self, frame: can.Message) -> None:
        for heard in self.heard.values():
            if frame.is_remote_frame and frame.arbitration_id == heard.identifier:
                heard.at_ms = self.now_ms
                heard.values = dict.fromkeys(heard.values or (), 0.0)
        super().on_arrival(frame)


class StopLampWins(HomeRear):
    """Stop lamp and indicator are one bulb, and the stop lamp has the last word."""

    def set_output(self, name: str, level: float) -> None:
        braking = self.board.read("brake_pedal") == "pressed"
        both = name in ("indicator_rear_left", "indicator_rear_right") and level is not None
        super().set_output(name, 1.0 if both and braking else level)
