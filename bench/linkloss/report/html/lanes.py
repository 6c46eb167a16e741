"""A run as lanes over time: causes at the top, effects at the bottom.

    faults    [######]            there or not
    inputs    _off__[ dipped ]_   what the driver set
    bus      ..::||::..          share of time with a frame on it; failed attempts
    supply    ~~~~|_______|~~~~   the voltage at each node where it moved
    nodes     ____[hung]_[reset]  the program and the controller
    loads     ~~~~|_______|~~~~   the actual level, with the allowed states behind it

All instants are in ns since power-up.

Lanes are drawn as SVG paths. The horizontal unit is 10 us: the page zooms by moving the window of
an inner drawing that is stretched to its width, so that nothing has to be redrawn.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import inf
from typing import NamedTuple

from linkloss.bus import BusRecord
from linkloss.judge.case import Case
from linkloss.judge.loads import view_load
from linkloss.judge.states import FLASH, OFF
from linkloss.judge.states import state_words as load_states
from linkloss.judge.walk import Segment
from linkloss.recording import Recording
from linkloss.report.html.sheet import Flag, Label, Picture, Strip
from linkloss.report.timeline import level_word, state_words
from linkloss.units import plain

CALM = frozenset({"running", "ACTIVE"})
TROUBLE = frozenset({"hung", "off", "crashed", "BUS_OFF", "PASSIVE"})
"""States of programs and controllers. An input that is ``off`` is in no trouble."""
BUCKETS = 160
"""The most columns of bus load over a whole run."""
LEAST_BUCKET_NS = 50_000_000
"""A column shorter than the period of most messages would only show their rhythm."""
SCALES = (0.1, 0.2, 0.5, 1.0)
"""Possible shares at the top of the lane of bus load."""
TOP_V = (16.0, 40.0, 120.0, inf)
"""Possible voltages at the top of the lane of a voltage."""
WORTH_SHOWING_V = 1.0
"""A voltage that changed by less has no lane."""


class Stretch(NamedTuple):
    """A state from one instant to another. ``calm`` ones are drawn as a plain line."""

    from_ns: int
    to_ns: int
    text: str
    calm: bool = False
    trouble: bool = False


@dataclass(frozen=True, slots=True)
class Lane:
    """One row: stretches, or a level with the allowed states, or shares of time."""

    group: str
    name: str
    stretches: list[Stretch] = field(default_factory=list)
    levels: list[tuple[int, int, float]] = field(default_factory=list)
    allowed: list[Segment] = field(default_factory=list)
    wrong: list[tuple[int, int]] = field(default_factory=list)
    shares: list[tuple[int, int, float]] = field(default_factory=list)
    values: list[tuple[int, str]] = field(default_factory=list)
    mark: str = ""


def lanes(case: Case, chosen: Iterable[str], broken: Iterable[str] = ()) -> list[Lane]:
    """The lanes of a run: the chosen loads first, then those that changed. ``broken`` ones are
    marked.
    """
    recording = case.recording
    return [
        *_faults(recording),
        *_inputs(recording),
        *bus_lanes(recording),
        *voltage_lanes(recording),
        *_nodes(recording),
        *_loads(case, frozenset(chosen), frozenset(broken)),
    ]


def _faults(recording: Recording) -> Iterator[Lane]:
    """One lane for each fault, however often it occurred."""
    spans: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for fault in recording.faults:
        to_ns = recording.end_ns if fault.cleared_ns is None else fault.cleared_ns
        spans.setdefault((fault.kind, fault.text), []).append((fault.applied_ns, to_ns))
    for (kind, text), found in spans.items():
        values = [(0, "not there")]
        for from_ns, to_ns in found:
            values.append((from_ns, "there"))
            values += [(to_ns, "not there")] if to_ns < recording.end_ns else []
        last = len(found) - 1
        stretches = [Stretch(a, b, text if i == last else "") for i, (a, b) in enumerate(found)]
        yield Lane("faults", kind, stretches, values=values)


def _inputs(recording: Recording) -> Iterator[Lane]:
    """The inputs that changed."""
    for name, series in recording.inputs.items():
        changes = [(at_ns, plain(value)) for at_ns, value in series.changes()]
        if len(changes) > 1:
            rest = changes[0][1]
            stretches = _stretches(changes, recording.end_ns, {rest})
            yield Lane("inputs", name, stretches, values=changes)


def bus_lanes(recording: Recording) -> Iterator[Lane]:
    """How busy the bus was, and where attempts failed."""
    step_ns = max(LEAST_BUCKET_NS, recording.end_ns // BUCKETS)
    shares = busy_shares(recording.frames, recording.end_ns, step_ns)
    values = [(from_ns, f"{share:.0%}") for from_ns, _, share in shares]
    most = max((share for _, _, share in shares), default=0.0)
    top = next((scale for scale in SCALES if most <= scale), 1.0)
    scaled = [(from_ns, to_ns, share / top) for from_ns, to_ns, share in shares]
    yield Lane("bus", f"load, 0 to {top:.0%}", shares=scaled, values=values)
    failed = _merged(
        sorted((record.start_ns, record.end_ns) for record in recording.frames if record.error)
    )
    if failed:
        stretches = [Stretch(from_ns, to_ns, "") for from_ns, to_ns in failed]
        values = [(0, "none")]
        for from_ns, to_ns in failed:
            values += [(from_ns, "failing"), (to_ns, "none")]
        yield Lane("bus", "failed attempts", stretches, values=values)


def busy_shares(
    frames: Iterable[BusRecord], end_ns: int, step_ns: int
) -> list[tuple[int, int, float]]:
    """The share of time with a frame on any piece of the cable, in steps: (from ns, to ns,
    share).
    """
    busy = [0] * -(-end_ns // step_ns)
    covered_ns = 0
    for record in sorted(frames, key=lambda record: record.start_ns):
        from_ns, to_ns = max(covered_ns, record.start_ns), min(end_ns, record.end_ns)
        covered_ns = max(covered_ns, to_ns)
        while from_ns < to_ns:
            index = from_ns // step_ns
            part_ns = min(to_ns, (index + 1) * step_ns)
            busy[index] += part_ns - from_ns
            from_ns = part_ns
    return [
        (index * step_ns, min(end_ns, (index + 1) * step_ns), ns / step_ns)
        for index, ns in enumerate(busy)
    ]


def _merged(spans: Iterable[tuple[int, int]], gap_ns: int = 2_000_000) -> list[tuple[int, int]]:
    """Spans in order of their start; spans that nearly touch are merged."""
    found: list[tuple[int, int]] = []
    for from_ns, to_ns in spans:
        if found and from_ns - found[-1][1] <= gap_ns:
            found[-1] = (found[-1][0], max(to_ns, found[-1][1]))
        else:
            found.append((from_ns, to_ns))
    return found


def voltage_lanes(recording: Recording) -> Iterator[Lane]:
    """The voltage at each node where it changed, as a line on a scale from 0 V to a round
    figure.
    """
    for node, series in recording.volts.items():
        values = series.values
        if not values or max(values) - min(values) < WORTH_SHOWING_V:
            continue
        top = next(scale for scale in TOP_V if max(values) <= scale)
        told = series.stretches(recording.end_ns)
        yield Lane(
            "supply",
            f"{node}, 0 to {top:g} V",
            levels=[(from_ns, to_ns, volts / top) for from_ns, to_ns, volts in told],
            values=[(from_ns, f"{volts:.1f} V") for from_ns, _, volts in told],
        )


def _nodes(recording: Recording) -> Iterator[Lane]:
    """The program of each node, and its controller if that did not stay error-active."""
    for node, changes in recording.nodes.items():
        told = [(change.at_ns, change.state) for change in changes]
        stretches = _stretches(told, recording.end_ns, CALM, TROUBLE)
        yield Lane("nodes", node, stretches, values=told)
        if recording.controllers.get(node):
            yield _controller(recording, node)


def _controller(recording: Recording, node: str) -> Lane:
    """The error state of a controller; the cursor shows its counters."""
    states, values = [(0, "ACTIVE")], [(0, state_words("ACTIVE"))]
    for change in recording.controllers[node]:
        states.append((change.at_ns, change.state))
        counters = f"TEC {change.tec}, REC {change.rec}"
        values.append((change.at_ns, f"{state_words(change.state)}, {counters}"))
    found = _stretches(states, recording.end_ns, CALM, TROUBLE)
    worded = [part._replace(text=state_words(part.text)) for part in found]
    return Lane("nodes", f"{node}, controller", worded, values=values)


def _loads(case: Case, chosen: frozenset[str], broken: frozenset[str]) -> Iterator[Lane]:
    recording, loads = case.recording, case.vehicle.loads
    order = [name for name in loads if name in chosen and name in recording.outputs]
    order += [name for name in moved_loads(recording) if name not in chosen]
    for name in order:
        walked = view_load(case, name).walked
        segments, actual = walked.segments, recording.outputs[name]
        yield Lane(
            "loads" if name in chosen else "other loads",
            name,
            levels=actual.stretches(recording.end_ns),
            allowed=segments,
            wrong=[(breach.at_ns, breach.to_ns) for breach in walked.breaches],
            values=_load_values(actual.stretches(recording.end_ns), segments),
            mark="broken" if name in broken else "",
        )


def moved_loads(recording: Recording) -> list[str]:
    """The loads that changed at all, in the order of the vehicle file."""
    return [name for name, output in recording.outputs.items() if len(output.times) > 1]


def _load_values(
    actual: Sequence[tuple[int, int, float]], segments: Sequence[Segment]
) -> list[tuple[int, str]]:
    """``on, allowed: on or off (stale)`` from each instant at which either changes."""
    starts = sorted({part[0] for part in actual} | {part.from_ns for part in segments})
    level, segment, found = 0.0, None, []
    own = {from_ns: value for from_ns, _, value in actual}
    ours = {part.from_ns: part for part in segments}
    for at_ns in starts:
        level, segment = own.get(at_ns, level), ours.get(at_ns, segment)
        text = level_word(level)
        if segment is not None:
            rule = f" ({segment.rule})" if segment.rule else ""
            text += f", allowed: {load_states(segment.states)}{rule}"
        found.append((at_ns, text))
    return found


def band(allowed: Iterable[Segment]) -> Mapping[str, list[tuple[int, int]]]:
    """The spans in which a load may be lit, and in which it may be dark; a flashing load may be
    either.
    """
    found: dict[str, list[tuple[int, int]]] = {"lit": [], "dark": []}
    for part in allowed:
        if part.states - {OFF}:
            found["lit"].append((part.from_ns, part.to_ns))
        if part.states & {OFF, FLASH}:
            found["dark"].append((part.from_ns, part.to_ns))
    return {name: _merged(spans, 0) for name, spans in found.items()}


def _stretches(
    changes: Sequence[tuple[int, str]],
    end_ns: int,
    calm: Iterable[str],
    trouble: Collection[str] = (),
) -> list[Stretch]:
    ends = [at_ns for at_ns, _ in changes[1:]] + [end_ns]
    resting = frozenset(calm)
    return [
        Stretch(at_ns, to_ns, text, text in resting, text in trouble)
        for (at_ns, text), to_ns in zip(changes, ends, strict=True)
        if to_ns > at_ns
    ]


UNIT_NS = 10_000
HEIGHT = 26
"""Height of a lane, in pixels."""
LIT, DARK = 5, 21
"""Where the line of a load runs, in pixels from the top, while it is on and while it is off."""
_LEAST = 30
"""Anything shorter is drawn at this length (0.3 ms), so that it can be seen."""

_SHORT_SHARE = 0.3
"""A fault that lasts for less than this share of the run has no room for its name."""


def picture(
    lanes: Iterable[Lane], end_ns: int, focus: tuple[int, int], flags: Iterable[Flag] = ()
) -> Picture:
    """Draw lanes. ``focus`` is the span to show first, in ns."""
    strips = tuple(_strip(lane, end_ns) for lane in lanes)
    inside = (max(0, focus[0]), min(end_ns, focus[1]))
    return Picture(end_ns, inside, strips, tuple(flags))


def _strip(lane: Lane, end_ns: int) -> Strip:
    labels = [
        _label(part, lane, end_ns)
        for part in lane.stretches
        if part.text and not (part.calm and lane.group == "nodes")
    ]
    return Strip(
        lane.group, lane.name, lane.mark, tuple(_paths(lane)), tuple(labels), _values(lane)
    )


def _label(part: Stretch, lane: Lane, end_ns: int) -> Label:
    """The name of a stretch. That of a short fault goes after its end."""
    if lane.group == "faults" and part.to_ns - part.from_ns < end_ns * _SHORT_SHARE:
        return Label(part.to_ns, end_ns, part.text, beside=True)
    return Label(part.from_ns, part.to_ns, part.text)


def _values(lane: Lane) -> tuple[tuple[int, str], ...]:
    return tuple((at_ns // UNIT_NS, text) for at_ns, text in lane.values)


def _paths(lane: Lane) -> Iterator[tuple[str, str]]:
    """Pairs of a style and path data, back to front."""
    for name, spans in band(lane.allowed).items():
        top = 2 if name == "lit" else HEIGHT // 2
        yield "may", boxes(spans, top, HEIGHT // 2 - 2)
    if lane.shares:
        yield "load", _area(lane.shares)
    if lane.stretches:
        calm = [(part.from_ns, part.to_ns) for part in lane.stretches if part.calm]
        busy = [(part.from_ns, part.to_ns) for part in lane.stretches if not part.calm]
        yield "calm", "".join(f"M{_x(a)} 13h{_x(b) - _x(a)}" for a, b in calm)
        yield _style(lane), boxes(busy, 4, HEIGHT - 8)
        trouble = [(part.from_ns, part.to_ns) for part in lane.stretches if part.trouble]
        yield "trouble", boxes(trouble, 2, HEIGHT - 4)
    if lane.wrong:
        yield "wrong", boxes(lane.wrong, 1, HEIGHT - 2)
        yield "wrongly", "".join(_hatch(from_ns, to_ns) for from_ns, to_ns in lane.wrong)
    if lane.levels:
        yield "level", _steps(lane.levels)


def _style(lane: Lane) -> str:
    if lane.group == "bus":
        return "failed"
    return "fault" if lane.group == "faults" else "set"


def _x(at_ns: int) -> int:
    return at_ns // UNIT_NS


def boxes(spans: Iterable[tuple[int, int]], top: int, height: int) -> str:
    """Path data of upright boxes."""
    return "".join(
        f"M{_x(a)} {top}h{wide}v{height}h-{wide}z"
        for a, b in spans
        for wide in (max(_LEAST, _x(b) - _x(a)),)
    )


def _hatch(from_ns: int, to_ns: int) -> str:
    """Hatching by horizontal lines, which stay horizontal at any zoom."""
    wide = max(_LEAST, _x(to_ns) - _x(from_ns))
    return "".join(f"M{_x(from_ns)} {y}h{wide}" for y in (7, 13, 19))


def _steps(levels: Iterable[tuple[int, int, float]]) -> str:
    """A stepped line: high while lit, low while dark."""
    parts: list[str] = []
    for from_ns, to_ns, level in levels:
        y = round(DARK - (DARK - LIT) * min(1.0, max(0.0, level)))
        parts.append(f"V{y}H{_x(to_ns)}" if parts else f"M{_x(from_ns)} {y}H{_x(to_ns)}")
    return "".join(parts)


def _area(shares: Iterable[tuple[int, int, float]]) -> str:
    """A stepped area above the lower edge of the lane; nothing where it would be flat."""
    parts: list[str] = []
    last_ns = 0
    for from_ns, to_ns, share in shares:
        y = round((HEIGHT - 2) - (HEIGHT - 4) * min(1.0, share), 1)
        parts.append(
            f"V{y:g}H{_x(to_ns)}" if parts else f"M{_x(from_ns)} {HEIGHT - 2}V{y:g}H{_x(to_ns)}"
        )
        last_ns = to_ns
    return "".join(parts) + f"V{HEIGHT - 2}z" if last_ns else ""
