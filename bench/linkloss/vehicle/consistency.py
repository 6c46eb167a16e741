"""What must agree across the tables of a vehicle file, and with its message definition."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from keyword import iskeyword

from linkloss.bus.bits import LENGTHS
from linkloss.problem import Problem, nearest, unknown
from linkloss.units import plain, show_duration, write_duration, write_voltage
from linkloss.vehicle.desk_wiring import io_problems
from linkloss.vehicle.electrical import ElectricalTable
from linkloss.vehicle.expression import Value
from linkloss.vehicle.load import LoadTable, NoticeTable
from linkloss.vehicle.load_checks import Found, LoadChecks, Place, References
from linkloss.vehicle.messages import MessageInfo
from linkloss.vehicle.programs import pin_problems
from linkloss.vehicle.route_checks import RouteChecks
from linkloss.vehicle.tables import ANY_FRAME, InputTable, NodeTable, RequestTable, VehicleFile
from linkloss.vehicle.toml import Key, Source

Mistakes = Iterator[tuple[tuple[str, ...], str]]
"""(where in the file, text for the user)"""


def electrical_problems(file: VehicleFile) -> Mistakes:
    """The mistakes in the electrical tables; conditions over inputs are checked elsewhere."""
    yield from _supply(file)
    for name, node in file.nodes.items():
        place = ("nodes", name, "supply")
        if node.supply is None:
            continue
        if file.supply is None:
            yield place, _NO_SUPPLY
        link = node.supply.ground_link
        if link is not None and link.to == name:
            yield (*place, "ground_link", "to"), "a node's ground needs no link to itself"
        elif link is not None and link.to not in file.nodes:
            yield (*place, "ground_link", "to"), unknown("node", link.to, file.nodes)
    for name, notice in file.notices.items():
        for load_name in notice.failed:
            if load_name not in file.loads:
                yield ("notices", name, "failed"), unknown("load", load_name, file.loads)
            elif file.loads[load_name].electrical is None:
                text = f"load '{load_name}' has no electrical data: nothing in it can fail"
                yield ("notices", name, "failed"), text
    for name, load in file.loads.items():
        yield from _held_to(("loads", name), load, file)
        if load.electrical is not None:
            yield from _load(("loads", name, "electrical"), load, load.electrical, file)


_NO_SUPPLY = "the table 'supply' is missing: nothing says what feeds it"


def _supply(file: VehicleFile) -> Mistakes:
    if file.supply is None:
        return
    for name in file.supply.drive:
        if name not in file.loads:
            yield ("supply", "drive", name), unknown("load", name, file.loads)
        elif file.loads[name].electrical is None:
            text = f"load '{name}' has no electrical data: nothing says what it draws"
            yield ("supply", "drive", name), text
    if file.supply.starter is None:
        return
    place = ("supply", "starter", "switched_by")
    for node in file.supply.starter.may_reset:
        if node not in file.nodes:
            yield ("supply", "starter", "may_reset"), unknown("node", node, file.nodes)
    name = file.supply.starter.switched_by
    if name not in file.loads:
        yield place, unknown("load", name, file.loads)
        return
    table = file.loads[name].electrical
    if table is None or table.kind != "solenoid":
        yield place, f"load '{name}' closes no contact; expected one of the kind 'solenoid'"


def _load(
    place: tuple[str, ...], load: LoadTable, table: ElectricalTable, file: VehicleFile
) -> Mistakes:
    if file.supply is None:
        yield place, _NO_SUPPLY
    if table.ground != "body" and table.ground not in file.nodes:
        yield (*place, "ground"), unknown("ground", table.ground, ["body", *file.nodes])
    if table.fuse_with is None:
        return
    where = (*place, "fuse_with")
    shared = file.loads.get(table.fuse_with)
    fused = [key for key, other in file.loads.items() if _can_share(load, other)]
    if shared is None:
        yield where, unknown("load", table.fuse_with, fused)
    elif load.fuse is not None:
        yield where, "the load has a fuse of its own; expected either 'fuse' or 'fuse_with'"
    elif not _can_share(load, shared):
        yield where, f"'{table.fuse_with}' has no fuse at the same node with electrical data"


def _held_to(place: tuple[str, ...], load: LoadTable, file: VehicleFile) -> Mistakes:
    """Demands that no node could meet, though it would be blamed."""
    if load.back_within is not None and load.flash is not None:
        text = "the load flashes; expected a load that stays on when it is on"
        yield (*place, "back_within"), text
    relay = None if load.electrical is None else load.electrical.relay
    if relay is None:
        return
    if load.switching_ns > load.latency:
        text = "its relay takes longer to close or open; expected at least"
        text += f" '{write_duration(load.switching_ns)}'"
        yield (*place, "latency"), text
    node = file.nodes.get(load.node)
    if node is not None and node.supply is not None and relay.pull_in > node.supply.range[0]:
        text = f"more than the lowest voltage at which node '{load.node}' is said to operate;"
        text += f" expected '{write_voltage(node.supply.range[0])}' at most"
        yield (*place, "electrical", "relay"), f"'pull_in' is {text}"


def _can_share(load: LoadTable, other: LoadTable) -> bool:
    return other.fuse is not None and other.node == load.node and other.electrical is not None


@dataclass(frozen=True, slots=True)
class Consistency:
    """Checks a parsed vehicle file against itself and its messages."""

    source: Source
    file: VehicleFile
    messages: Mapping[str, MessageInfo]

    @property
    def refs(self) -> References:
        """What the names in the file refer to."""
        return References(self.source, self.file, self.messages)

    def problems(self) -> list[Problem]:
        """All the mistakes found, in the order of the file's tables."""
        checks = (
            self._names, self._cable, self._buses, self._nodes, self._messages, self._inputs,
            LoadChecks(self.refs).problems, self._outputs, self._electrical, self._requests,
            self._notices, RouteChecks(self.refs).problems, self._situations, self._io,
        )  # fmt: skip
        return [problem for check in checks for problem in check()]

    def _names(self) -> Found:
        """Nodes, loads, notices and routes share the rows of one table, so each name stands for one
        thing. An input has no row: it may share the name of any of them but a node.
        """
        taken: dict[str, str] = dict.fromkeys(self.file.nodes, "node")
        tables = (
            (self.file.loads, "load"),
            (self.file.notices, "notice"),
            (self.file.routes, "route"),
        )
        for table, what in tables:
            for name in table:
                if name in taken:
                    yield self._taken(what, name, taken[name])
                taken.setdefault(name, what)
        for name in self.file.inputs:
            if name in self.file.nodes:
                yield self._taken("input", name, "node")
            if iskeyword(name):
                text = f"'{name}' has a meaning of its own in conditions; expected another name"
                yield self.source.problem(("inputs", name), f"{text}, such as '{name}_'")

    def _taken(self, what: str, name: str, other: str) -> Problem:
        text = f"a {other} has the name '{name}' already; expected a name of its own"
        return self.source.problem((f"{what}s", name), text)

    def _io(self) -> Found:
        for node, table in self.file.io.items():
            if node not in self.file.nodes:
                yield self.source.problem(("io", node), unknown("node", node, self.file.nodes))
                continue
            for place, text in io_problems(node, table, self.file.loads, self.file.inputs):
                yield self.source.problem(("io", node, *place), text)

    def _cable(self) -> Found:
        for bus, table in self.file.bus.items():
            for name in table.cable:
                if name not in self.file.nodes:
                    text = unknown("node", name, self.file.nodes)
                    yield self.source.problem(("bus", bus, "cable"), text)
        for name, node in self.file.nodes.items():
            there = self.file.buses_of(name)
            if node.buses:
                yield from self._gateway(name, node, there)
            elif len(there) > 1:
                text = f"node '{name}' is on bus '{there[0]}' already; expected one bus, or both in"
                yield self.source.problem(
                    ("bus", there[1], "cable"), f"{text} 'buses' of the node's table"
                )
            elif not there and len(self.file.bus) > 1:
                text = f"node '{name}' is on no bus; expected it in the 'cable' of one"
                yield self.source.problem(("nodes", name), text)
            else:
                yield from self._once(name, (*there, *self.file.bus)[0])

    def _once(self, node: str, bus: str) -> Found:
        count = self.file.bus[bus].cable.count(node)
        if count != 1:
            text = f"node '{node}' stands {count} times in the cable; expected once"
            yield self.source.problem(("bus", bus, "cable"), text)

    def _gateway(self, name: str, node: NodeTable, there: Sequence[str]) -> Found:
        """A node on several buses stands in the cable of each, and has a program in Python."""
        place = ("nodes", name, "buses")
        known = [bus for bus in self.file.bus if bus]
        for bus in dict.fromkeys(node.buses):
            if bus not in known:
                yield self.source.problem(place, unknown("bus", bus, known))
            else:
                yield from self._once(name, bus)
        for bus in there:
            if bus and bus not in node.buses:
                text = f"node '{name}' is not on bus '{bus}' by its 'buses'"
                yield self.source.problem(("bus", bus, "cable"), text)
        if len(set(node.buses)) < len(node.buses):
            yield self.source.problem(place, "names a bus twice; expected each once")
        if len(node.buses) < 2:
            text = (
                "names one bus, which its cable says already; expected two or more, or no 'buses'"
            )
            yield self.source.problem(place, text)
        elif node.python is None:
            what = "a node of a log" if node.logged else f"a program of '{node.program_key}'"
            text = f"{what} takes one bus so far; expected 'python' for a node on several"
            yield self.source.problem(place, text)

    def _buses(self) -> Found:
        channels: dict[str, str] = {}
        for name, bus in self.file.bus.items():
            if bus.data_bit_rate is not None and bus.data_bit_rate < bus.bit_rate:
                text = f"the data goes slower than the 'bit_rate' of {bus.bit_rate} bit/s"
                yield self.source.problem(("bus", name, "data_bit_rate"), text)
            if bus.channel in channels:
                text = f"'{bus.channel}' is the channel of bus '{channels[bus.channel]}' already"
                text += "; expected another name"
                yield self.source.problem(("bus", name, "channel"), text)
            channels.setdefault(bus.channel, name)

    def _nodes(self) -> Found:
        for name, node in self.file.nodes.items():
            if node.usual_boot_ns > node.boot:
                yield self.source.problem(
                    ("nodes", name, "boots_in"),
                    f"{show_duration(node.usual_boot_ns)} is longer than the longest boot,"
                    f" {show_duration(node.boot)}",
                )
            for below, text in pin_problems(name, self.file):
                yield self.source.problem(("nodes", name, *below), text)
            if node.sleeps_when is not None:
                yield from self._sleep(name, node)
            for index, entry in enumerate(node.filters):
                if entry.message is not None and entry.message not in self.messages:
                    text = unknown("message", entry.message, self.messages)
                    yield self.source.problem(("nodes", name, "filters", index), text)
                elif entry.message is not None:
                    here = ("nodes", name, "filters", index)
                    yield from self.refs.heard(here, entry.message, name)
            if node.status is None:
                continue
            place = ("nodes", name, "status")
            if node.status not in self.messages:
                yield self.source.problem(place, unknown("message", node.status, self.messages))
            elif self.messages[node.status].senders != (name,):
                senders = ", ".join(self.messages[node.status].senders) or "nobody"
                text = f"message '{node.status}' is sent by {senders}, not by node '{name}'"
                yield self.source.problem(place, text)

    def _sleep(self, name: str, node: NodeTable) -> Found:
        """A node sleeps by what it reads itself: one that went by messages of others would also
        sleep when the bus is cut. An input of its own wakes it, or something on the bus.
        """
        place = ("nodes", name)
        assert node.sleeps_when is not None
        yield from self.refs.condition((*place, "sleeps_when"), node.sleeps_when, name)
        known = [
            *(key for key, table in self.file.inputs.items() if name in table.wired_to),
            *(key for key, info in self.messages.items() if info.senders != (name,)),
            ANY_FRAME,
        ]
        for waker in node.wakes_by:
            text = ""
            if waker in self.file.inputs and waker in self.messages:
                text = f"'{waker}' is an input and a message; expected a name of its own"
            elif waker not in known:
                text = unknown(f"waker of node '{name}'", waker, known)
            if text:
                yield self.source.problem((*place, "wakes_by"), text)
            elif waker in self.messages:
                yield from self.refs.heard((*place, "wakes_by"), waker, name)
        if node.supply is not None and node.supply.sleeping is None:
            text = "the node sleeps; expected 'sleeping', the current that it draws then"
            yield self.source.problem((*place, "supply"), text)

    def _messages(self) -> Found:
        for name, table in self.file.messages.items():
            if name not in self.messages:
                text = unknown("message", name, self.messages)
                yield self.source.problem(("messages", name), text)
                continue
            period = self.messages[name].period_ns
            if table.min_gap is not None and period is not None and table.min_gap > period:
                cycle = "'cycle'" if table.cycle else "the cycle time in the DBC"
                text = f"{show_duration(table.min_gap)} is longer than {cycle},"
                text += f" {show_duration(period)}"
                yield self.source.problem(("messages", name, "min_gap"), text)

        for name, info in self.messages.items():
            if not any(node in self.file.nodes for node in info.senders):
                continue  # nobody on the bus sends it
            if info.fd:
                yield from self._fd_message(name, info)
            elif info.length > 8:
                text = f"message '{name}' has {info.length} bytes, a classical frame 8 at most;"
                yield self.source.problem(
                    ("dbc",),
                    f"{text} expected 'StandardCAN_FD' or 'ExtendedCAN_FD' as VFrameFormat",
                )

    def _fd_message(self, name: str, info: MessageInfo) -> Found:
        for node in info.senders:
            if node in self.file.nodes and not self.file.nodes[node].fd:
                text = f"it sends '{name}', a CAN FD message; expected 'fd = true'"
                yield self.source.problem(("nodes", node, "fd"), text)
        if info.length not in LENGTHS:
            longer = next((length for length in LENGTHS if length > info.length), LENGTHS[-1])
            text = f"message '{name}' has {info.length} bytes, which no CAN FD frame holds; the"
            yield self.source.problem(("dbc",), f"{text} next length is {longer}")

    def _inputs(self) -> Found:
        for name, table in self.file.inputs.items():
            place = ("inputs", name)
            for node in table.wired_to:
                if node not in self.file.nodes:
                    text = unknown("node", node, self.file.nodes)
                    yield self.source.problem((*place, "wired_to"), text)
            if table.open_reads is not None:
                text = value_problem(name, table, table.open_reads)
                if text:
                    yield self.source.problem((*place, "open_reads"), text)
            yield from self._logged((*place, "logged"), name, table)

    def _logged(self, place: tuple[Key, ...], name: str, table: InputTable) -> Found:
        """How a log shows an input: by signals that exist, for positions that it has."""
        if isinstance(table.logged, str):
            found = self.refs.signal(place, table.logged)
            if not isinstance(found, tuple):
                yield from found
            return
        for position, condition in (table.logged or {}).items():
            text = value_problem(name, table, position)
            if text:
                yield self.source.problem((*place, position), text)
            for reference in condition.names:
                found = self.refs.signal((*place, position), reference)
                if not isinstance(found, tuple):
                    yield from found

    def _outputs(self) -> Found:
        users: dict[tuple[str, str], str] = {}
        for name, load in self.file.loads.items():
            output = (load.node, load.output or name)
            if output in users:
                text = f"output '{output[1]}' of node '{output[0]}' already feeds '{users[output]}'"
                yield self.source.problem(("loads", name, "output"), text)
            users.setdefault(output, name)

    def _electrical(self) -> Found:
        for place, text in electrical_problems(self.file):
            yield self.source.problem(place, text)
        for name, node in self.file.nodes.items():
            if node.supply is not None and node.supply.logged is not None:
                place = ("nodes", name, "supply", "logged")
                yield from self.refs.own_signal(place, node.supply.logged, name)
        alternator = self.file.supply and self.file.supply.alternator
        if alternator:
            place = ("supply", "alternator", "runs_while")
            yield from self.refs.condition(place, alternator.runs_while, None)

    def _requests(self) -> Found:
        for name, request in self.file.requests.items():
            place = ("requests", name)
            found = self.refs.signal(place, name)
            if not isinstance(found, tuple):
                yield from found
                continue
            senders = self.messages[found[0]].senders
            node = senders[0] if senders else None
            if node not in self.file.nodes:
                text = f"no node of the vehicle sends message '{found[0]}'"
                yield self.source.problem(place, text)
                continue
            yield from self._request_conditions(place, request, node)

    def _request_conditions(
        self, place: tuple[Key, ...], request: RequestTable, node: str | None
    ) -> Found:
        received = False
        for condition in request.conditions:
            received = received or any("." in name for name in condition.names)
            yield from self.refs.condition(place, condition, node, signals=True)
        if received and request.received is None:
            text = "decides by a received signal; expected 'received' (stale_after, when_stale)"
            yield self.source.problem(place, text)

    def _notices(self) -> Found:
        for name, notice in self.file.notices.items():
            place = ("notices", name)
            found = self.refs.signal((*place, "signal"), notice.signal)
            if not isinstance(found, tuple):
                yield from found
            else:
                yield from self._told_of(place, notice, self.messages[found[0]])
            if notice.lost is not None:
                if notice.lost not in self.file.nodes:
                    text = unknown("node", notice.lost, self.file.nodes)
                    yield self.source.problem((*place, "lost"), text)
                elif self.file.nodes[notice.lost].status is None:
                    text = f"node '{notice.lost}' has no status message to be missed"
                    yield self.source.problem((*place, "lost"), text)
            if notice.stuck is not None and notice.stuck not in self.file.inputs:
                text = unknown("input", notice.stuck, self.file.inputs)
                yield self.source.problem((*place, "stuck"), text)

    def _told_of(self, place: Place, notice: NoticeTable, told: MessageInfo) -> Found:
        """The node that shows a notice hears nothing of a node on another bus."""
        known = self.file.loads.keys() & notice.failed
        nodes = [("failed", self.file.loads[load].node) for load in sorted(known)]
        nodes += [] if notice.lost is None else [("lost", notice.lost)]
        for key, node in nodes:
            own = self.file.buses_of(node)
            if own and told.bus not in own:
                text = f"node '{node}' is not on bus '{told.bus}' with message '{told.name}'"
                yield self.source.problem((*place, key), f"{text}, which tells of it")

    def _situations(self) -> Found:
        for name, situation in self.file.situations.items():
            place = ("situations", name)
            yield from self.input_values((*place, "inputs"), situation.inputs)
            previous = 0
            for index, action in enumerate(situation.actions):
                here = (*place, "actions", index)
                yield from self.input_values((*here, "set"), action.set)
                if not previous <= action.at <= situation.lasts:
                    text = "actions stand in order of time and within the situation"
                    yield self.source.problem((*here, "at"), text)
                previous = action.at

    def input_values(self, place: tuple[Key, ...], values: Mapping[str, Value]) -> Found:
        """Mistakes in a table ``input = value``."""
        for name, value in values.items():
            if name not in self.file.inputs:
                yield self.source.problem((*place, name), unknown("input", name, self.file.inputs))
            else:
                text = value_problem(name, self.file.inputs[name], value)
                if text:
                    yield self.source.problem((*place, name), text)


def value_problem(name: str, table: InputTable, value: Value) -> str:
    """What is wrong with a value of an input; empty if nothing is."""
    if table.positions is not None:
        if value in table.positions:
            return ""
        listed = ", ".join(table.positions)
        return f"'{name}' has no position '{plain(value)}'; expected one of: {listed}" + (
            nearest(str(value), table.positions)
        )
    assert table.range is not None
    low, high = table.range
    if isinstance(value, float) and low <= value <= high:
        return ""
    unit = f" {table.unit}" if table.unit else ""
    return f"got '{plain(value)}'; expected a number from {plain(low)} to {plain(high)}{unit}"
