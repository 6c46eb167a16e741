"""Nodes that try a shorted socket again: the right ones stop in time, the wrong ones do not."""

from __future__ import annotations

from base_power import HomeRear

SOCKET = "accessory_socket"
LATCHED = "latched off"


class ThreeTries(HomeRear):
    """At the first report of a trip off for a pause; behind the third try in vain off until the
    request was off.
    """

    MOST = 3
    PAUSE_MS = 500
    ACTS_ON: tuple[str, ...] = ("over-current", "over-temperature", LATCHED)

    def set_up(self) -> None:
        self.begin_anew()
        super().set_up()

    def begin_anew(self) -> None:
        """Nothing has been tried."""
        self.tries = 0
        self.off_ms: int | None = None
        self.given_up = False

    def set_output(self, name: str, level: float) -> None:
        super().set_output(name, self.tried(level) if name == SOCKET else level)

    def tried(self, level: float) -> float:
        """The level of the socket."""
        if not level:
            self.begin_anew()
        elif self.off_ms is not None and not self.given_up:
            if self.now_ms - self.off_ms >= self.PAUSE_MS:
                self.off_ms = None
                self.tries += 1
        elif self.levels.get(SOCKET) and self.has_tripped():
            self.off_ms = self.now_ms
            self.given_up = self.tries >= self.MOST
        return 0.0 if self.off_ms is not None else level

    def has_tripped(self) -> bool:
        """Whether the switch reports so."""
        return self.board.output_status(SOCKET) in self.ACTS_ON


class WaitsForTheLatch(ThreeTries):
    """Lets the switch try by itself first."""

    ACTS_ON = (LATCHED,)


class FromTryToTry(ThreeTries):
    """The pause counts from when it was switched on: it is off for what is left of that."""

    PAUSE_MS = 490  # it is switched off 10 ms behind at least


class NeverTries(ThreeTries):
    """Leaves everything to the switch, which latches in the end."""

    ACTS_ON = ()


class FreesTheLatch(HomeRear):
    """A latched switch is freed by a short pulse, three times at most."""

    def set_up(self) -> None:
        self.freed = 0
        super().set_up()

    def work(self) -> None:
        latched = self.levels.get(SOCKET) and self.board.output_status(SOCKET) == LATCHED
        if latched and self.freed < 3:
            self.freed += 1
            self.board.write(SOCKET, 0.0)
            self.board.after(2000, self.board.write, SOCKET, 1.0)
        super().work()


class EndlessTries(ThreeTries):
    """Nobody counts them."""

    MOST = 1_000_000


class OneTryMore(ThreeTries):
    """Counts from the first time that it is switched on, and wrongly."""

    MOST = 4


class NoPause(ThreeTries):
    """Off and on again as fast as the loop goes."""

    PAUSE_MS = 0


class ShortPause(ThreeTries):
    """A pause of its own."""

    PAUSE_MS = 300


class GivesUpAtOnce(ThreeTries):
    """One trip, and the socket is dead until the request was off."""

    MOST = 0


class LeavesItLatched(ThreeTries):
    """Behind the last try the output stays as it is, though its switch has latched."""

    def has_tripped(self) -> bool:
        return self.tries < self.MOST and super().has_tripped()


class TriesOnAndOn(ThreeTries):
    """Forgets that it has given up once it has rested for two seconds."""

    def tried(self, level: float) -> float:
        if self.given_up and self.off_ms is not None and self.now_ms - self.off_ms >= 2000:
            self.begin_anew()
        return super().tried(level)


class GivesUpByCurrent(ThreeTries):
    """Takes a current that its switch bears well for a short."""

    def has_tripped(self) -> bool:
        return self.board.current(SOCKET) > 9.5


class SlowToTry(ThreeTries):
    """Rests for longer than its pause and its latency."""

    PAUSE_MS = 530
