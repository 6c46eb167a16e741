"""The *sensor* rule: a signal that shows a sensor, or a node's own supply, shows it as it is.

    input    __________/~~~~~~~~~~~        as the node reads it
    allowed  ==========[....]======        what it was within a cycle and the latency, and
    signal   _______________/~~~~~~        'settles'; above and below by 'tolerance'

A wrong byte order, a forgotten offset, a factor of ten: all are far outside.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, replace

from linkloss.judge.case import Case
from linkloss.judge.messages import senders_of
from linkloss.judge.verdict import Outcome, Verdict, worst
from linkloss.model.expression import split_signal
from linkloss.model.loading import Vehicle
from linkloss.model.messages import MessageInfo, SignalInfo
from linkloss.model.units import show_duration
from linkloss.model.vehicle import InputTable, NodeTable, RequestTable
from linkloss.recording import Series

STEPS = 2
"""So many of the coarser steps a signal may be off, where no tolerance is declared: one for the
converter and one for the signal."""

UNNOTED_V = 0.05
"""The recording leaves out smaller changes of a voltage."""


@dataclass(frozen=True, slots=True)
class Shown:
    """A signal and what it shows: an input, or the supply of its node (``input`` is empty)."""

    reference: str
    node: str
    input: str
    unit: str
    low: float
    high: float
    """What the sensor can be, in its unit."""
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
    """The step in which a node reads a sensor: that of its converter, where it has one."""
    if name not in node.pins or table.range is None:
        return 0.0
    low, high = table.range
    return (high - low) / ((1 << node.target.analog_bits) - 1)


def judge_sensor(case: Case, shown: Shown) -> list[Verdict]:
    """One signal over the whole run.

    It was put to the test when a sensor was shown in both outer thirds of its range; a supply,
    which stays where it is for most of the time, when it moved by a third of its own.
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
            text = _text(shown, value, least, most)
            wrong = Verdict(
                shown.reference, "sensor", Outcome.BROKEN, None, at_ns, 0, text, shown.node
            )
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
    text = f"{wrong.text}; wrong for {show_duration(lasts_ns)}"
    return replace(wrong, wrong_for_ns=lasts_ns, text=text)


def _text(shown: Shown, value: float, least: float, most: float) -> str:
    unit = f" {shown.unit}" if shown.unit else ""
    what = f"input {shown.input}" if shown.input else f"the supply of {shown.node}"
    near, far = least + shown.tolerance, most - shown.tolerance
    was = f"{near:g}" if f"{near:g}" == f"{far:g}" else f"{near:g} to {far:g}"
    return f"showed {value:g}{unit} while {what} was {was}{unit}"


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
    """(instant, value shown, what it may be) of each message that a program handed over and that
    is judged: from when it has had the time to read the sensor.
    """
    window_ns = (message.period_ns or 0) + _latency_ns(case.vehicle, message) + shown.settles_ns
    entries = case.recording.handed.get(message.name, [])
    first = bisect_left(entries, case.start_ns, key=lambda entry: entry.at_ns)
    lives, limits = case.lives[shown.node], _limits(message, signal)
    for entry in entries[first:]:
        at_ns = entry.at_ns
        if not entry.taken or len(entry.data) != message.length:
            continue
        if signal.shown is not None and not signal.shown(entry.data):
            continue
        if at_ns < lives.life_at(at_ns).boot_end_ns + window_ns:
            continue
        since_ns = at_ns - window_ns
        for hang in reversed(lives.hangs):
            if hang.from_ns <= at_ns and hang.to_ns > since_ns:
                since_ns = min(since_ns, hang.from_ns - window_ns)
        low = max(0, bisect_left(source.times, since_ns) - 1)
        values = source.values[low : bisect_right(source.times, at_ns)]
        if values:
            least, most = _clipped(min(values), limits), _clipped(max(values), limits)
            allowed = (least - shown.tolerance, most + shown.tolerance)
            yield at_ns, signal.physical(entry.data), allowed


def _latency_ns(vehicle: Vehicle, message: MessageInfo) -> int:
    """What the node has from a move of an input until it hands over a message that tells of it."""
    default: int = RequestTable.model_fields["latency"].default
    return max(
        (
            request.latency
            for name, request in vehicle.requests.items()
            if split_signal(name)[0] == message.name
        ),
        default=default,
    )
