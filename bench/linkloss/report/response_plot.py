"""Response times seen in runs, drawn beside their bounds: one SVG file that needs nothing else.

One lane for each message, highest priority on top. Time runs to the right on a logarithmic scale,
because a bound and a deadline may lie decades apart. The picture is the same every time.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from html import escape

from linkloss.campaign.timing import TimingReport
from linkloss.model.units import show_duration
from linkloss.timing.analysis import Bound
from linkloss.timing.observed import Observed

WIDTH, LEFT, RIGHT, TOP, LANE, BOTTOM = 960, 170, 190, 74, 36, 64
BINS_PER_DECADE = 32
_BAR = 26
_STYLE = """
svg { background: #ffffff; font: 13px system-ui, sans-serif; }
text { fill: #1d2733; } .small { font-size: 11px; fill: #5b6775; } .title { font-size: 17px; }
.grid { stroke: #e3e7ec; } .base { stroke: #b9c2cc; }
.seen { fill: #2f7fb5; } .off { fill: none; stroke: #a06a00; }
.bound { stroke: #c0392b; stroke-width: 3; } .deadline { stroke: #5b6775; stroke-dasharray: 3 3; }
.none { fill: #a06a00; }
@media (prefers-color-scheme: dark) {
  svg { background: #14181d; } text { fill: #e6ebf0; } .small { fill: #9aa6b2; }
  .grid { stroke: #262d35; } .base { stroke: #46515c; } .seen { fill: #5fb0e5; }
  .off { stroke: #e0ac4a; } .bound { stroke: #ff7b6b; } .deadline { stroke: #9aa6b2; }
  .none { fill: #e0ac4a; }
}
"""


class _Scale:
    """Nanoseconds to pixels, over whole decades cut to what is drawn."""

    def __init__(self, values_ns: Sequence[int]) -> None:
        self.low = math.log10(min(values_ns) / 1.25)
        self.high = math.log10(max(values_ns) * 1.25)

    def x(self, ns: float) -> float:
        share = (math.log10(ns) - self.low) / (self.high - self.low)
        return LEFT + share * (WIDTH - LEFT - RIGHT)

    def ticks(self) -> list[int]:
        """1, 2 and 5 of every decade, or 1 alone where that would be too many."""
        steps = (1, 2, 5) if self.high - self.low < 3 else (1,)
        decades = range(math.floor(self.low), math.ceil(self.high) + 1)
        found = [step * 10**decade for decade in decades if decade >= 0 for step in steps]
        return [ns for ns in found if self.low <= math.log10(ns) <= self.high]


def response_plot(report: TimingReport) -> str:
    """The picture as SVG text: lanes of bars, a line for each bound, a dashed one for a deadline.

    A report without a run gives lanes with bounds alone.
    """
    bounds = report.analysis.bounds
    values = [ns for bound in bounds for ns in _values(bound, report.observed.get(_name(bound)))]
    scale = _Scale(values or [1_000_000])
    height = TOP + LANE * len(bounds) + BOTTOM
    size = f'viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}"'
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img">',
        f"<style>{_STYLE}</style>",
        *_head(report),
        *_axis(scale, TOP, height - BOTTOM),
    ]
    for place, bound in enumerate(bounds):
        floor = TOP + LANE * (place + 1)
        parts += _lane(scale, bound, report.observed.get(_name(bound)), floor)
    parts += [*_legend(height - 14), "</svg>\n"]
    return "\n".join(parts)


def _name(bound: Bound) -> str:
    return bound.message.name


def _values(bound: Bound, seen: Observed | None) -> Iterator[int]:
    found = [bound.worst_ns, bound.message.deadline_ns]
    if seen is not None:
        found += [*seen.kept_ns, *seen.other_ns]
    yield from (ns for ns in found if ns)


def _head(report: TimingReport) -> Iterator[str]:
    title = f"{report.vehicle.title}: response times at {report.plan.bit_rate / 1000:g} kbit/s"
    yield f'<text class="title" x="16" y="28">{escape(title)}</text>'
    frames = sum(len(seen.kept_ns) + len(seen.other_ns) for seen in report.observed.values())
    runs = f"{frames} frames in {len(report.runs)} simulated runs"
    yield f'<text class="small" x="16" y="48">{runs}; highest priority on top</text>'
    for x, text in ((WIDTH - RIGHT + 14, "longest seen"), (WIDTH - 84, "bound")):
        yield f'<text class="small" x="{x}" y="{TOP - 8}">{text}</text>'


def _axis(scale: _Scale, top: int, bottom: int) -> Iterator[str]:
    for ns in scale.ticks():
        x = scale.x(ns)
        yield f'<line class="grid" x1="{x:.1f}" x2="{x:.1f}" y1="{top}" y2="{bottom}"/>'
        yield (
            f'<text class="small" x="{x:.1f}" y="{bottom + 16}" text-anchor="middle">'
            f"{show_duration(ns)}</text>"
        )


def _lane(scale: _Scale, bound: Bound, seen: Observed | None, floor: int) -> Iterator[str]:
    name = escape(_name(bound))
    yield f'<text x="{LEFT - 12}" y="{floor - 9}" text-anchor="end">{name}</text>'
    yield f'<line class="base" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{floor}" y2="{floor}"/>'
    if seen is not None:
        yield from _bars(scale, seen.kept_ns, floor, "seen")
        yield from _bars(scale, seen.other_ns, floor, "off")
    for ns, kind, title in (
        (bound.message.deadline_ns, "deadline", "deadline"),
        (bound.worst_ns, "bound", "worst case"),
    ):
        if ns is not None:
            x = scale.x(ns)
            yield (
                f'<line class="{kind}" x1="{x:.1f}" x2="{x:.1f}" y1="{floor - _BAR - 3}"'
                f' y2="{floor}"><title>{name}: {title} {show_duration(ns)}</title></line>'
            )
    yield from _figures(bound, seen, floor)


def _figures(bound: Bound, seen: Observed | None, floor: int) -> Iterator[str]:
    longest_ns = None if seen is None else seen.longest_ns
    text = "-" if longest_ns is None else show_duration(longest_ns)
    yield f'<text x="{WIDTH - RIGHT + 14}" y="{floor - 9}">{text}</text>'
    if bound.worst_ns is None:
        why = escape(bound.why)
        yield (
            f'<text class="none" x="{WIDTH - 84}" y="{floor - 9}">no bound'
            f"<title>{why}</title></text>"
        )
    else:
        yield f'<text x="{WIDTH - 84}" y="{floor - 9}">{show_duration(bound.worst_ns)}</text>'


def _bars(scale: _Scale, times_ns: Sequence[int], floor: int, kind: str) -> Iterator[str]:
    """A histogram with bins of equal width on the scale; the fullest bin of a lane is highest."""
    bins = Counter(math.floor(math.log10(ns) * BINS_PER_DECADE) for ns in times_ns)
    most = max(bins.values(), default=1)
    for place in sorted(bins):
        from_ns, to_ns = (10 ** (edge / BINS_PER_DECADE) for edge in (place, place + 1))
        left = max(scale.x(from_ns), LEFT)
        width = max(1.0, min(scale.x(to_ns), WIDTH - RIGHT) - left - 1)
        height = max(2.0, _BAR * bins[place] / most)
        title = f"{bins[place]} frames, {show_duration(round(from_ns))} to"
        yield (
            f'<rect class="{kind}" x="{left:.1f}" y="{floor - height:.1f}" width="{width:.1f}"'
            f' height="{height:.1f}"><title>{title} {show_duration(round(to_ns))}</title></rect>'
        )


def _legend(y: int) -> Iterator[str]:
    x = LEFT
    for mark, text, step in (
        (f'<rect class="seen" x="{x}" y="{y - 10}" width="12" height="10"/>', "seen", 70),
        (
            f'<rect class="off" x="{x + 70}" y="{y - 10}" width="12" height="10"/>',
            "seen where a run left the plan",
            230,
        ),
        (
            f'<line class="bound" x1="{x + 306}" x2="{x + 306}" y1="{y - 11}" y2="{y + 1}"/>',
            "worst case",
            100,
        ),
        (
            f'<line class="deadline" x1="{x + 406}" x2="{x + 406}" y1="{y - 11}" y2="{y + 1}"/>',
            "deadline",
            0,
        ),
    ):
        yield mark
        yield f'<text class="small" x="{x + 18}" y="{y}">{text}</text>'
        x += step
