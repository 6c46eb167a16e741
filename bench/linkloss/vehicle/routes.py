"""What a gateway passes on from one message to another: the tables under ``[routes]``.

    from  EngineData.Speed  ---- scale and offset, or values ---->  to  BodyEngine.Speed
    silent for 'stale_after'  ---------- on_stale --------------->  nothing, or 'when_stale'

The gateway is the node that sends the message ``to``. Where both messages are on one bus the route
is judged alike: the node in between hides a silent source just as well.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from math import floor
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from linkloss.units import Duration
from linkloss.vehicle.expression import split_signal
from linkloss.vehicle.load import usual_early_ns
from linkloss.vehicle.messages import MessageInfo, SignalInfo
from linkloss.vehicle.toml import Table


class Conversion(Table):
    """How a value of one signal becomes that of another: by a factor, or by a table."""

    scale: float | None = Field(
        default=None,
        allow_inf_nan=False,
        description="what the value is multiplied with; default: 1",
    )
    offset: float | None = Field(
        default=None, allow_inf_nan=False, description="what is added afterwards; default: 0"
    )
    unit: str | None = Field(
        default=None, description="the unit that comes out; needed where the DBC has two units"
    )
    values: dict[str, float] | None = Field(
        default=None,
        min_length=1,
        description="instead of scale and offset: for each value or name of 'from' that of 'to';"
        " one that is not named may become anything",
    )
    saturates: bool = Field(
        default=False,
        description="a value beyond what 'to' can hold becomes the nearest that it can",
    )
    tolerance: float | None = Field(
        default=None,
        gt=0,
        allow_inf_nan=False,
        description="how far the value may be off, in the unit of 'to'; default: less than a step",
    )
    when_stale: float | str | None = Field(
        default=None,
        description="what 'to' says while 'from' is silent: a number, or a name of the DBC; needed"
        " unless 'on_stale' is 'stop'",
        json_schema_extra={"examples": [65535]},
    )

    @model_validator(mode="after")
    def _one_way(self) -> Conversion:
        if self.values is not None and (self.scale is not None or self.offset is not None):
            raise ValueError("expected 'values', or 'scale' and 'offset'; got both")
        return self


class SignalRoute(Conversion):
    """One signal that is passed on, and how it is converted."""

    source: str = Field(alias="from", description="the signal that it comes from")


def _by_name(value: object) -> object:
    """The name of a signal stands for the table with only that name."""
    if not isinstance(value, dict):
        return value
    return {k: {"from": each} if isinstance(each, str) else each for k, each in value.items()}


class RouteTable(Conversion):
    """What a gateway passes on: from one message, or one signal, to another."""

    source: str = Field(
        alias="from", description="a message that the gateway receives, or 'Message.Signal'"
    )
    target: str = Field(alias="to", description="the message that it sends, or 'Message.Signal'")
    latency: Duration = Field(
        gt=0,
        description="longest time from a good message at the gateway until its program hands over"
        " what follows from it; it includes the cycle of 'to'",
    )
    signals: Annotated[
        dict[str, SignalRoute],
        BeforeValidator(_by_name, json_schema_input_type=dict[str, str | SignalRoute]),
    ] = Field(
        default_factory=dict,
        description="of two messages: for each signal of 'to' the one of 'from'; default: those"
        " with one name",
    )
    stale_after: Duration = Field(
        gt=0, description="how long without a good message until 'from' is stale"
    )
    confirm: int | None = Field(
        default=None,
        ge=1,
        description="good messages in a row until it must be passed on, after a reset or a lost"
        " link; default: 2 where the message has a counter, else 1",
    )
    on_stale: Literal["stop", "not available", "default"] = Field(
        description="what the gateway does while 'from' is stale: it stops sending 'to', or it"
        " sends 'when_stale'. 'not available': a value that no reading of 'from' gives; 'default':"
        " one that may also be a reading"
    )

    @model_validator(mode="after")
    def _one_kind(self) -> RouteTable:
        single = "." in self.source, "." in self.target
        if single[0] != single[1]:
            raise ValueError(
                "expected two messages or two signals as 'from' and 'to'; got one of each"
            )
        own = [
            key
            for key, field in Conversion.model_fields.items()
            if getattr(self, key) != field.default
        ]
        if single[0] and self.signals:
            raise ValueError("'from' and 'to' are signals already; expected no 'signals'")
        if not single[0] and own:
            raise ValueError(f"'{own[0]}' belongs to one signal; expected it in 'signals'")
        if self.on_stale == "stop":
            entries = [self, *self.signals.values()]
            if any(entry.when_stale is not None for entry in entries):
                raise ValueError("a gateway that stops sends no value; expected no 'when_stale'")
        return self

    @property
    def source_message(self) -> str:
        """The message that it comes from."""
        return split_signal(self.source)[0]

    @property
    def target_message(self) -> str:
        """The message that it goes to."""
        return split_signal(self.target)[0]

    @property
    def early_ns(self) -> int:
        """How much before ``stale_after`` the source may count as stale, in ns."""
        return usual_early_ns(self.stale_after)

    def pairs(self, messages: Mapping[str, MessageInfo]) -> dict[str, SignalRoute]:
        """For each signal of ``to`` that is passed on, where it comes from and how it is converted;
        without a table of signals those that both messages have, but for counters and checksums.
        Raises KeyError for messages that do not exist.
        """
        source, target = split_signal(self.source)[1], split_signal(self.target)[1]
        if target:
            own = {key: getattr(self, key) for key in Conversion.model_fields}
            return {target: SignalRoute.model_validate({"from": source, **own})}
        if self.signals:
            return self.signals
        here, there = messages[self.source_message], messages[self.target_message]
        return {
            name: SignalRoute.model_validate({"from": name})
            for name in there.signals
            if name in here.signals and name not in {*here.guards, *there.guards}
        }


_ROUNDING = 1e-6
"""What arithmetic in floating point may add to a step of a signal, as a share of the step."""


@dataclass(frozen=True)
class Passed:
    """One signal of a route, with all that it takes to say what must come out."""

    source: SignalInfo
    target: SignalInfo
    length: int
    """Bytes of the message that it goes to."""
    way: SignalRoute

    @cached_property
    def _table(self) -> dict[float, float]:
        return {named_value(self.source, name): to for name, to in (self.way.values or {}).items()}

    @property
    def step(self) -> float:
        """The step of the signal that it becomes."""
        return abs(self.target.scale)

    def near(self, shown: float, value: float) -> bool:
        """Whether a value of ``to`` is the one that must come out: within ``tolerance``, from a
        table exactly, else rounded either way.
        """
        return abs(shown - value) <= self._reach

    @property
    def _reach(self) -> float:
        """How far from the exact value a right one may be."""
        if self.way.tolerance is not None:
            return self.way.tolerance
        steps = 0.5 if self.way.values is not None else 1
        return steps * self.step * (1 - _ROUNDING)

    def apart(self, one: float, other: float) -> bool:
        """Whether no value of ``to`` is right for both."""
        low, high = sorted((one, other))
        begins = self.target.offset
        raw = floor((low + self._reach - begins) / self.step + _ROUNDING / 2)
        return not self.near(begins + raw * self.step, high)

    def says_stale(self, shown: float) -> bool:
        """Whether a value of ``to`` says that the source is silent."""
        return self.stale is not None and abs(shown - self.stale) < self.step / 2

    def value(self, source: float) -> float | None:
        """What a value of the source becomes; None for one that the table does not name."""
        if self.way.values is not None:
            near = abs(self.source.scale) / 2
            return next((to for at, to in self._table.items() if abs(at - source) <= near), None)
        scale = 1.0 if self.way.scale is None else self.way.scale
        found = source * scale + (self.way.offset or 0.0)
        low, high = self.target.ends(self.length)
        return min(max(found, low), high) if self.way.saturates else found

    @cached_property
    def stale(self) -> float | None:
        """The value while the source is stale; None where nothing is sent then."""
        way = self.way.when_stale
        return named_value(self.target, way) if isinstance(way, str) else way


def named_value(signal: SignalInfo, name: str) -> float:
    """The value of a signal that a name of the DBC, or a number, stands for. Raises ValueError."""
    for raw, text in signal.choices.items():
        if text == name:
            return raw * signal.scale + signal.offset
    return float(name)


def passed(route: RouteTable, messages: Mapping[str, MessageInfo]) -> list[Passed]:
    """All signals of a route that has been checked."""
    here, there = messages[route.source_message], messages[route.target_message]
    return [
        Passed(here.signals[way.source], there.signals[name], there.length, way)
        for name, way in route.pairs(messages).items()
    ]
