"""Lanes as SVG paths. Across, the unit is 10 us: the page zooms by moving the window of an inner
drawing that is stretched to its width, so that nothing has to be drawn again.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from linkloss.report.html.lanes import Lane, Stretch, band
from linkloss.report.html.sheet import Flag, Label, Picture, Strip

UNIT_NS = 10_000
HEIGHT = 26
"""Of a lane, in pixels."""
LIT, DARK = 5, 21
"""Where the line of a load runs while it is on, and while it is off."""
_LEAST = 30
"""Across, what is shorter is drawn as long as this (0.3 ms): else nobody would see it."""

_SHORT_SHARE = 0.3
"""A fault that lasts for less than this share of the run has no room for its name."""


def picture(
    lanes: Iterable[Lane], end_ns: int, focus: tuple[int, int], flags: Iterable[Flag] = ()
) -> Picture:
    """Draw lanes; ``focus`` is the span to look at first, in ns."""
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
    """What a stretch is called. A fault that is soon over is named behind its end."""
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
    """Level lines: they stay level however far one zooms in."""
    wide = max(_LEAST, _x(to_ns) - _x(from_ns))
    return "".join(f"M{_x(from_ns)} {y}h{wide}" for y in (7, 13, 19))


def _steps(levels: Iterable[tuple[int, int, float]]) -> str:
    """A line that jumps: high while lit, low while dark."""
    parts: list[str] = []
    for from_ns, to_ns, level in levels:
        y = round(DARK - (DARK - LIT) * min(1.0, max(0.0, level)))
        parts.append(f"V{y}H{_x(to_ns)}" if parts else f"M{_x(from_ns)} {y}H{_x(to_ns)}")
    return "".join(parts)


def _area(shares: Iterable[tuple[int, int, float]]) -> str:
    """A stepped area above the lower edge of the lane; none where it would be flat."""
    parts: list[str] = []
    last_ns = 0
    for from_ns, to_ns, share in shares:
        y = round((HEIGHT - 2) - (HEIGHT - 4) * min(1.0, share), 1)
        parts.append(
            f"V{y:g}H{_x(to_ns)}" if parts else f"M{_x(from_ns)} {HEIGHT - 2}V{y:g}H{_x(to_ns)}"
        )
        last_ns = to_ns
    return "".join(parts) + f"V{HEIGHT - 2}z" if last_ns else ""
