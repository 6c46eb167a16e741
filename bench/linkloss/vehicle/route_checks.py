"""What must agree between the routes of a vehicle file and its messages."""

from __future__ import annotations

from collections.abc import Iterator
from math import inf

from linkloss.problem import unknown
from linkloss.units import plain, show_duration
from linkloss.vehicle.load_checks import Found, Place, References
from linkloss.vehicle.messages import MessageInfo, SignalInfo
from linkloss.vehicle.routes import Passed, RouteTable, SignalRoute, named_value

Texts = Iterator[tuple[tuple[str, ...], str]]
"""(the key, text for the user)"""


class RouteChecks:
    """Checks all routes: names, buses, who sends, and what each signal can hold."""

    def __init__(self, refs: References) -> None:
        self.refs = refs
        self.messages = refs.messages

    def problems(self) -> Found:
        """All the mistakes found."""
        targets: dict[str, str] = {}
        for name, route in self.refs.file.routes.items():
            place: Place = ("routes", name)
            found = [*self._names(route)]
            if not found:
                found = [*self._nodes(route), *self._times(name, route, targets)]
                for signal, way in route.pairs(self.messages).items():
                    where = () if "." in route.target else ("signals", signal)
                    found += [((*where, *key), text) for key, text in self._way(route, signal, way)]
            for key, text in found:
                yield self.refs.source.problem((*place, *key), text)

    def _names(self, route: RouteTable) -> Texts:
        for key, name in (("from", route.source), ("to", route.target)):
            message, _, signal = name.partition(".")
            if message not in self.messages:
                yield (key,), unknown("message", message, self.messages)
            elif signal and signal not in self.messages[message].signals:
                yield (key,), self._no_signal(message, signal)
        if route.source_message in self.messages and route.target_message in self.messages:
            here, there = self.messages[route.source_message], self.messages[route.target_message]
            for name, way in route.signals.items():
                if name not in there.signals:
                    yield ("signals", name), self._no_signal(there.name, name)
                if way.source not in here.signals:
                    yield ("signals", name, "from"), self._no_signal(here.name, way.source)
            if not route.pairs(self.messages):
                text = f"no signal of '{there.name}' has the name of one of '{here.name}'"
                yield ("to",), f"{text}; expected the table 'signals'"

    def _no_signal(self, message: str, signal: str) -> str:
        return unknown(f"signal of message '{message}'", signal, self.messages[message].signals)

    def _nodes(self, route: RouteTable) -> Texts:
        here, there = self.messages[route.source_message], self.messages[route.target_message]
        file = self.refs.file
        for key, info in (("from", here), ("to", there)):
            senders = [name for name in info.senders if name in file.nodes]
            if len(senders) != 1:
                who = " and ".join(senders) or "no node of the vehicle"
                yield (key,), f"message '{info.name}' is sent by {who}; expected one node"
                return
        gateway = next(name for name in there.senders if name in file.nodes)
        if gateway in here.senders:
            text = f"node '{gateway}' sends both '{here.name}' and '{there.name}'"
            yield ("from",), f"{text}; expected a message that it receives"
        elif here.bus and gateway not in file.bus[here.bus].cable:
            text = (
                f"message '{here.name}' is on bus '{here.bus}', and node '{gateway}', which sends"
            )
            yield ("from",), f"{text} '{there.name}', is not"
        status = file.nodes[gateway].status
        if route.on_stale == "stop" and status == there.name:
            text = f"'{status}' is the status of node '{gateway}', which must not stop"
            yield ("on_stale",), f"{text}; expected 'not available' or 'default'"

    def _times(self, name: str, route: RouteTable, targets: dict[str, str]) -> Texts:
        here, target = self.messages[route.source_message], route.target_message
        if here.period_ns and route.stale_after <= here.period_ns:
            text = f"no longer than the cycle of '{here.name}', {show_duration(here.period_ns)}"
            yield ("stale_after",), text
        other = targets.setdefault(target, name)
        stops = "stop" in (route.on_stale, self.refs.file.routes[other].on_stale)
        if other != name and stops:
            text = f"'{target}' stops with its source, and route '{other}' goes to it too"
            yield ("to",), f"{text}; expected one route to a message that stops"

    def _way(self, route: RouteTable, name: str, way: SignalRoute) -> Texts:
        here, there = self.messages[route.source_message], self.messages[route.target_message]
        source, target = here.signals[way.source], there.signals[name]
        for info, signal in ((here, source), (there, target)):
            if signal.name in info.guards:
                text = f"'{info.name}.{signal.name}' protects the others; the gateway makes its own"
                yield (), text
                return
            if signal.page:
                text = (
                    f"'{info.name}.{signal.name}' is multiplexed; expected a signal of every frame"
                )
                yield (), text
                return
        found = [*_words(source, target, way), *_units(source, target, way)]
        yield from found
        if route.on_stale != "stop" and way.when_stale is None:
            text = f"'on_stale' is '{route.on_stale}'; expected the value that '{name}' has then"
            yield ("when_stale",), text
        if not found:
            yield from _ranges(route, here, Passed(source, target, there.length, way))


