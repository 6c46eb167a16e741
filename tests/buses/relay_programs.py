"""The programs of the car with a node between two messages."""

import can

from linkloss_nodes import MS, Node

SOURCE, TARGET = 256, 512
SPEEDS = {"idle": 801, "middle": 3_001, "full": 11_999}


def crc8(data):
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D if crc & 0x80 else crc << 1) & 0xFF
    return crc ^ 0xFF


class Sender(Node):
    period_ms = 50

    def tell(self):
        raise NotImplementedError

    def start(self):
        self.off_ns = self.board.now_ns() - 150 * MS
        self.board.start_watchdog(200 * MS)
        self.prepare()
        self.board.every(self.period_ms * MS, self.tell, first_ns=5 * MS)

    def prepare(self):
        pass

    def make_room(self):
        self.board.bus.flush_tx_buffer()

    def hand_over(self, identifier, data):
        self.make_room()
        message = can.Message(arbitration_id=identifier, data=data, is_extended_id=False)
        try:
            self.board.bus.send(message)
        except can.CanOperationError:
            if self.board.now_ns() - self.off_ns >= 150 * MS:
                self.off_ns = self.board.now_ns()
                self.board.recover_bus()
            return False
        return True


class Ecu(Sender):
    def prepare(self):
        self.count = 0

    def tell(self):
        self.board.feed_watchdog()
        position = str(self.board.read("throttle"))
        gear = 1 if position == "idle" else 2
        speed = SPEEDS[position].to_bytes(2, "little")
        body = [self.count | gear << 4, *speed, position == "full"]
        if self.hand_over(SOURCE, [crc8([1, 0, *body]), *body]):
            self.count = (self.count + 1) % 16


class Lamp(Sender):
    period_ms = 100

    def prepare(self):
        self.heard_ns, self.seen, self.good = self.board.now_ns(), None, 0
        self.board.write("shift_light", 0.0)
        self.board.every(5 * MS, self.watch)

    def on_frame(self, message):
        data = bytes(message.data)
        if message.is_extended_id or message.is_remote_frame or message.arbitration_id != TARGET:
            return
        if len(data) != 5 or data[0] != crc8([2, 0, *data[1:]]):
            return
        step = 1 if self.seen is None else ((data[1] & 15) - self.seen) % 16
        cycle_ms = self.board.messages.get_message_by_name("EngineView").cycle_time or 0
        if not 0 < step <= 400 // cycle_ms:
            return
        self.seen, self.heard_ns, self.good = data[1] & 15, self.board.now_ns(), self.good + 1
        if self.good > 1:
            revs = int.from_bytes(data[2:4], "big") / 10
            self.board.write("shift_light", float(1000 < revs < 5000))

    def watch(self):
        self.board.feed_watchdog()
        if self.board.now_ns() - self.heard_ns >= 400 * MS:
            self.seen, self.good = None, 0
            self.board.write("shift_light", 0.0)

    def tell(self):
        self.hand_over(641, [self.good < 2])


class Gate(Sender):
    """A gateway as it should be: its own cycle, its own counter, a time-out."""

    period_ms = 100
    confirm, trusted_ms = 2, 300

    def prepare(self):
        self.count, self.seen, self.good, self.speed, self.gear = 0, None, 0, None, 0
        self.heard_ns = self.board.now_ns()
        self.board.every(100 * MS, lambda: self.hand_over(640, [1]), first_ns=9 * MS)

    def on_frame(self, message):
        data = bytes(message.data)
        if message.is_extended_id or message.is_remote_frame or message.arbitration_id != SOURCE:
            return
        if self.proper(data):
            self.good += 1
            self.seen, self.heard_ns = data[1] & 15, self.board.now_ns()
            if self.good >= self.confirm:
                self.take(int.from_bytes(data[2:4], "little"), data[1] >> 4 & 3)

    def proper(self, data):
        if self.silent():
            self.seen, self.good, self.speed = None, 0, None
        return len(data) == 5 and self.intact(data) and self.new(data)

    def intact(self, data):
        return data[0] == crc8([1, 0, *data[1:]])

    def new(self, data):
        return self.seen is None or 0 < ((data[1] & 15) - self.seen) % 16 <= 6

    def take(self, speed, gear):
        self.speed, self.gear = speed, gear

    def silent(self):
        return self.board.now_ns() - self.heard_ns >= self.trusted_ms * MS

    def tell(self):
        self.board.feed_watchdog()
        if self.silent() or self.speed is None:
            self.say(65535, 7)
        else:
            self.say(self.converted(self.speed), 4 + self.gear)

    def converted(self, speed):
        return speed * 5 // 2

    def say(self, revs, gear):
        body = [self.count | gear << 4, *revs.to_bytes(2, "big"), 0]
        if self.hand_over(TARGET, [crc8([2, 0, *body]), *body]):
            self.counted()

    def counted(self):
        self.count = (self.count + 1) % 16


# ---- right ones that work differently


