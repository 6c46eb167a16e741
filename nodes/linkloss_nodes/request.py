"""One request: from inputs and time to on or off.

Everything that lasts longer than the input itself (a headlamp that stays on for a while, three
flashes for one touch of the stalk, the prime of a fuel pump) ends at an instant that stands in the
board's memory, so that a reset in between changes nothing for those outside. What ended while
the program was not there to see it has no such aftermath: nobody knows when that was.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from linkloss_nodes.api import MS, Board, SettingsError, read_settings
from linkloss_nodes.condition import Condition, Value, parse_condition
from linkloss_nodes.fields import split_signal

Values = Mapping[str, Value | None]


@dataclass(frozen=True)
class OneTouch:
    """A touch shorter than ``shorter_than_ms`` asks for ``lasts_ms`` from its beginning."""

    shorter_than_ms: int
    lasts_ms: int


@dataclass(frozen=True)
class Prime:
    """It is asked for ``lasts_ms`` after the condition ``when`` begins to hold."""

    when: str
    lasts_ms: int

    def __post_init__(self) -> None:
        parse_condition(self.when, "when")


@dataclass(frozen=True)
class RequestSettings:
    """When a request is on, times in ms.

    It is on while ``when`` holds; with ``until`` it stays on until that holds (hysteresis). It
    stays on for ``off_delay_ms`` afterwards. It is never on unless ``only_while`` holds too, nor
    while one of its received signals is not known. ``flashes`` marks requests that share the
    flash cycle. ``once_per_press``: once refused by ``only_while``, it waits until ``when`` has
    not held.
    """

    when: str
    until: str | None = None
    only_while: str | None = None
    off_delay_ms: int = 0
    one_touch: OneTouch | None = None
    prime: Prime | None = None
    flashes: bool = False
    once_per_press: bool = False

    def __post_init__(self) -> None:
        for key in ("when", "until", "only_while"):
            if getattr(self, key) is not None:
                parse_condition(getattr(self, key), key)
        for key, form in (("one_touch", OneTouch), ("prime", Prime)):
            given = getattr(self, key)
            if isinstance(given, Mapping):
                object.__setattr__(self, key, read_settings(form, given, f"{key}."))
        if self.off_delay_ms < 0:
            raise SettingsError("off_delay_ms", f"got {self.off_delay_ms}; expected 0 or more")


def read_requests(given: Mapping[str, Any], where: str = "requests.") -> dict[str, RequestSettings]:
    """The settings of all requests by ``Message.Signal``. Raises SettingsError."""
    found = {}
    for name, table in given.items():
        split_signal(name)
        found[name] = read_settings(RequestSettings, table, f"{where}{name}.")
    return found


class Request:
    """One request at work. ``names`` are the inputs and received signals it looks at."""

    def __init__(self, board: Board, name: str, settings: RequestSettings) -> None:
        self._board = board
        self._settings = settings
        self._when = parse_condition(settings.when)
        self._until = _parsed(settings.until)
        self._while = _parsed(settings.only_while)
        self._prime = None if settings.prime is None else parse_condition(settings.prime.when)
        parsed = [self._when, self._until, self._while, self._prime]
        found = [name for part in parsed if part is not None for name in part.names]
        self.names = tuple(dict.fromkeys(found))
        self.name = name
        self.flashes = settings.flashes
        self._spent = False
        self._watched = False
        self._memory = board.memory
        self._doubt_memory()

    def _doubt_memory(self) -> None:
        """Forget an end that lies too far ahead: the clock has begun anew since it was noted."""
        settings = self._settings
        touch_ms = settings.one_touch.lasts_ms if settings.one_touch is not None else 0
        prime_ms = settings.prime.lasts_ms if settings.prime is not None else 0
        longest_ns = max(settings.off_delay_ms, touch_ms, prime_ms) * MS
        if self._recall("until_ns") > self._board.now_ns() + longest_ns:
            self._remember("until_ns", 0)

    def evaluate(self, values: Values) -> bool:
        """Whether it is on now. To be called at every change and at :meth:`ends_ns`."""
        now_ns = self._board.now_ns()
        held = self._when.holds(values)
        if self._until is not None and not held:
            held = bool(self._recall("held")) and not self._until.holds(values)
        self._edges(held, now_ns)
        self._watched = True
        self._start_prime(values, now_ns)
        if not self._allowed(values):
            self._spent = self._settings.once_per_press and held
            return False
        self._spent = self._spent and held
        on = held or now_ns < self._recall("until_ns")
        return on and not self._spent

    def ends_ns(self) -> int | None:
        """When time alone may change it, or None."""
        until_ns = self._recall("until_ns")
        return until_ns if until_ns > self._board.now_ns() else None

    def _allowed(self, values: Values) -> bool:
        if any(values[name] is None for name in self.names):
            return False
        return self._while is None or self._while.holds(values)

    def _edges(self, held: bool, now_ns: int) -> None:
        settings = self._settings
        if held == self._recall("held"):
            return
        self._remember("held", held)
        if held:
            self._remember("since_ns", now_ns)
            return
        if not self._watched:
            return
        since_ns = self._recall("since_ns")
        touch = settings.one_touch
        if settings.off_delay_ms:
            self._last_until(now_ns + settings.off_delay_ms * MS)
        if touch is not None and now_ns - since_ns < touch.shorter_than_ms * MS:
            self._last_until(since_ns + touch.lasts_ms * MS)

    def _start_prime(self, values: Values, now_ns: int) -> None:
        if self._prime is None or self._settings.prime is None:
            return
        primed = self._prime.holds(values)
        if primed == self._recall("primed"):
            return
        self._remember("primed", primed)
        if primed:
            self._last_until(now_ns + self._settings.prime.lasts_ms * MS)

    def _last_until(self, until_ns: int) -> None:
        self._remember("until_ns", max(until_ns, self._recall("until_ns")))

    def _recall(self, what: str) -> int:
        """What the board's memory holds; 0, which is also False, where it holds nothing."""
        value: int = self._memory.get(f"{self.name} {what}", 0)
        return value

    def _remember(self, what: str, value: int) -> None:
        self._memory[f"{self.name} {what}"] = value


def _parsed(text: str | None) -> Condition | None:
    return None if text is None else parse_condition(text)
