"""Homemade power nodes for both ends of the van: they know what to do when nobody asks."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import ClassVar, NamedTuple

from base_link import HomeNode

from linkloss_nodes import Board

CYCLE_MS, LIT_MS = 660, 330


class Load(NamedTuple):
    """One output: who asks for it, what it does when nobody does. Levels 0 and 1."""

    message: str = ""
    signal: str = ""
    stale: float | None = 0.0
    """Level while the link is lost; None: as it was."""
    give_up_ms: int | None = None
    """So long after that it is off."""
    reset: float = 0.0
    local: Callable[[Board], bool] | None = None
    flashes: bool = False
    fade_ms: int = 0
    """It takes so long to go out."""


def hazard(board: Board) -> bool:
    """The hazard switch has its own lead to both ends."""
    return board.read("hazard") == "on"


LAMP, BODY, ENGINE = "LampRequest", "BodyRequest", "EngineRequest"
LEFT = Load(LAMP, "IndicatorLeft", local=hazard, flashes=True)
RIGHT = Load(LAMP, "IndicatorRight", local=hazard, flashes=True)
TO_BE_SEEN = Load(LAMP, "Position", stale=1.0, reset=1.0)
DIPPED = Load(LAMP, "DippedBeam", stale=None, reset=1.0)


class Blinker:
    """The flash cycle. It follows the dash in small steps: a jump would show as a wrong flash."""

    def __init__(self) -> None:
        self.lit = False
        self.began_ms = 0
        self.edge_ms: int | None = None
        self.dash_began_ms: int | None = None

    def hear(self, elapsed_ms: float, now_ms: int) -> None:
        """The dash tells how long ago its cycle began; 1275: it has none."""
        self.dash_began_ms = None if elapsed_ms >= 1275 else now_ms - round(elapsed_ms)

    def step(self, now_ms: int, *, wanted: bool) -> None:
        """Once per round."""
        if not wanted:
            self.lit, self.edge_ms = False, None
        elif self.edge_ms is None:
            self.begin(now_ms)
        elif now_ms >= self.edge_ms:
            self.lit = not self.lit
            if self.lit:
                self.began_ms, self.edge_ms = now_ms, now_ms + LIT_MS
            else:
                self.edge_ms = self.began_ms + CYCLE_MS + self.trim_ms()

    def begin(self, now_ms: int) -> None:
        """The first lamp flashes: fall in with the dash."""
        began_ms = now_ms if self.dash_began_ms is None else self.dash_began_ms
        phase_ms = (now_ms - began_ms) % CYCLE_MS
        self.lit = phase_ms < LIT_MS
        self.began_ms = now_ms - phase_ms
        self.edge_ms = self.began_ms + (LIT_MS if self.lit else CYCLE_MS)

    def trim_ms(self) -> int:
        """By how much this dark phase differs from the usual, to get closer to the dash."""
        if self.dash_began_ms is None:
            return 0
        late_ms = (self.began_ms - self.dash_began_ms) % CYCLE_MS
        if min(late_ms, CYCLE_MS - late_ms) <= 30:
            return 0
        return -late_ms if late_ms <= 130 else min(CYCLE_MS - late_ms, 260)


class HomePower(HomeNode):
    """A power node. ``LOADS`` says what hangs on it."""

    LOADS: ClassVar[Mapping[str, Load]] = {}

    def set_up(self) -> None:
        """All pins get their levels before anything else happens."""
        self.levels: dict[str, float] = {}
        self.blinker = Blinker()
        self.work()

    def work(self) -> None:
        """Bring every output to its level."""
        self.keep_step()
        asked = {name: self.wanted(load) for name, load in self.LOADS.items()}
        self.forbid(asked)
        flashing = any(asked[name] for name, load in self.LOADS.items() if load.flashes)
        self.blinker.step(self.now_ms, wanted=flashing)
        for name, load in self.LOADS.items():
            lit = self.blinker.lit if load.flashes else True
            level = asked[name] if lit else 0.0
            self.set_output(name, self.faded(name, level, load.fade_ms))

    def forbid(self, asked: dict[str, float]) -> None:
        """Take away what may not be, whoever asks for it."""

    def faded(self, name: str, level: float, fade_ms: int) -> float:
        """A level on the way to darkness."""
        last = self.levels.get(name, 0.0)
        if not fade_ms or level >= last:
            return level
        return max(level, round(last - self.LOOP_MS / fade_ms, 4))

    def set_output(self, name: str, level: float) -> None:
        """Write a pin when its level changes."""
        if self.levels.get(name) != level:
            self.levels[name] = level
            self.board.write(name, level)

    def keep_step(self) -> None:
        """Follow the flash cycle of the dash while it is heard."""
        lamps = self.heard[LAMP]
        if lamps.values is None or not lamps.fresh(self.now_ms):
            self.blinker.dash_began_ms = None
        elif lamps.at_ms == self.now_ms:
            self.blinker.hear(lamps.values["FlashTime"], self.now_ms)

    def wanted(self, load: Load) -> float:
        """What an output shall do: its own lead first, then the request."""
        if load.local is not None and load.local(self.board):
            return 1.0
        return self.asked(load) if load.message else 0.0

    def asked(self, load: Load) -> float:
        """What the request says, or what holds without one."""
        heard = self.heard[load.message]
        if heard.values is None:
            return load.reset
        if heard.fresh(self.now_ms):
            return float(heard.values[load.signal])
        return self.on_its_own(load)

    def on_its_own(self, load: Load) -> float:
        """The link is lost."""
        heard = self.heard[load.message]
        assert heard.values is not None
        if load.stale is not None:
            return load.stale
        alone_ms = self.now_ms - heard.at_ms - heard.stale_ms
        given_up = load.give_up_ms is not None and alone_ms > load.give_up_ms
        return 0.0 if given_up else float(heard.values[load.signal])


class HomeRear(HomePower):
    """The rear of the van."""

    LISTENS: ClassVar[Mapping[str, int]] = {LAMP: 250, BODY: 250, ENGINE: 500}
    SENDS = ("RearStatus",)
    LOADS: ClassVar[Mapping[str, Load]] = {
        "tail_left": TO_BE_SEEN,
        "tail_right": TO_BE_SEEN,
        "plate_lamp": TO_BE_SEEN,
        "brake_lamps": Load(local=lambda board: board.read("brake_pedal") == "pressed"),
        "reverse_lamps": Load(
            local=lambda board: (
                board.read("reverse_gear") == "engaged" and board.read("ignition") == "on"
            )
        ),
        "indicator_rear_left": LEFT,
        "indicator_rear_right": RIGHT,
        "fuel_pump": Load(
            ENGINE,
            "FuelPump",
            local=lambda board: (
                board.read("oil_pressure") == "present" and board.read("ignition") == "on"
            ),
        ),
        "interior_lamp": Load(BODY, "InteriorLamp", stale=None, give_up_ms=800, fade_ms=400),
        "accessory_socket": Load(BODY, "Accessory"),
    }

    crashed = False

    def forbid(self, asked: dict[str, float]) -> None:
        """No fuel after a crash, until the key has been turned back."""
        if self.board.read("crash") == "yes":
            self.crashed = True
        elif self.board.read("ignition") != "on":
            self.crashed = False
        if self.crashed:
            asked["fuel_pump"] = 0.0


class HomeFront(HomePower):
    """The front of the van."""

    LISTENS: ClassVar[Mapping[str, int]] = {LAMP: 250, BODY: 250, ENGINE: 500}
    SENDS = ("FrontStatus",)
    LOADS: ClassVar[Mapping[str, Load]] = {
        "low_beam_left": DIPPED,
        "low_beam_right": DIPPED,
        "high_beam": Load(LAMP, "MainBeam"),
        "position_front": TO_BE_SEEN,
        "indicator_front_left": LEFT,
        "indicator_front_right": RIGHT,
        "horn": Load(BODY, "Horn"),
        "wiper": Load(BODY, "Wiper", stale=None),
        "wiper_fast": Load(BODY, "WiperFast", stale=None),
        "cooling_fan": Load(ENGINE, "CoolingFan", stale=1.0),
    }
    LONGEST_MS = 2950

    sounds_ms: int | None = None

    def forbid(self, asked: dict[str, float]) -> None:
        """No main beam without dipped beam, no horn that sounds for ever."""
        if not asked["low_beam_left"] and not asked["low_beam_right"]:
            asked["high_beam"] = 0.0
        if not asked["horn"]:
            self.sounds_ms = None
        elif self.sounds_ms is None:
            self.sounds_ms = self.now_ms
        elif self.now_ms - self.sounds_ms >= self.LONGEST_MS:
            asked["horn"] = 0.0