class Follower(Gate):
    """It sends with every other good message, and by itself only when none comes."""

    period_ms = 10

    def prepare(self):
        super().prepare()
        self.sent_ns = self.board.now_ns() - 100 * MS

    def take(self, speed, gear):
        super().take(speed, gear)
        if self.board.now_ns() - self.sent_ns >= 92 * MS:
            self.now()

    def tell(self):
        self.board.feed_watchdog()
        if self.board.now_ns() - self.sent_ns >= 115 * MS:
            self.now()

    def now(self):
        self.sent_ns = self.board.now_ns()
        super().tell()


class Trusting(Gate):
    """It goes by the first good message after a silence."""

    confirm = 1


class Patient(Gate):
    """It waits as long as it may before it takes the source for silent."""

    trusted_ms = 315


class Upward(Gate):
    """It rounds up."""

    def converted(self, speed):
        return -(-speed * 5 // 2)


class Eager(Follower):
    """It sends early when the gear changes, and starts its cycle anew."""

    def take(self, speed, gear):
        if gear != self.gear:
            self.sent_ns = self.board.now_ns() - 100 * MS
        super().take(speed, gear)


class Forwarding(Gate):
    """It has no cycle of its own: what comes goes out, and nothing else."""

    def tell(self):
        self.board.feed_watchdog()

    def take(self, speed, gear):
        super().take(speed, gear)
        self.say(self.converted(speed), 4 + gear)


# ---- wrong ones


class Forever(Gate):
    """It repeats the last value for ever."""

    def silent(self):
        return False


class Swapped(Gate):
    """It swaps the bytes."""

    def converted(self, speed):
        revs = super().converted(speed)
        return (revs & 255) << 8 | revs >> 8


class Uncounted(Gate):
    """It drops the counter."""

    def counted(self):
        pass


class Careless(Gate):
    """It passes on what has a wrong checksum."""

    def intact(self, data):
        return True


class Scaled(Gate):
    """Its scale is wrong by a tenth."""

    def converted(self, speed):
        return speed * 11 // 4


class Narrow(Gate):
    """It counts with too few bits."""

    def converted(self, speed):
        return super().converted(speed) & 0xFFF


class Geared(Gate):
    """Its table of gears is off by one."""

    def take(self, speed, gear):
        super().take(speed, gear + 1)


class Slow(Gate):
    """It passes on a value too late."""

    def take(self, speed, gear):
        self.board.after(250 * MS, lambda: super(Slow, self).take(speed, gear))


class Defaulting(Gate):
    """It says zero instead of not available."""

    def say(self, revs, gear):
        super().say(0 if revs == 65535 else revs, gear)


class Hasty(Gate):
    """It gives up on a source that is late by a little."""

    trusted_ms = 40


class Keeping(Gate):
    """It keeps the old value over a reset."""

    def prepare(self):
        super().prepare()
        self.speed, self.gear = self.board.memory.get("last", (None, 0))

    def take(self, speed, gear):
        super().take(speed, gear)
        self.board.memory["last"] = speed, gear


class Flooding(Gate):
    """It floods the slow side from the fast one."""

    def take(self, speed, gear):
        super().take(speed, gear)
        self.tell()


class Echoing(Gate):
    """It sends the source's own frames back."""

    def on_frame(self, message):
        super().on_frame(message)
        if message.arbitration_id == SOURCE:
            self.hand_over(SOURCE, bytes(message.data))


class Undeclared(Gate):
    """It passes on a message that nobody declared."""

    def on_frame(self, message):
        super().on_frame(message)
        if message.arbitration_id == SOURCE:
            self.hand_over(0x300, bytes(message.data))


class Queueing(Gate):
    """It queues what it cannot send, and loses the newest when that is full."""

    def prepare(self):
        super().prepare()
        self.waiting = []

    def make_room(self):
        pass

    def say(self, revs, gear):
        if len(self.waiting) < 12:
            self.waiting.append((revs, gear))
        super().say(*self.waiting[0])

    def counted(self):
        super().counted()
        del self.waiting[:1]


class Dropping(Gate):
    """It passes on the first value after each silence, and no later one."""

    def take(self, speed, gear):
        if self.speed is None:
            super().take(speed, gear)


class Copying(Gate):
    """It copies the checksum where it has one that is wrong."""

    def intact(self, data):
        self.spoilt = not super().intact(data)
        return not self.spoilt

    def hand_over(self, identifier, data):
        spoilt = identifier == TARGET and getattr(self, "spoilt", False)
        return super().hand_over(identifier, [data[0] ^ 255, *data[1:]] if spoilt else data)


class Unstopped(Forwarding):
    """It goes on with the last value when its source is silent."""

    period_ms = 50

    def tell(self):
        super().tell()
        if self.silent() and self.speed is not None:
            self.say(self.converted(self.speed), 4 + self.gear)


class Sluggish(Gate):
    """It says that its source is silent, and goes back to the old value when that returns."""

    def prepare(self):
        super().prepare()
        self.back_ns, self.before = 0, None

    def proper(self, data):
        if self.silent():
            self.back_ns, self.before = self.board.now_ns(), self.speed or self.before
        return super().proper(data)

    def take(self, speed, gear):
        stays = self.before and self.board.now_ns() - self.back_ns < 700 * MS
        super().take(self.before if stays else speed, gear)
