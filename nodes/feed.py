"""One switched feed: from a request, the inputs beside it and what is missing to on, off, flash.

The state that a lost link or a reset leaves a load in is decided here, output by output. A lamp
that is lit when in doubt and a starter that is off on any doubt differ in their settings only.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal, get_args

from nodes.api import MS, Board, SettingsError, Timer, read_settings
from nodes.condition import Condition, Value, parse_condition
from nodes.fields import split_signal
from nodes.flasher import Flasher
from nodes.receive import Receiver

State = Literal["off", "on", "flash"]
StaleState = Literal["hold", "off", "on", "flash"]


@dataclass(frozen=True)
class FeedSettings:
    """What one output does, times in ms.

    ``request`` (``Message.Signal``) asks for it; without a good message for ``stale_after_ms`` it
    goes to ``on_stale`` and, ``hold_for_ms`` later, to ``then``. From the start of the program
    until the first good message it is ``on_reset``. ``max_step`` is the largest right step of the
    counter, by default the periods in ``stale_after_ms``. ``local`` is a condition over the node's
    own inputs: it decides alone (``local_use`` follows), or either asks (``or``). With ``latch``
    the load stays off after stale or reset until the request has been off. While ``inhibit``
    holds, the load is never switched on, and if on is switched off ``inhibit_after_ms`` later.
    ``output`` is the pin, by default the feed's own name. A load that ``flashes`` does so whenever
    it is asked for. One that draws less than ``least_a`` amperes while it is on has failed.
    """

    request: str | None = None
    output: str | None = None
    stale_after_ms: int | None = None
    max_step: int | None = None
    on_stale: StaleState = "off"
    hold_for_ms: int | None = None
    then: State | None = None
    on_reset: State = "off"
    local: str | None = None
    local_use: Literal["follows", "or"] = "follows"
    latch: bool = False
    flashes: bool = False
    inhibit: str | None = None
    inhibit_after_ms: int = 0
    least_a: float | None = None

    def __post_init__(self) -> None:
        _choice("on_stale", self.on_stale, get_args(StaleState))
        _choice("on_reset", self.on_reset, get_args(State))
        _choice("local_use", self.local_use, ("follows", "or"))
        if self.then is not None:
            _choice("then", self.then, get_args(State))
        if (self.hold_for_ms is None) != (self.then is None):
            raise SettingsError("then", "'hold_for_ms' and 'then' go together")
        if self.request is None and self.local is None:
            raise SettingsError("request", "expected 'request' or 'local': nothing asks for it")
        if self.request is not None:
            split_signal(self.request)
            if not self.stale_after_ms or self.stale_after_ms < 0:
                raise SettingsError("stale_after_ms", "a request needs a 'stale_after_ms' above 0")
        if self.least_a is not None and not self.least_a > 0:
            raise SettingsError("least_a", f"got {self.least_a!r}; expected amperes above 0")
        for key in ("local", "inhibit"):
            if getattr(self, key) is not None:
                parse_condition(getattr(self, key), key)


def _choice(key: str, value: object, choices: tuple[str, ...]) -> None:
    if value not in choices:
        raise SettingsError(key, f"got {value!r}; expected one of: {', '.join(choices)}")


def read_feeds(given: Mapping[str, Any], where: str = "outputs.") -> dict[str, FeedSettings]:
    """The settings of all outputs by name. Raises SettingsError."""
    return {
        name: read_settings(FeedSettings, table, f"{where}{name}.") for name, table in given.items()
    }


class Feed:
    """One output at work. ``names`` are the inputs that it looks at, ``level`` is what was
    written to its pin last, ``written`` how many times something was.
    """

    def __init__(self, board: Board, name: str, settings: FeedSettings, flasher: Flasher) -> None:
        self._board = board
        self.pin = settings.output or name
        self.least_a = settings.least_a
        self._settings = settings
        self._flasher = flasher
        self._lit: State = "flash" if settings.flashes else "on"
        self._asked: State = settings.on_reset
        self._local = _parsed(settings.local)
        self._inhibitor = Inhibitor(board, settings, self._inhibited)
        local = self._local.names if self._local is not None else ()
        self.names = local + self._inhibitor.names
        self._values: Mapping[str, Value | None] = {}
        self._latched = settings.latch
        self._giving_up: Timer | None = None
        self._state: State | None = None
        self.level = 0.0
        self.written = 0

    def connect(self, receiver: Receiver) -> None:
        """Listen to the request, if there is one. Raises SettingsError."""
        if self._settings.request is None:
            return
        message, signal = split_signal(self._settings.request)
        stale_after_ns = (self._settings.stale_after_ms or 0) * MS
        link = receiver.listen(message, stale_after_ns, self._settings.max_step)
        field = receiver.field(message, signal)
        link.on_news.append(lambda: self._requested(wanted=field.get(link.data) != 0))
        link.on_stale.append(self._stale)

    def apply(self, values: Mapping[str, Value | None]) -> None:
        """Bring the output to the state that follows from everything known."""
        self._values = values
        state = self._wanted()
        if state != self._state:
            before, self._state = self._state, state
            self._switch(before, state)

    def _wanted(self) -> State:
        values = self._values
        if self._local is None:
            wanted = self._asked
        elif self._local.holds(values):
            wanted = self._lit
        else:
            wanted = "off" if self._settings.local_use == "follows" else self._asked
        if self._inhibitor.blocks(values, on=self._state not in (None, "off")):
            return "off"
        return wanted

    def _switch(self, before: State | None, state: State) -> None:
        if before == "flash":
            self._flasher.leave(self._show)
        if state == "flash":
            self._flasher.join(self._show)
        else:
            self._show(state == "on")

    def _show(self, lit: bool) -> None:
        self.level = 1.0 if lit else 0.0
        self.written += 1
        self._board.write(self.pin, self.level)

    def _requested(self, *, wanted: bool) -> None:
        if self._giving_up is not None:
            self._giving_up.cancel()
            self._giving_up = None
        if not wanted:
            self._latched = False
        asked: State = self._lit if wanted and not self._latched else "off"
        if asked != self._asked:
            self._asked = asked
            self.apply(self._values)

    def _stale(self) -> None:
        settings = self._settings
        self._latched = settings.latch
        if settings.on_stale != "hold":
            self._asked = settings.on_stale
            self.apply(self._values)
        if settings.hold_for_ms is not None:
            self._giving_up = self._board.after(settings.hold_for_ms * MS, self._give_up)

    def _give_up(self) -> None:
        self._giving_up = None
        assert self._settings.then is not None
        self._asked = self._settings.then
        self.apply(self._values)

    def _inhibited(self) -> None:
        """The inhibiting condition has held for its time. A load that went off meanwhile, because
        its request did, has nothing to wait for.
        """
        if self._settings.latch and self._state not in (None, "off"):
            self._latched = True
            self._asked = "off"
        self.apply(self._values)


class Inhibitor:
    """The condition under which a load may not be on: at once for one that is off, after a grace
    for one that is on.
    """

    def __init__(self, board: Board, settings: FeedSettings, act: Callable[[], object]) -> None:
        self._board = board
        self._condition = _parsed(settings.inhibit)
        self.names = self._condition.names if self._condition is not None else ()
        self._after_ns = settings.inhibit_after_ms * MS
        self._act = act
        self._blocked = False
        self._grace: Timer | None = None

    def blocks(self, values: Mapping[str, Value | None], *, on: bool) -> bool:
        """Whether the load, now on or off, has to be off."""
        if self._condition is None:
            return False
        if not self._condition.holds(values):
            self._end_grace()
            self._blocked = False
        elif not on:
            self._end_grace()
            self._blocked = True
        elif not self._blocked and self._grace is None:
            self._grace = self._board.after(self._after_ns, self._over)
        return self._blocked

    def _over(self) -> None:
        self._grace = None
        self._blocked = True
        self._act()

    def _end_grace(self) -> None:
        if self._grace is not None:
            self._grace.cancel()
            self._grace = None


def _parsed(text: str | None) -> Condition | None:
    return None if text is None else parse_condition(text)