def _words(source: SignalInfo, target: SignalInfo, way: SignalRoute) -> Texts:
    """Names that stand for no value."""
    named = [("values", name, source) for name in way.values or {}]
    if isinstance(way.when_stale, str):
        named.append(("when_stale", way.when_stale, target))
    for key, name, signal in named:
        try:
            named_value(signal, name)
        except ValueError:
            words = unknown(f"value of '{signal.name}'", name, signal.choices.values())
            text = words if signal.choices else f"'{name}' is no number, and '{signal.name}' has no"
            text += "" if signal.choices else " names in the DBC"
            yield (key, name) if key == "values" else (key,), text


def _units(source: SignalInfo, target: SignalInfo, way: SignalRoute) -> Texts:
    given, wanted = source.unit or "", target.unit or ""
    if way.unit is not None and way.unit != wanted:
        yield ("unit",), f"got '{way.unit}'; '{target.name}' has the unit '{wanted}' in the DBC"
    elif way.unit is None and way.values is None and given and wanted and given != wanted:
        text = f"'{source.name}' is in '{given}', '{target.name}' in '{wanted}'; expected 'scale'"
        yield ("unit",), f"{text} and 'offset', and the unit that they give"


def _ranges(route: RouteTable, here: MessageInfo, way: Passed) -> Texts:
    """Values that do not fit into the signal, or that cannot be told from one another."""
    low, high = way.target.ends(way.length)
    bounds = f"{plain(low)} to {plain(high)}"
    slack = way.step / 2
    ends = [end for end in _range(way.source, here.length) if abs(end) < inf]
    for name in way.way.values or ():
        value = way.value(named_value(way.source, name))
        assert value is not None
        if not low - slack <= value <= high + slack:
            text = f"{plain(value)} does not fit into '{way.target.name}'; expected {bounds}"
            yield ("values", name), text
    found = [] if way.way.values is not None else [way.value(end) for end in ends]
    reached = [value for value in found if value is not None]
    beyond = [value for value in reached if not low - slack <= value <= high + slack]
    if beyond:
        text = f"'{way.source.name}' can become {plain(beyond[0])}, and '{way.target.name}' holds"
        yield (), f"{text} {bounds}; expected another scale, or 'saturates = true'"
    stale = way.stale
    if stale is None:
        return
    if not low - slack <= stale <= high + slack:
        text = f"{plain(stale)} does not fit into '{way.target.name}'; expected {bounds}"
        yield ("when_stale",), text
    if route.on_stale != "not available":
        return
    if way.way.values is not None:
        taken = stale in way.way.values.values()
    else:
        taken = min(reached, default=inf) - slack <= stale <= max(reached, default=-inf) + slack
    if taken:
        text = f"{plain(stale)} may also come from '{way.source.name}'; expected a value that no"
        yield ("when_stale",), f"{text} reading gives, or on_stale = 'default'"


def _range(signal: SignalInfo, length: int) -> tuple[float, float]:
    """The range that the DBC gives a signal, or what its bits hold."""
    low, high = signal.ends(length)
    least = low if signal.minimum is None else max(low, signal.minimum)
    most = high if signal.maximum is None else min(high, signal.maximum)
    return least, most
