"""One switched feed: from a request, the inputs beside it and what is missing to on, off, flash.

The state that a lost link or a reset leaves a load in is decided here, output by output. A lamp
that is lit when in doubt and a starter that is off on any doubt differ in their settings only.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, get_args

from linkloss_nodes.api import MS, Board, SettingsError, Timer, read_settings
from linkloss_nodes.bounds import Inhibitor, Limits, Trip
from linkloss_nodes.condition import Condition, Value, parse_condition
from linkloss_nodes.fields import Field, split_signal
from linkloss_nodes.flasher import Flasher
from linkloss_nodes.receive import Link, Receiver
from linkloss_nodes.shine import Shine

State = Literal["off", "on", "flash"]
StaleState = Literal["hold", "off", "on", "flash"]
BARELY_LIT_PERCENT = 5.0
"""A level of so much or less is off."""


@dataclass(frozen=True)
class FeedSettings:
    """What one output does, times in ms.

    ``request`` asks for it: ``Message.Signal`` that is not zero, or a condition over signals, also
    of several messages. Without a good one of each for ``stale_after_ms`` it goes to ``on_stale``
    and, ``hold_for_ms`` later, to ``then``: a state, a level such as ``"30 %"``, or a condition
    over the node's own inputs. From the start of the program until the first good message it is
    ``on_reset``. ``max_step`` is the largest right step of the counter, by default the periods in
    ``stale_after_ms``. ``level`` is a signal that says how much of its power, in percent; it goes
    there over ``ramp_up_ms`` and ``ramp_down_ms``. ``local`` is a condition over the node's own
    inputs: it decides alone (``local_use`` follows), or either asks (``or``). With ``latch`` the
    load stays off after stale or reset until the request has been off. While ``inhibit`` holds,
    the load is never switched on, and if on is switched off ``inhibit_after_ms`` later. ``trip``
    puts it off until ``off_until`` holds. ``only_with`` names outputs of the node without one of
    which this one is off. It is on for ``longest_on_ms`` at most, and off for ``shortest_off_ms``
    at least. ``output`` is the pin, by default the feed's own name. A load that ``flashes`` does so
    whenever it is asked for. One that draws less than ``least_a`` amperes while it is on has
    failed.
    """

    request: str | None = None
    output: str | None = None
    stale_after_ms: int | None = None
    max_step: int | None = None
    on_stale: str = "off"
    hold_for_ms: int | None = None
    then: str | None = None
    on_reset: str = "off"
    level: str | None = None
    ramp_up_ms: int = 0
    ramp_down_ms: int = 0
    local: str | None = None
    local_use: Literal["follows", "or"] = "follows"
    latch: bool = False
    flashes: bool = False
    inhibit: str | None = None
    inhibit_after_ms: int = 0
    trip: str | None = None
    off_until: str | None = None
    only_with: tuple[str, ...] = ()
    longest_on_ms: int = 0
    shortest_off_ms: int = 0
    least_a: float | None = None

    def __post_init__(self) -> None:
        read_rest("on_stale", self.on_stale, get_args(StaleState))
        if read_rest("on_reset", self.on_reset, get_args(State)).condition is not None:
            raise SettingsError("on_reset", f"got '{self.on_reset}'; expected a state or a level")
        _choice("local_use", self.local_use, ("follows", "or"))
        if self.then is not None:
            read_rest("then", self.then, get_args(State))
        if (self.hold_for_ms is None) != (self.then is None):
            raise SettingsError("then", "'hold_for_ms' and 'then' go together")
        if (self.trip is None) != (self.off_until is None):
            raise SettingsError("off_until", "'trip' and 'off_until' go together")
        if self.request is None and self.local is None:
            raise SettingsError("request", "expected 'request' or 'local': nothing asks for it")
        for name in self.signals:
            split_signal(name)
        if self.request is not None and (not self.stale_after_ms or self.stale_after_ms < 0):
            raise SettingsError("stale_after_ms", "a request needs a 'stale_after_ms' above 0")
        if self.level is not None and self.request is None:
            raise SettingsError("level", "it belongs to a 'request', which is missing")
        if self.least_a is not None and not self.least_a > 0:
            raise SettingsError("least_a", f"got {self.least_a!r}; expected amperes above 0")
        for key in ("local", "inhibit", "trip", "off_until"):
            if getattr(self, key) is not None:
                parse_condition(getattr(self, key), key)
        object.__setattr__(self, "only_with", tuple(self.only_with))

    @property
    def asks(self) -> Condition | None:
        """The request, where it is more than a signal."""
        if self.request is None or not _is_condition(self.request):
            return None
        return parse_condition(self.request, "request")

    @property
    def signals(self) -> tuple[str, ...]:
        """The signals that it listens to."""
        if self.request is None:
            return ()
        asks = self.asks
        names = (self.request,) if asks is None else asks.names
        return names if self.level is None else tuple(dict.fromkeys((*names, self.level)))


@dataclass(frozen=True)
class Rest:
    """What a load is when nobody asks: a state, at a share of its power, or as a condition says."""

    state: StaleState
    share: float = 1.0
    condition: Condition | None = None


def read_rest(key: str, text: str, states: tuple[str, ...]) -> Rest:
    """A state, a level in percent or a condition, as it is written. Raises SettingsError."""
    if text in states:
        return Rest(text)  # type: ignore[arg-type]
    if isinstance(text, str) and text.endswith("%"):
        try:
            percent = float(text[:-1])
        except ValueError:
            percent = -1.0
        if not 0 <= percent <= 100:
            raise SettingsError(key, f"got {text!r}; expected a level from 0 % to 100 %")
        return Rest("on" if percent > BARELY_LIT_PERCENT else "off", percent / 100)
    if isinstance(text, str) and _is_condition(text):
        return Rest("off", 1.0, parse_condition(text, key))
    _choice(key, text, states)
    raise AssertionError


def _is_condition(text: str) -> bool:
    return any(sign in text for sign in "=<>") or " in " in text


def _choice(key: str, value: object, choices: tuple[str, ...]) -> None:
    if value not in choices:
        raise SettingsError(key, f"got {value!r}; expected one of: {', '.join(choices)}")


def read_feeds(given: Mapping[str, Any], where: str = "outputs.") -> dict[str, FeedSettings]:
    """The settings of all outputs by name. Raises SettingsError."""
    feeds = {
        name: read_settings(FeedSettings, table, f"{where}{name}.") for name, table in given.items()
    }
    for name, settings in feeds.items():
        for other in settings.only_with:
            if other not in feeds or other == name:
                others = ", ".join(sorted(set(feeds) - {name})) or "none"
                text = f"unknown output '{other}'; expected one of: {others}"
                raise SettingsError(f"{where}{name}.only_with", text)
    return feeds


class Feed:
    """One output at work. ``names`` are the inputs that it looks at, ``with_it`` the other outputs
    without one of which it is off, ``followers`` those that cannot be on without this one.
    """

    def __init__(self, board: Board, name: str, settings: FeedSettings, flasher: Flasher) -> None:
        self._board = board
        self.pin = settings.output or name
        self.least_a = settings.least_a
        self.with_it: list[Feed] = []
        self.followers: list[Feed] = []
        self._settings = settings
        self._flasher = flasher
        self._shine = Shine(board, self.pin, settings.ramp_up_ms * MS, settings.ramp_down_ms * MS)
        self._lit: State = "flash" if settings.flashes else "on"
        self._asked = read_rest("on_reset", settings.on_reset, get_args(State))
        self._stale_rest = read_rest("on_stale", settings.on_stale, get_args(StaleState))
        self._then_rest = read_rest("then", settings.then or "off", get_args(State))
        self._local = None if settings.local is None else parse_condition(settings.local)
        self._asks = settings.asks
        self._trip = Trip(settings.trip, settings.off_until)
        after_ns = settings.inhibit_after_ms * MS
        self._inhibitor = Inhibitor(board, settings.inhibit, after_ns, self._inhibited)
        limits = (settings.longest_on_ms * MS, settings.shortest_off_ms * MS)
        self._limits = Limits(board, *limits, self._again)
        looks = (self._local, self._stale_rest.condition, self._then_rest.condition)
        own = tuple(name for entry in looks if entry is not None for name in entry.names)
        self.names = own + self._inhibitor.names + self._trip.names
        self._values: Mapping[str, Value | None] = {}
        self._links: dict[str, Link] = {}
        self._fields: dict[str, Field] = {}
        self._lost = False
        self._latched = settings.latch
        self._giving_up: Timer | None = None
        self._state: State | None = None
        self._share = 1.0

    @property
    def level(self) -> float:
        """What was written to its pin last."""
        return self._shine.level

    @property
    def written(self) -> int:
        """How many times something was written to it."""
        return self._shine.written

    @property
    def is_on(self) -> bool:
        """Whether it is on or flashes."""
        return self._state not in (None, "off")

    def connect(self, receiver: Receiver) -> None:
        """Listen to what the request reads, if there is one. Raises SettingsError."""
        stale_after_ns = (self._settings.stale_after_ms or 0) * MS
        paged: dict[str, Field | None] = {}  # of each message a signal that is not in every frame
        for name in self._settings.signals:
            message, signal = split_signal(name)
            field = self._fields[name] = receiver.field(message, signal)
            paged[message] = field if field.page else paged.get(message)
        for message, page in paged.items():
            link = receiver.listen(message, stale_after_ns, self._settings.max_step, page)
            self._links[message] = link
            link.on_news.append(self._heard)
            link.on_stale.append(self._stale)

    def apply(self, values: Mapping[str, Value | None]) -> None:
        """Bring the output to the state that follows from everything known."""
        self._values = values
        state, share = self._wanted()
        if state != self._state:
            before, self._state, self._share = self._state, state, share
            if (before in (None, "off")) != (state == "off"):
                self._limits.switched(on=state != "off")
            self._switch(before, state)
            for follower in self.followers:
                follower.apply(self._values)
        elif share != self._share:
            self._share = share
            if state == "on":
                self._shine.to(share)

    def _wanted(self) -> tuple[State, float]:
        values = self._values
        state, share = self._asked_for(values)
        if self._local is not None and self._local.holds(values):
            state, share = self._lit, 1.0
        elif self._local is not None and self._settings.local_use == "follows":
            state = "off"
        forbidden = self._inhibitor.blocks(values, on=self.is_on) or self._trip.holds(values)
        if self.with_it and not any(feed.is_on for feed in self.with_it):
            forbidden = True
        allowed = self._limits.allow(wanted=state != "off" and not forbidden)
        return (state if allowed else "off"), share

    def _asked_for(self, values: Mapping[str, Value | None]) -> tuple[State, float]:
        rest = self._asked
        if rest.condition is not None:
            return (self._lit if rest.condition.holds(values) else "off"), rest.share
        assert rest.state != "hold"
        return rest.state, rest.share

    def _switch(self, before: State | None, state: State) -> None:
        if before == "flash":
            self._flasher.leave(self._show)
        if state == "flash":
            self._flasher.join(self._show)
        else:
            self._show(state == "on")

    def _show(self, lit: bool) -> None:
        self._shine.to(self._share if lit else 0.0)

    def _heard(self) -> None:
        """A message brought something new, or ended a silence: all of them have to be there."""
        if not all(link.fresh for link in self._links.values()):
            return
        self._lost = False
        raw = {
            name: field.get(self._links[split_signal(name)[0]].data)
            for name, field in self._fields.items()
        }
        if self._asks is None:
            wanted = raw[self._settings.request or ""] != 0
        else:
            wanted = self._asks.holds({n: self._fields[n].physical(r) for n, r in raw.items()})
        share = 1.0
        if self._settings.level is not None:
            percent = self._fields[self._settings.level].physical(raw[self._settings.level])
            share = min(max(percent, 0.0), 100.0) / 100
            wanted = wanted and percent > BARELY_LIT_PERCENT
        self._requested(wanted=wanted, share=share)

    def _requested(self, *, wanted: bool, share: float) -> None:
        if self._giving_up is not None:
            self._giving_up.cancel()
            self._giving_up = None
        if not wanted:
            self._latched = False
        asked = Rest(self._lit, share) if wanted and not self._latched else Rest("off", share)
        if asked != self._asked:
            self._asked = asked
            self.apply(self._values)

    def _stale(self) -> None:
        if self._lost:
            return  # for want of another message
        self._lost = True
        settings = self._settings
        self._latched = settings.latch
        if self._stale_rest.state != "hold":
            self._asked = self._stale_rest
            self.apply(self._values)
        if settings.hold_for_ms is not None:
            self._giving_up = self._board.after(settings.hold_for_ms * MS, self._give_up)

    def _give_up(self) -> None:
        self._giving_up = None
        self._asked = self._then_rest
        self.apply(self._values)

    def _again(self) -> None:
        """A limit of time is over."""
        self.apply(self._values)

    def _inhibited(self) -> None:
        """The inhibiting condition has held for its time. A load that went off meanwhile, because
        its request did, has nothing to wait for.
        """
        if self._settings.latch and self.is_on:
            self._latched = True
            self._asked = Rest("off")
        self.apply(self._values)
