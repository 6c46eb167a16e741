"""Programs of a car whose request shares its message with other pages."""

from __future__ import annotations

import can

from linkloss_nodes import MS, Board, Node

BODY, STATUS = 256, 257


def hand(board: Board, identifier: int, data: list[int]) -> bool:
    """Hand over the newest content in place of older; whether the controller took it."""
    board.bus.flush_tx_buffer()
    try:
        board.bus.send(can.Message(arbitration_id=identifier, data=data, is_extended_id=False))
    except can.CanOperationError:
        return False
    return True


class Sender(Node):
    """Comes back from bus-off 100 ms after it was seen."""

    def start(self) -> None:
        self.board.every(100 * MS, self.come_back)

    def come_back(self) -> None:
        if self.board.bus.state == can.BusState.ERROR:
            self.board.recover_bus()


class Pages(Sender):
    """Sends one page after the other."""

    def start(self) -> None:
        super().start()
        self.count = 0
        self.board.every(20 * MS, self.send)

    def page(self) -> int:
        return self.count % 3

    def send(self) -> None:
        page = self.page()
        content = {
            0: int(self.board.read("mirror") == "on"),
            1: int(self.board.read("switch") == "on"),
            2: 0xA5,
        }[page]
        if hand(self.board, BODY, [page, content, self.count % 16 << 4]):
            self.count = (self.count + 1) % 48


class LampForgotten(Pages):
    """Leaves the lamp's page out after two seconds, and sends the others."""

    def page(self) -> int:
        page = super().page()
        return 0 if page == 1 and self.board.now_ns() > 2_000 * MS else page


class Rear(Sender):
    """Switches the lamp as its page asks, and turns it on when that page stays away or repeats
    itself.
    """

    def start(self) -> None:
        super().start()
        self.counter = -1
        self.heard_ns = self.board.now_ns()
        self.board.every(5 * MS, self.look)
        self.board.every(100 * MS, lambda: hand(self.board, STATUS, [0]))

    def on_frame(self, message: can.Message) -> None:
        if message.arbitration_id == BODY and self.is_new(message.data):
            if self.counts(message.data):
                self.heard_ns = self.board.now_ns()
            if self.asks(message.data):
                self.board.write("lamp", float(message.data[1] & 1))

    def is_new(self, data: bytearray) -> bool:
        before, self.counter = self.counter, data[2] >> 4
        return self.counter != before

    def counts(self, data: bytearray) -> bool:
        return data[0] == 1

    def asks(self, data: bytearray) -> bool:
        return data[0] == 1

    def look(self) -> None:
        if self.board.now_ns() - self.heard_ns >= 300 * MS:
            self.board.write("lamp", 1.0)


class IgnoresCounter(Rear):
    """Takes a request for new however often it repeats itself."""

    def is_new(self, data: bytearray) -> bool:
        return True


class AnyPage(Rear):
    """Reads the lamp's bit from every page."""

    def asks(self, data: bytearray) -> bool:
        return True

    def counts(self, data: bytearray) -> bool:
        return True


class AnyPageIsALife(Rear):
    """Reads the right page, and takes every other one for a sign that it still comes."""

    def counts(self, data: bytearray) -> bool:
        return True


class Jumps(Rear):
    """Takes a counter that jumps for a lost link, in whatever page; two good requests end that."""

    def start(self) -> None:
        super().start()
        self.last: int | None = None
        self.needed = 1

    def on_frame(self, message: can.Message) -> None:
        if message.arbitration_id != BODY:
            return
        step = self.step(message.data)
        if step == 0:
            return
        self.last = message.data[2] >> 4
        if step != 1:
            self.board.write("lamp", 1.0)
            self.needed = 2
        elif self.counts(message.data):
            self.heard_ns = self.board.now_ns()
            self.needed -= 1
            if self.needed <= 0:
                self.board.write("lamp", float(message.data[1] & 1))

    def step(self, data: bytearray) -> int:
        """How far the counter has moved; the first one counts as the next."""
        return 1 if self.last is None else ((data[2] >> 4) - self.last) % 16

    def look(self) -> None:
        if self.board.now_ns() - self.heard_ns >= 300 * MS:
            self.board.write("lamp", 1.0)
            self.needed = 1 if self.last is None else 2
            self.last = None


class JumpsOfItsPage(Jumps):
    """Overlooks a counter that jumps in another page."""

    def step(self, data: bytearray) -> int:
        step = super().step(data)
        return step if self.counts(data) else min(step, 1)
