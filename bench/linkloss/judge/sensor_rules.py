"""Rules of nodes as senders: *sensor* and *quiet recovery*, and all sender rules of a vehicle.

*Sensor*: a signal that shows a sensor, or a node's own supply, shows its real value. A wrong byte
order, a forgotten offset, a factor of ten: all are far outside.

    input    __________/~~~~~~~~~~~        as the node reads it
    allowed  ==========[....]======        what it was within a cycle and the latency, and
    signal   _______________/~~~~~~        'settles'; above and below by 'tolerance'

*Quiet recovery*: a node that comes back from bus-off leaves the bus to the others. A controller
that recovers at once, again and again, fills most of the bus with failed attempts while its fault
lasts.

    bus-off    ____|~~~~|_______|~~~~|_______|~~~~|____
    returns             x            x            x         at most 'returns' in any second
    failed               ||||||||     ||||||||              their share at most 'failed_share'

An attempt without acknowledgement does not count: it never leads to bus-off, and a program cannot
tell whether it is alone.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from linkloss.judge.case import BusOff, Case, TimeSpan, bus_offs
from linkloss.judge.message_rules import cyclic, judge_cycle, judge_foreign, senders_of
from linkloss.judge.verdict import Cause, Outcome, Verdict, worst
from linkloss.recording import Series
from linkloss.vehicle.expression import split_signal
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.messages import MessageInfo, SignalInfo
from linkloss.vehicle.tables import InputTable, NodeTable, RequestTable

STEPS = 2
"""By how many of the coarser steps a signal may be off, where no tolerance is declared: one for the
converter and one for the signal.
"""

UNNOTED_V = 0.05
"""The recording leaves out smaller changes of a voltage, in V."""


@dataclass(frozen=True, slots=True)
class Shown:
    """A signal and what it shows: an input, or the supply of its node (``input`` is empty)."""

    reference: str
    node: str
    input: str
    unit: str
    low: float
    high: float
    """``low`` to ``high``: the range of the sensor, in its unit."""
    tolerance: float
    settles_ns: int


def shown_signals(vehicle: Vehicle) -> Iterator[Shown]:
    """The signals that show a sensor or a supply, each sent by the one node that has it."""
    for name, table in vehicle.inputs.items():
        if isinstance(table.logged, str) and table.range is not None:
            message, signal = vehicle.signal(table.logged)
            nodes = senders_of(vehicle, message)
            if len(nodes) != 1 or nodes[0] not in table.wired_to:
                continue
            tolerance = table.tolerance
            if tolerance is None:
                node = vehicle.nodes[nodes[0]]
                tolerance = STEPS * max(_step(signal), pin_step(name, table, node))
            low, high = table.range
            unit = table.unit or ""
            yield Shown(table.logged, nodes[0], name, unit, low, high, tolerance, table.settles)
    for name, node in vehicle.nodes.items():
        supply = node.supply
        if vehicle.supply is not None and supply is not None and supply.logged is not None:
            _, signal = vehicle.signal(supply.logged)
            tolerance = supply.tolerance
            if tolerance is None:
                tolerance = STEPS * _step(signal)
            low, high = supply.range
            yield Shown(supply.logged, name, "", "V", low, high, tolerance + UNNOTED_V, 0)


def _step(signal: SignalInfo) -> float:
    return 0.0 if signal.floating else abs(signal.scale)


def pin_step(name: str, table: InputTable, node: NodeTable) -> float:
    """The step in which a node reads a sensor: that of its converter, if it has one."""
    if name not in node.pins or table.range is None:
        return 0.0
    low, high = table.range
    return (high - low) / ((1 << node.target.analog_bits) - 1)


def judge_sensor(case: Case, shown: Shown) -> list[Verdict]:
    """One signal over the whole run.

    A sensor exercises the rule when it was shown in both outer thirds of its range. A supply stays
    where it is for most of the time, so a move by a third of its range is enough.
    """
    message, signal = case.vehicle.signal(shown.reference)
    source = _source(case, shown)
    idle = Verdict(shown.reference, "sensor", Outcome.NOT_EXERCISED)
    if source is None or not source.times:
        return [idle]
    limits = _limits(message, signal)
    low, high = _clipped(shown.low, limits), _clipped(shown.high, limits)
    third = (high - low) / 3
    lowest, highest = high, low
    found = [idle]
    wrong: Verdict | None = None
    for at_ns, value, (least, most) in _shows(case, shown, message, signal, source):
        lowest, highest = min(lowest, value), max(highest, value)
        if least <= value <= most:
            if wrong is not None:
                found.append(_ended(wrong, at_ns))
            wrong = None
        elif wrong is None:
            wrong = _wrong(shown, at_ns, value, least, most)
    if wrong is not None:
        found.append(_ended(wrong, case.end_ns))
    outer = lowest <= low + third and highest >= high - third
    if outer if shown.input else highest - lowest >= third:
        found.append(Verdict(shown.reference, "sensor", Outcome.KEPT))
    return [worst(found)]


def _source(case: Case, shown: Shown) -> Series[float] | None:
    """What is shown, as the node reads it."""
    if not shown.input:
        return case.recording.volts.get(shown.node)
    read: Series[float] = Series()
    for at_ns, value in case.recording.seen[(shown.input, shown.node)].changes():
        read.set(at_ns, float(value))
    return read


def _ended(wrong: Verdict, at_ns: int) -> Verdict:
    assert wrong.at_ns is not None
    lasts_ns = at_ns - wrong.at_ns
    return replace(wrong, wrong_for_ns=lasts_ns)


def _wrong(shown: Shown, at_ns: int, value: float, least: float, most: float) -> Verdict:
    unit = f" {shown.unit}" if shown.unit else ""
    what = f"input {shown.input}" if shown.input else f"the supply of {shown.node}"
    near, far = least + shown.tolerance, most - shown.tolerance
    was = f"{near:g}" if f"{near:g}" == f"{far:g}" else f"{near:g} to {far:g}"
    return Verdict.wrong(
        shown.reference, "sensor", at_ns, 0, Cause.SENSOR,
        f"{value:g}{unit}", f"{was}{unit}", about=(what,), culprit=shown.node,
    )  # fmt: skip


def _limits(message: MessageInfo, signal: SignalInfo) -> tuple[float, float]:
    """The least and the most that a signal can show: it stops at the range that the DBC gives it,
    and at what its bits hold.
    """
    low, high = signal.ends(message.length)
    least, most = signal.minimum, signal.maximum
    if least is not None and most is not None and least < most:
        low, high = _clipped(low, (least, most)), _clipped(high, (least, most))
    return low, high


def _clipped(value: float, limits: tuple[float, float]) -> float:
    low, high = limits
    return low if value < low else min(value, high)


def _shows(
    case: Case, shown: Shown, message: MessageInfo, signal: SignalInfo, source: Series[float]
) -> Iterator[tuple[int, float, tuple[float, float]]]:
    """(instant, value shown, what it may be) of each message that a program handed over, from when
    the program has had the time to read the sensor.
    """
    window_ns = case.vehicle.period_ns(f"{message.name}.{signal.name}")
    window_ns += _latency_ns(case.vehicle, message) + shown.settles_ns
    entries = case.recording.handed.get(message.name, [])
    first = bisect_left(entries, case.start_ns, key=lambda entry: entry.at_ns)
    history, limits = case.histories[shown.node], _limits(message, signal)
    for entry in entries[first:]:
        at_ns = entry.at_ns
        if not entry.taken or len(entry.data) != message.length:
            continue
        if not signal.present(entry.data):
            continue
        if at_ns < history.uptime_at(at_ns).boot_end_ns + window_ns:
            continue
        since_ns = at_ns - window_ns
        for hang in reversed(history.hangs):
            if hang.from_ns <= at_ns and hang.to_ns > since_ns:
                since_ns = min(since_ns, hang.from_ns - window_ns)
        low = max(0, bisect_left(source.times, since_ns) - 1)
        values = source.values[low : bisect_right(source.times, at_ns)]
        if values:
            least, most = _clipped(min(values), limits), _clipped(max(values), limits)
            allowed = (least - shown.tolerance, most + shown.tolerance)
            yield at_ns, signal.physical(entry.data), allowed


def _latency_ns(vehicle: Vehicle, message: MessageInfo) -> int:
    """How long a node may take from a change of an input until it hands over a message that shows
    it.
    """
    default: int = RequestTable.model_fields["latency"].default
    return max(
        (
            request.latency
            for name, request in vehicle.requests.items()
            if split_signal(name)[0] == message.name
        ),
        default=default,
    )


SECOND_NS = 1_000_000_000
ERROR_BITS = 14
"""Error flag and delimiter after a failed attempt: 6 + 8 bits, the least that they can take (Bosch
CAN Specification 2.0, part B section 3.1.3).
"""
ROUND_BITS = 128 * 11 + 32 * 160
"""The most bits from one bus-off to the next of a node that recovers at once and fails at once: the
recovery, and 32 attempts, each no longer than an extended frame with its error frame.
"""


def judge_quiet(case: Case, node: str) -> list[Verdict]:
    """How often a node came back, and how much of the bus its failed attempts took."""
    found = [Verdict(node, "quiet recovery", Outcome.NOT_EXERCISED)]
    for bus in case.vehicle.file.buses_of(node):
        found += _quiet_on(case, node, bus)
    return [worst(found)]


def _quiet_on(case: Case, node: str, bus: str) -> Iterator[Verdict]:
    """The same of one of its buses."""
    offs = [*bus_offs(case, node, bus)]
    table = case.vehicle.nodes[node]
    for at_ns, cause, observed, allowed in (
        *_too_often(offs, table.returns),
        *_too_loud(case, node, bus, offs, table.failed_share),
    ):
        if at_ns >= case.start_ns:
            yield Verdict.wrong(
                node, "quiet recovery", at_ns, None, cause, observed, allowed, culprit=node
            )
    round_ns = ROUND_BITS * SECOND_NS // case.vehicle.file.bus[bus].bit_rate
    if _lasted_ns(offs, case.start_ns) >= (table.returns + 1) * round_ns:
        yield Verdict(node, "quiet recovery", Outcome.KEPT)


def _lasted_ns(offs: Sequence[BusOff], start_ns: int) -> int:
    """For how long a node went bus-off again and again. One that had come back at once each time
    would have done so all the while.
    """
    judged = [off for off in offs if off.from_ns >= start_ns]
    if not any(off.back for off in judged[:-1]):
        return 0
    return judged[-1].from_ns - judged[0].from_ns


def _too_often(offs: Sequence[BusOff], most: int) -> Iterator[tuple[int, Cause, str, str]]:
    backs = [off.to_ns for off in offs if off.back]
    for first, last in zip(backs, backs[most:], strict=False):
        if last - first < SECOND_NS:
            count = bisect_left(backs, first + SECOND_NS) - bisect_left(backs, first)
            yield last, Cause.TOO_MANY_RETURNS, str(count), str(most)
            return


def _too_loud(
    case: Case, node: str, bus: str, offs: Sequence[BusOff], share: float
) -> Iterator[tuple[int, Cause, str, str]]:
    """The failed attempts between a return and the next bus-off, over any second."""
    tries = [*_failures(case, node, bus, offs)]
    first = taken_ns = 0
    for at_ns, lasted_ns in tries:
        taken_ns += lasted_ns
        while tries[first][0] <= at_ns - SECOND_NS:
            taken_ns -= tries[first][1]
            first += 1
        if taken_ns > share * SECOND_NS:
            yield at_ns, Cause.TOO_LOUD, "", f"{share:.0%}"
            return


def _failures(case: Case, node: str, bus: str, offs: Sequence[BusOff]) -> Iterator[tuple[int, int]]:
    """(start, time taken) of each failed attempt that counts, in order of time."""
    error_ns = ERROR_BITS * SECOND_NS // case.vehicle.file.bus[bus].bit_rate
    alone = _alone(case, node, bus)
    rounds = list(pairwise(offs))
    frames = case.recording.frames if rounds else ()
    own = [
        record
        for record in frames
        if record.sender == node and record.error is not None and record.bus in ("", bus)
    ]
    for back, again in rounds:
        tries = [record for record in own if back.to_ns <= record.start_ns <= again.from_ns]
        for record in tries:
            start_ns = record.start_ns
            heard = not any(from_ns <= start_ns < to_ns for from_ns, to_ns in alone)
            if heard and record.error in ("disturbed", "collision"):
                yield start_ns, record.end_ns + error_ns - start_ns


def _alone(case: Case, node: str, bus: str) -> list[TimeSpan]:
    """The spans in which no other node's controller was there on a bus to be disturbed: this node
    was unplugged, or all others were unplugged, bus-off or without a running controller.
    """
    alone = _unplugged(case, node, bus)
    away = [
        [*_unplugged(case, other, bus), *_silent(case, other, bus)]
        for other in case.vehicle.file.bus[bus].cable
        if other != node
    ]
    edges = sorted({at for spans in away for span in spans for at in span})
    for from_ns, to_ns in pairwise(edges):
        if all(any(a <= from_ns and to_ns <= b for a, b in spans) for spans in away):
            alone.append((from_ns, to_ns))
    return alone if away else [(0, case.end_ns)]


def _unplugged(case: Case, node: str, bus: str) -> list[TimeSpan]:
    here = case.recording.faults_on(bus)
    return case.spans(
        lambda fault: fault.kind == "unplug" and node in fault.nodes and fault in here
    )


def _silent(case: Case, node: str, bus: str) -> Iterator[TimeSpan]:
    """Bus-off, or between a reset and the program's start."""
    for off in bus_offs(case, node, bus):
        yield off.from_ns, off.to_ns
    for uptime in case.histories[node].uptimes:
        yield uptime.reset_ns, uptime.end_ns if uptime.up_ns is None else uptime.up_ns


def judge_senders(case: Case) -> Iterator[Verdict]:
    """The verdicts on all messages, and on all nodes as their senders."""
    for message, node in cyclic(case.vehicle):
        if case.simulated(node):
            yield from judge_cycle(case, message)
    for shown in shown_signals(case.vehicle):
        if case.simulated(shown.node):
            yield from judge_sensor(case, shown)
    for node in filter(case.simulated, case.vehicle.nodes):
        yield from judge_foreign(case, node)
        yield from judge_quiet(case, node)


def sender_rules(vehicle: Vehicle, logged: Collection[str] = ()) -> Iterator[tuple[str, str]]:
    """Every (subject, rule) that :func:`judge_senders` covers. ``logged``: nodes without a
    program.
    """
    yield from ((message, "cycle") for message, node in cyclic(vehicle) if node not in logged)
    for shown in shown_signals(vehicle):
        if shown.node not in logged:
            yield shown.reference, "sensor"
    for node in vehicle.nodes:
        if node not in logged:
            yield from ((node, "foreign"), (node, "quiet recovery"))
