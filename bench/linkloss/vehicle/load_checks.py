"""What must agree between a load and the rest of a vehicle file.

:class:`References` looks up the signals and inputs that the file names, alone and in conditions.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from linkloss.problem import Problem, unknown
from linkloss.units import plain, show_duration
from linkloss.vehicle.expression import Condition, split_signal
from linkloss.vehicle.load import Level, LoadTable
from linkloss.vehicle.messages import MessageInfo, SignalInfo
from linkloss.vehicle.tables import VehicleFile
from linkloss.vehicle.toml import Key, Source

Found = Iterator[Problem]
Place = tuple[Key, ...]


@dataclass(frozen=True, slots=True)
class References:
    """Looks up what a vehicle file names, and reports what is wrong with it."""

    source: Source
    file: VehicleFile
    messages: Mapping[str, MessageInfo]

    def signal(self, place: Place, reference: str) -> Found | tuple[str, SignalInfo]:
        """The message and the signal of a reference, or what is wrong with it."""
        message, signal = split_signal(reference)
        if not signal:
            text = f"got '{reference}'; expected 'Message.Signal'"
            return iter([self.source.problem(place, text)])
        if message not in self.messages:
            text = unknown("message", message, self.messages)
            return iter([self.source.problem(place, text)])
        signals = self.messages[message].signals
        if signal not in signals:
            text = unknown(f"signal of message '{message}'", signal, signals)
            return iter([self.source.problem(place, text)])
        return message, signals[signal]

    def heard(self, place: Place, message: str, node: str | None) -> Found:
        """Check that a message is on the bus of a node that has to go by it."""
        bus = self.messages[message].bus
        own = () if node is None else self.file.buses_of(node)
        if own and bus not in own:
            text = f"message '{message}' is on bus '{bus}', node '{node}' on bus '{own[0]}';"
            text += " expected a message of the node's own bus"
            yield self.source.problem(place, text)

    def condition(
        self, place: Place, condition: Condition, node: str | None, *, signals: bool = False
    ) -> Found:
        """What is wrong with a condition over inputs that ``node`` reads (None: any node) and, if
        ``signals`` are allowed, over signals that it receives.
        """
        for name in condition.names:
            if "." in name and signals:
                yield from self._condition_signal(place, condition, name)
                if split_signal(name)[0] in self.messages:
                    yield from self.heard(place, split_signal(name)[0], node)
            elif "." in name:
                text = f"'{name}' is a signal; expected inputs alone"
                yield self.source.problem(place, text)
            elif name not in self.file.inputs:
                yield self.source.problem(place, unknown("input", name, self.file.inputs))
            else:
                yield from self._condition_input(place, condition, name, node)

    def _condition_signal(self, place: Place, condition: Condition, name: str) -> Found:
        found = self.signal(place, name)
        if not isinstance(found, tuple):
            yield from found
        elif not any(sender in self.file.nodes for sender in self.messages[found[0]].senders):
            text = f"no node of the vehicle sends message '{found[0]}'"
            yield self.source.problem(place, text)
        for position in condition.positions.get(name, ()):
            yield self.source.problem(place, self.no_value(name, position))

    def no_value(self, name: str, position: str) -> str:
        """Why a word after a signal stands for no value of it."""
        values = self.source.values.get(name, {})
        if position in values:
            listed = " and ".join(map(plain, values[position]))
            return f"'{position}' names several values of '{name}', {listed}; expected the number"
        if values:
            return unknown(f"value of '{name}'", position, values)
        return f"'{name}' is a signal; '{position}' is no number"

    def _condition_input(
        self, place: Place, condition: Condition, name: str, node: str | None
    ) -> Found:
        table = self.file.inputs[name]
        if node is not None and node in self.file.nodes and node not in table.wired_to:
            text = f"input '{name}' is wired to {', '.join(table.wired_to)}, not to node '{node}'"
            yield self.source.problem(place, text)
        for position in condition.positions.get(name, ()):
            if table.positions is None:
                text = f"'{name}' is a sensor; '{position}' is no number"
                yield self.source.problem(place, text)
            elif position not in table.positions:
                text = unknown(f"position of '{name}'", position, table.positions)
                yield self.source.problem(place, text)
        if table.positions is None:
            return
        if name in condition.ordered:
            text = f"'{name}' is a switch with positions; it cannot be compared by size"
            yield self.source.problem(place, text)
        for number in condition.numbers.get(name, ()):
            text = f"'{name}' is a switch with positions; a position '{plain(number)}' stands in"
            yield self.source.problem(place, f"{text} quotation marks")

    def own_signal(self, place: Place, reference: str, node: str) -> Found:
        """Check that a node sends the signal that it is declared to send."""
        found = self.signal(place, reference)
        if not isinstance(found, tuple):
            yield from found
        elif node not in self.messages[found[0]].senders:
            yield self.source.problem(place, f"node '{node}' does not send '{found[0]}'")


_OF_A_REQUEST = ("confirm", "follow_again", "link", "level")
"""Keys without a meaning for a load that no message asks for."""
_DIMMED = ("level", "pwm", "ramp_up", "ramp_down")
"""Keys of a load that is dimmed."""


@dataclass(frozen=True, slots=True)
class LoadChecks:
    """Checks the loads of a parsed vehicle file against its other tables and its messages."""

    refs: References

    def problems(self) -> Found:
        """The mistakes found, in the order of the loads."""
        for name, load in self.refs.file.loads.items():
            place = ("loads", name)
            if load.node not in self.refs.file.nodes:
                text = unknown("node", load.node, self.refs.file.nodes)
                yield self.refs.source.problem((*place, "node"), text)
            for below, text in (
                *_rules(load),
                *_states(load),
                *_without_request(load),
                *_switch(load),
            ):
                yield self.refs.source.problem((*place, *below), text)
            yield from self._request(place, load)
            if load.reported is not None:
                yield from self.refs.own_signal((*place, "reported"), load.reported, load.node)
            yield from self._conditions(place, name, load)
            if load.flash is not None and load.flash.rhythm is not None:
                found = self.refs.signal((*place, "flash", "rhythm"), load.flash.rhythm)
                if not isinstance(found, tuple):
                    yield from found
                else:
                    yield from self.refs.heard((*place, "flash", "rhythm"), found[0], load.node)
            if load.flash is not None and load.flash.in_step_with is not None:
                partner = load.flash.in_step_with
                if partner not in self.refs.file.loads:
                    text = unknown("load", partner, self.refs.file.loads)
                    yield self.refs.source.problem((*place, "flash", "in_step_with"), text)

    def _conditions(self, place: Place, name: str, load: LoadTable) -> Found:
        for below, condition in load.own_conditions.items():
            yield from self.refs.condition((*place, *below), condition, load.node)
        for index, never in enumerate(load.never):
            here = (*place, "never", index, "when")
            yield from self.refs.condition(here, never.when, None, signals=True)
            for message in dict.fromkeys(split_signal(name)[0] for name in never.when.names):
                if message in self.refs.messages:
                    yield from self.refs.heard(here, message, load.node)
            for other in never.when.loads:
                if other not in self.refs.file.loads:
                    text = unknown("load", other, self.refs.file.loads)
                    yield self.refs.source.problem(here, text)
                elif other == name:
                    text = f"'{name}' itself; expected another load"
                    yield self.refs.source.problem(here, text)

    def _request(self, place: Place, load: LoadTable) -> Found:
        if load.request is None:
            return
        known = []
        for name in load.request.names:
            found = self.refs.signal((*place, "request"), name)
            if isinstance(found, tuple):
                known.append(found[0])
            else:
                yield from found
        for name, positions in load.request.positions.items():
            text = self.refs.no_value(name, positions[0])
            yield self.refs.source.problem((*place, "request"), text)
        messages = [self.refs.messages[name] for name in dict.fromkeys(known)]
        for message in messages:
            yield from self._received((*place, "request"), message, load)
            asking = self._asking(message, load)
            yield from self._page((*place, "request"), message, asking)
            if load.link is None:
                yield from self._stale_time((*place, "request"), message, load, asking)
        if load.link is not None:
            yield from self._link((*place, "link"), load.link, load)
        if load.after_jump != "accept" and messages and not any(m.counter for m in messages):
            text = f"message '{messages[0].name}' has no counter that could jump; expected 'accept'"
            yield self.refs.source.problem((*place, "after_jump"), text)
        if load.level is not None:
            yield from self._level((*place, "level"), load.level, load.request_messages)

    @staticmethod
    def _asking(message: MessageInfo, load: LoadTable) -> list[SignalInfo]:
        """The signals of a message that ask for a load."""
        assert load.request is not None
        names = (*load.request.names, *((load.level,) if load.level else ()))
        return [
            message.signals[signal]
            for name, signal in map(split_signal, names)
            if name == message.name and signal in message.signals
        ]

    def _page(self, place: Place, message: MessageInfo, asking: Sequence[SignalInfo]) -> Found:
        """Check that what asks for a load comes in one page of a multiplexed message."""
        selecting = {switch for signal in asking for switch, _ in signal.page}
        pages = {signal.page: signal.name for signal in asking if signal.name not in selecting}
        if len(pages) > 1:
            text = f"signals of one page of the multiplexed message '{message.name}'"
            got = " and ".join(f"'{name}'" for name in pages.values())
            text = f"{got} do not come in the same frames; expected {text}"
            yield self.refs.source.problem(place, text)

    def _received(self, place: Place, message: MessageInfo, load: LoadTable) -> Found:
        """Check that a node other than the load's own sends the message, on the load's bus."""
        yield from self.refs.heard(place, message.name, load.node)
        if not any(sender in self.refs.file.nodes for sender in message.senders):
            text = f"no node of the vehicle sends message '{message.name}'"
            yield self.refs.source.problem(place, text)
        elif load.node in message.senders:
            text = f"node '{load.node}' sends '{message.name}' itself; it never receives it"
            yield self.refs.source.problem(place, text)

    def _stale_time(
        self, place: Place, message: MessageInfo, load: LoadTable, asking: Sequence[SignalInfo] = ()
    ) -> Found:
        """Check that a message, or the page of it that asks, comes often enough for its silence to
        be a lost link.
        """
        if message.period_ns is None:
            text = f"message '{message.name}' has no cycle time in the DBC; expected 'cycle' in"
            text += f" [messages.{message.name}]"
            yield self.refs.source.problem(place, text)
            return
        table = self.refs.file.messages.get(message.name)
        page_cycle = None if table is None else table.page_cycle
        periods = [(message.period_ns, message.name)]
        periods += [
            (message.period_of(signal.name, page_cycle), f"{message.name}.{signal.name}")
            for signal in asking
            if signal.page
        ]
        period, name = max(periods)
        if load.stale_after is not None and load.stale_after < 2 * period:
            text = (
                f"{show_duration(load.stale_after)} is shorter than two periods of"
                f" '{name}' ({show_duration(2 * period)}): one late frame would trip it"
            )
            if name != message.name:
                text += f"; 'page_cycle' in [messages.{message.name}] says how often a page comes"
            yield self.refs.source.problem((*place[:-1], "stale_after"), text)

    def _link(self, place: Place, name: str, load: LoadTable) -> Found:
        if name not in self.refs.messages:
            text = unknown("message", name, self.refs.messages)
            yield self.refs.source.problem(place, text)
            return
        message = self.refs.messages[name]
        yield from self._received(place, message, load)
        yield from self._stale_time(place, message, load)

    def _level(self, place: Place, reference: str, asked_by: tuple[str, ...]) -> Found:
        found = self.refs.signal(place, reference)
        if not isinstance(found, tuple):
            yield from found
        elif found[0] not in asked_by:
            text = f"'{found[0]}' does not ask for this load; expected a signal of"
            yield self.refs.source.problem(place, f"{text} {' or '.join(asked_by)}")


Mistakes = Iterator[tuple[tuple[str, ...], str]]
"""(where below the load, text for the user)"""


def _rules(load: LoadTable) -> Mistakes:
    """Whether the file says what the load must do without a request, and whether that fits
    together.
    """
    ruled = load.request is not None or load.local is not None or bool(load.never)
    if not ruled and load.safety:
        text = "a safety-relevant load with no declared rule; expected 'request' or 'local'"
        text += " and what it does when nobody asks, or 'safety = false'"
        yield (), text
    if not ruled:
        return
    if load.request is not None:
        for key in ("stale_after", "on_stale", "on_reset"):
            if getattr(load, key) is None:
                yield (), f"the key '{key}' is missing: a requested load must say what it does"
    elif load.local is not None and load.local_use == "or":
        yield ("local_use",), "'or' joins a request and a local input; the request is missing"
    if (load.hold_for is None) != (load.then is None):
        yield (), "'hold_for' and 'then' go together"
    if load.hardware_default == "local" and load.local is None:
        text = "the hardware follows a local input, but 'local' is not declared"
        yield ("hardware_default",), text
    if load.latch and (load.on_stale != "off" or load.on_reset != "off"):
        text = "a load that latches waits in 'off': 'on_stale' and 'on_reset' must be off"
        yield ("latch",), text


def _states(load: LoadTable) -> Mistakes:
    """Whether the load can be in the states that it must take."""
    if load.flash is None and "flash" in (*_resting(load).values(), load.on_sleep):
        yield (), "a state is 'flash', but the table 'flash' is missing"
    for key, state in _resting(load).items():
        if isinstance(state, Level) and load.level is None:
            text = f"a load without 'level' is on or off; got '{state}', expected 'on' or 'off'"
            yield (key,), text


def _resting(load: LoadTable) -> dict[str, object]:
    return {"on_stale": load.on_stale, "then": load.then, "on_reset": load.on_reset}


def _without_request(load: LoadTable) -> Mistakes:
    """Keys without effect, because nothing asks for the load in that way."""
    if load.request is None:
        given = [key for key in _OF_A_REQUEST if getattr(load, key) is not None]
        given += ["after_jump"] if load.after_jump != "accept" else []
        given += ["bus_off"] if load.bus_off == "lost" else []
        for key in given:
            yield (key,), "no message asks for this load; expected 'request' beside it"
    if load.debounce and load.local is None:
        yield ("debounce",), "it belongs to a local input, but 'local' is not declared"


def _switch(load: LoadTable) -> Mistakes:
    """What the load's switch must be able to do."""
    table = load.electrical
    if table is not None and table.relay is not None:
        for key in _DIMMED:
            if getattr(load, key) is not None:
                yield (key,), "a relay cannot dim; expected 'electrical.solid_state'"
    if load.tries is not None and (table is None or table.solid_state is None):
        text = "only a switch that trips is tried again; expected 'electrical.solid_state'"
        yield ("tries",), text
