"""A body node of one's own beside a car that is logged: its brake lamp follows the pedal."""

import can

from linkloss_nodes import MS, Node, Timer


class Body(Node):
    """On while the pedal is pressed, and when nobody says so any more."""

    lost_after_ns = 100 * MS

    def start(self) -> None:
        self.on = False
        self.lost: Timer | None = None
        self.board.start_watchdog(200 * MS)
        self.board.write("brake_lamp", 0.0)
        self.on_input("", "")
        self.board.every(50 * MS, self.board.feed_watchdog)
        self.board.every(100 * MS, self.send)

    def on_frame(self, message: can.Message) -> None:
        if message.arbitration_id != 0x110 or message.is_extended_id:
            return
        if message.is_remote_frame or message.dlc != 2:
            return
        self.show(bool(message.data[0] & 1))
        if self.lost is not None:
            self.lost.cancel()
        self.lost = self.board.after(self.lost_after_ns, self.show, True)

    def on_input(self, name: str, value: str | float) -> None:
        if "dome" in self.board.settings:
            self.board.write("dome", float(self.board.read("door") == "open"))

    def show(self, on: bool) -> None:
        self.on = on
        self.board.write("brake_lamp", float(on))

    def send(self) -> None:
        status = can.Message(arbitration_id=0x300, data=[self.on], is_extended_id=False)
        self.board.bus.flush_tx_buffer()
        try:
            self.board.bus.send(status)
        except can.CanOperationError:
            self.board.recover_bus()


class Deaf(Body):
    """It never notices that the pedal is silent."""

    lost_after_ns = 10_000_000 * MS
