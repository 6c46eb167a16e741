"""What a vehicle demands of its outputs: the tables under ``[loads]`` and ``[notices]``.

A load is what an output feeds; a notice is what the driver must be told.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import inf
from typing import Annotated, Literal, get_args

from pydantic import Field, PlainValidator, ValidationInfo, WithJsonSchema, model_validator

from linkloss.problem import nearest
from linkloss.units import Current, Duration, Frequency, parse_share, plain
from linkloss.vehicle.electrical import ElectricalTable
from linkloss.vehicle.expression import Condition, split_signal
from linkloss.vehicle.toml import AnyCondition, ConditionText, Table, condition_of, named_values

State = Literal["off", "on", "flash"]

MS = 1_000_000
BARELY_LIT_PERCENT = 5.0
"""A level up to this counts as off."""
_COMPARES = r"[=<>]|\bin\b"
"""What marks a condition; the name of a state has none of it."""


@dataclass(frozen=True, slots=True)
class Level:
    """How much of its full power a load gets, in percent: 0 to 100."""

    percent: float

    def __str__(self) -> str:
        return f"{plain(self.percent)} %"

    @property
    def state(self) -> Literal["off", "on"]:
        """The state that the level counts as."""
        return "on" if self.percent > BARELY_LIT_PERCENT else "off"


def _level(value: object) -> Level | None:
    """A level as written, ``"30 %"``; None for anything else. Raises ValueError."""
    if isinstance(value, Level):
        return value
    if isinstance(value, str) and value.strip().endswith("%"):
        return Level(round(100 * parse_share(value), 6))
    return None


def _rest_state(words: tuple[str, ...], *, conditions: bool) -> PlainValidator:
    """Reads the state without a request: a word, a level or, where allowed, a condition."""
    expected = f"expected one of: {', '.join(words)}, or a level like '30 %'"
    if conditions:
        expected += ", or a condition over the node's inputs like 'ignition == on'"

    def read(value: object, info: ValidationInfo) -> object:
        if isinstance(value, Condition) and conditions:
            return value
        if isinstance(value, str) and value in words:
            return value
        level = _level(value)
        if level is not None:
            return level
        if conditions and isinstance(value, str) and re.search(_COMPARES, value):
            return condition_of(value, named_values(info))
        near = nearest(value, words) if isinstance(value, str) else ""
        raise ValueError(f"got {value!r}; {expected}{near}")

    return PlainValidator(read)


def _state_schema(words: tuple[str, ...], *, conditions: bool) -> WithJsonSchema:
    forms: list[dict[str, object]] = [
        {"enum": list(words), "type": "string"},
        {"pattern": "%$", "type": "string", "examples": ["30 %"]},
    ]
    if conditions:
        forms.append({"pattern": _COMPARES, "type": "string", "examples": ["ignition == on"]})
    return WithJsonSchema({"anyOf": forms})


_STATES = get_args(State)
RestState = Annotated[
    State | Level, _rest_state(_STATES, conditions=False), _state_schema(_STATES, conditions=False)
]
ThenState = Annotated[
    State | Level | Condition,
    _rest_state(_STATES, conditions=True),
    _state_schema(_STATES, conditions=True),
]
_STALE_STATES = ("hold", *_STATES)
StaleState = Annotated[
    Literal["hold"] | State | Level | Condition,
    _rest_state(_STALE_STATES, conditions=True),
    _state_schema(_STALE_STATES, conditions=True),
]


def usual_early_ns(lasts_ns: int) -> int:
    """How much sooner a time that a node measures may end where nothing is declared, in ns: the
    larger of 2 ms and 2 %.
    """
    return max(2 * MS, lasts_ns // 50)


def state_text(state: str | Level | Condition) -> str:
    """A state as the file has it."""
    return state.text if isinstance(state, Condition) else str(state)


def _until(text: object, info: ValidationInfo) -> object:
    return text if text == REQUEST_OFF else condition_of(text, named_values(info))


def _request(text: object, info: ValidationInfo) -> Condition:
    if isinstance(text, Condition):
        return text
    if not isinstance(text, str) or "." not in text:
        expected = "'Message.Signal' or a condition over signals like 'Gear.Selected == 16'"
        raise ValueError(f"got {text!r}; expected {expected}")
    return condition_of(text, named_values(info))


Request = Annotated[
    Condition,
    PlainValidator(_request),
    WithJsonSchema({"type": "string", "examples": ["LampRequest.Tail", "Gear.Selected == 16"]}),
]


REQUEST_OFF: Literal["request off"] = "request off"
Until = Annotated[
    Literal["request off"] | Condition,
    PlainValidator(_until),
    WithJsonSchema({"type": "string", "examples": [REQUEST_OFF, "ignition == off"]}),
]


class NeverRule(Table):
    """A state that the load may not be in while a condition holds."""

    state: Literal["on", "off"] = Field(default="on", description="the forbidden state")
    when: AnyCondition = Field(
        description="condition over inputs, signals that the load's node receives or sends, and"
        " the states of other loads, as in 'low_beam_left is off'"
    )
    within: Duration = Field(description="time to leave the state once the condition holds")


class FlashRule(Table):
    """Limits of a flashing load."""

    per_minute: tuple[float, float] = Field(default=(60.0, 120.0), description="flashes per minute")
    on_share: tuple[float, float] = Field(default=(0.3, 0.75), description="lit share of a cycle")
    rhythm: str | None = Field(
        default=None,
        description="signal that carries the rhythm of several lamps, as the time in s or ms since"
        " a cycle began: the first lit phase may wait for it",
    )
    in_step_with: str | None = Field(
        default=None, description="a load that flashes at the same time"
    )
    skew: Duration = Field(default=100 * MS, description="allowed distance of the two edges")

    @model_validator(mode="after")
    def _limits(self) -> FlashRule:
        if not 0 < self.per_minute[0] <= self.per_minute[1] < inf:
            raise ValueError("'per_minute' is the slowest and the fastest rate, more than zero")
        if not 0 < self.on_share[0] <= self.on_share[1] < 1:
            raise ValueError("'on_share' is the smallest and the largest share, between 0 and 1")
        return self

    @property
    def longest_period_ns(self) -> int:
        """The longest allowed cycle, in ns."""
        return round(60e9 / self.per_minute[0])


class TriesTable(Table):
    """How often a node may try again to switch on a load whose switch has tripped."""

    most: int = Field(ge=1, description="tries in a row, at most")
    pause: Duration = Field(gt=0, description="shortest time from one try to the next")
    then: Literal["off", "on"] = Field(default="off", description="state once it has given up")
    until: Until = Field(
        default=REQUEST_OFF,
        description="it may try again once the request has been off, or once a condition over"
        " inputs wired to the node holds",
    )


class TripTable(Table):
    """A condition that turns the load off until another one holds."""

    when: ConditionText = Field(description="condition over inputs wired to the load's node")
    off_until: ConditionText = Field(description="condition over inputs wired to the load's node")


class LoadTable(Table):
    """What an output feeds, what asks for it, and what it must do without a request."""

    node: str = Field(description="the node that switches it")
    output: str | None = Field(default=None, description="the node's output; default: load's name")
    about: str = Field(default="", description="a word on it, for the reader")
    fuse: Current | None = Field(default=None, ge=0.1, le=500, description="rating of its fuse")
    safety: bool = Field(
        default=True, description="whether its failure, or its running unasked, can hurt somebody"
    )
    request: Request | None = Field(
        default=None,
        description="what asks for it: Message.Signal that is not zero, or a condition over signals"
        " such as 'Gear.Selected == 16'",
    )
    reported: str | None = Field(
        default=None, description="Message.Signal by which its node, if it is real, reports it on"
    )
    local: ConditionText | None = Field(
        default=None, description="condition over inputs wired to the load's own node"
    )
    local_use: Literal["follows", "or"] = Field(
        default="follows", description="the local input alone decides, or either asks"
    )
    debounce: Duration = Field(
        default=0, description="how long the local input must be stable before it counts"
    )
    confirm: int | None = Field(
        default=None,
        ge=1,
        description="good messages in a row until it must follow, after a reset or a lost link;"
        " default: 2 where the message has a counter, else 1",
    )
    follow_again: Duration | None = Field(
        default=None,
        description="longest time from the first good message until it follows, after a reset or a"
        " lost link; default: 'confirm' decides",
    )
    after_jump: Literal["accept", "refuse one", "lost", "either"] = Field(
        default="accept",
        description="a counter that has jumped: the message counts, is refused once, counts as a"
        " lost link, or any of these",
    )
    link: str | None = Field(
        default=None,
        description="message whose silence is the lost link; default: that of the request",
    )
    stale_after: Duration | None = Field(
        default=None, description="how long without a good message until it is stale"
    )
    early: Duration | None = Field(
        default=None, description="may go stale earlier by; default: larger of 2 ms and 2 %"
    )
    reaction: Duration = Field(default=20 * MS, description="time to the fail-safe state")
    on_stale: StaleState | None = Field(
        default=None,
        description="state while the link is lost; a condition over the node's inputs: as if asked"
        " for while it holds, else off",
    )
    hold_for: Duration | None = Field(default=None, description="how long before 'then'")
    then: ThenState | None = Field(default=None, description="state after 'hold_for'")
    bus_off: Literal["ignore", "lost"] = Field(
        default="ignore", description="whether the node's own bus-off counts as a lost link"
    )
    on_reset: RestState | None = Field(default=None, description="state after a reset until asked")
    on_sleep: State = Field(default="off", description="state while its node sleeps")
    hardware_default: Literal["on", "off", "local"] = Field(
        default="off", description="what the hardware does while no program drives the output"
    )
    dark_limit: Duration | None = Field(
        default=None, description="longest darkness of a lit lamp when its node resets"
    )
    back_within: Duration | None = Field(
        default=None,
        description="longest time until a load that was on is on again after its supply is back",
    )
    latency: Duration = Field(default=20 * MS, description="from the message to the output")
    latency_off: Duration | None = Field(
        default=None, description="the same when it goes off; default: 'latency'"
    )
    level: str | None = Field(
        default=None, description="Message.Signal that says how much of its power, in percent"
    )
    pwm: Frequency | None = Field(
        default=None, gt=0, description="how often it is switched to make its level"
    )
    ramp_up: Duration | None = Field(default=None, description="longest fade to more power")
    ramp_down: Duration | None = Field(default=None, description="longest fade to less power")
    longest_on: Duration | None = Field(
        default=None, gt=0, description="never on for longer, whatever asks for it"
    )
    shortest_off: Duration | None = Field(
        default=None, gt=0, description="never off for a shorter time, whatever asks for it"
    )
    tries: TriesTable | None = Field(
        default=None, description="limits of trying again after its switch has tripped"
    )
    trip: TripTable | None = Field(
        default=None, description="what switches it off for good, as a crash does the fuel pump"
    )
    rejoin: Duration = Field(default=1_000 * MS, description="time to follow again after a fault")
    max_step: int | None = Field(default=None, ge=1, description="largest good counter step")
    survives_reset: bool = Field(default=False, description="the request outlives a reset")
    latch: bool = Field(
        default=False, description="after stale or reset it waits until the request was off"
    )
    flash: FlashRule | None = Field(default=None, description="the request makes it flash")
    never: tuple[NeverRule, ...] = ()
    electrical: ElectricalTable | None = Field(
        default=None, description="what it draws; default: nothing"
    )

    @property
    def early_ns(self) -> int:
        """How much before ``stale_after`` the link may count as lost, in ns."""
        if self.early is not None:
            return self.early
        return usual_early_ns(self.stale_after or 0)

    @property
    def request_messages(self) -> tuple[str, ...]:
        """The messages that decide its request, each once."""
        names = () if self.request is None else self.request.names
        return tuple(dict.fromkeys(split_signal(name)[0] for name in names))

    @property
    def watched(self) -> tuple[str, ...]:
        """The messages whose silence is a lost link."""
        return self.request_messages if self.link is None else (self.link,)

    @property
    def messages(self) -> tuple[str, ...]:
        """All messages that the load depends on, each once."""
        return tuple(dict.fromkeys((*self.request_messages, *self.watched)))

    @property
    def own_conditions(self) -> dict[tuple[str, ...], Condition]:
        """The conditions over inputs of its own node, by their place in its table."""
        found = {
            ("local",): self.local,
            ("on_stale",): self.on_stale,
            ("then",): self.then,
            ("tries", "until"): self.tries and self.tries.until,
            ("trip", "when"): self.trip and self.trip.when,
            ("trip", "off_until"): self.trip and self.trip.off_until,
        }
        return {key: entry for key, entry in found.items() if isinstance(entry, Condition)}

    @property
    def off_latency_ns(self) -> int:
        """The time from the message to the output when the load goes off, in ns."""
        return self.latency if self.latency_off is None else self.latency_off

    @property
    def switching_ns(self) -> int:
        """How much later than its node's switching the load follows, at most, in ns."""
        return 0 if self.electrical is None else self.electrical.switching_ns

    @property
    def cycle_ns(self) -> int:
        """The longest allowed flash cycle in ns; 0 for a load that does not flash."""
        return self.flash.longest_period_ns if self.flash is not None else 0

    @property
    def asked_state(self) -> State:
        """The state that a request other than zero asks for."""
        return "on" if self.flash is None else "flash"


class NoticeTable(Table):
    """What the driver must be told, by which signal, and how soon."""

    lost: str | None = Field(default=None, description="a node whose status message stays away")
    stuck: str | None = Field(default=None, description="an input active for implausibly long")
    longest: Duration | None = Field(default=None, description="longest plausible time of 'stuck'")
    failed: tuple[str, ...] = Field(
        default=(),
        description="loads with a blown fuse, an open or shorted lead, or a welded relay",
    )
    signal: str = Field(description="Message.Signal that is not zero while the notice is given")
    within: Duration = Field(description="time from the trouble to the notice, and back")

    @model_validator(mode="after")
    def _one_kind(self) -> NoticeTable:
        if (self.lost is not None) + (self.stuck is not None) + bool(self.failed) != 1:
            raise ValueError("expected one of 'lost' (a node), 'stuck' (input), 'failed' (loads)")
        if (self.stuck is None) != (self.longest is None):
            raise ValueError("'stuck' and 'longest' go together")
        return self
