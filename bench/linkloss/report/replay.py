"""What a replay says of itself: what was played and what not, and how much later it came."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from rich.console import Console

from linkloss.campaign.result import RunResult
from linkloss.model.units import show_duration
from linkloss.replay.bare import BareReplay
from linkloss.replay.drive import Drive
from linkloss.report.screen import bullet, caution, heading, paragraph
from linkloss.report.timeline import instant, show_events, show_verdicts
from linkloss.report.words import count
from linkloss.traffic import REST, Shift

_LISTED = 8
"""So many identifiers are named."""


def show_replay(
    console: Console, drive: Drive, result: RunResult, *, quiet: bool, verbose: bool
) -> None:
    """Show a drive that was replayed on a vehicle. ``verbose`` adds the timeline; ``quiet`` leaves
    out all but what broke, what was lost, and the totals.
    """
    scenario = result.scenario
    paragraph(console, scenario.title, style="bold")
    paragraph(
        console,
        f"{scenario.vehicle.title} ({scenario.vehicle.path}), {show_duration(scenario.lasts_ns)}"
        f" of {show_duration(drive.contents.length_ns)}, seed {scenario.seed}",
    )
    if not quiet:
        for line in _contents(drive):
            bullet(console, line)
    if result.recording.shift is not None:
        for line in shift_lines(result.recording.shift):
            bullet(console, line)
    _notes(console, drive.contents.notes)
    if verbose:
        show_events(console, result)
    show_verdicts(console, result, quiet=quiet)
    caution(console)


def show_bare(console: Console, path: str, bit_rate: int, found: BareReplay) -> None:
    """Show a log that was replayed on bare buses."""
    paragraph(console, f"{path}, replayed on bare buses", style="bold")
    paragraph(console, f"{show_duration(found.lasted_ns)}, {bit_rate / 1000:g} kbit/s")
    for channel, counts in found.heard.items():
        name = f"channel {channel}" if channel else "the only channel"
        listed = " and ".join(f"{number:,}" for number in counts)
        bullet(console, f"{name}: its listeners received {listed} frames")
    for line in shift_lines(found.shift):
        bullet(console, line)
    _notes(console, found.notes)


def _contents(drive: Drive) -> Iterable[str]:
    found = drive.contents
    played = {name: number for name, number in found.played.items() if name != REST}
    silent = [name for name in drive.nodes if name not in played]
    if played:
        yield f"played from the log: {_counted(played)}"
    if silent:
        yield f"without a program and without a frame in the log: {', '.join(silent)}"
    if REST in found.played:
        unknown = sorted(found.unknown)
        listed = ", ".join(f"{key:08X}" if extended else f"{key:03X}"
                           for key, extended in unknown[:_LISTED])  # fmt: skip
        more = f" and {len(unknown) - _LISTED} more" if len(unknown) > _LISTED else ""
        where = f"; unknown to the DBC: {listed}{more}" if unknown else ""
        yield f"played for no node of the vehicle: {count(found.played[REST], 'frame')}{where}"
    if found.left_out:
        yield f"left out, because their senders are simulated: {_counted(found.left_out)}"
    shown = [name for name in drive.vehicle.inputs if name not in found.unseen]
    if shown:
        yield f"inputs taken from the log: {', '.join(shown)}"
    if found.unseen:
        yield f"inputs that the log does not show, at rest throughout: {', '.join(found.unseen)}"


def _counted(counts: Mapping[str, int]) -> str:
    return ", ".join(f"{name} {count(number, 'frame')}" for name, number in sorted(counts.items()))


def shift_lines(shift: Shift) -> list[str]:
    """How much later than in the log the frames came, and which were lost."""
    lines = [f"{count(shift.sent, 'frame')} of the log on the bus"]
    if shift.moved:
        share = 100 * shift.moved / shift.sent
        mean = show_duration(shift.sum_ns // shift.moved)
        lines[0] += (
            f"; arbitration made {shift.moved:,} of them later ({share:.3g} %), by {mean} on"
            f" average, {show_duration(_quantile(shift, 0.99))} or less for 99 % of these, at most"
            f" {show_duration(shift.most_ns)} ({shift.most_frame} at {instant(shift.most_at_ns)})"
        )
    elif shift.sent:
        lines[0] += ", none of them later than logged"
    if shift.silenced:
        lines.append(f"{count(shift.silenced, 'frame')} not sent: the node was reset or hung then")
    if shift.refused:
        text = "not sent: no free mailbox, or its controller was off the bus"
        lines.append(f"{count(shift.refused, 'frame')} {text}")
    rest = shift.lost - shift.silenced - shift.refused
    if rest > 0:
        lines.append(f"{count(rest, 'frame')} handed over, but changed or lost on the way")
    return lines


def _quantile(shift: Shift, share: float) -> int:
    """An upper bound of a quantile of the shifts, from their counts by powers of two; in ns."""
    wanted, seen = share * shift.moved, 0
    for power, number in enumerate(shift.bins):
        seen += number
        if seen >= wanted:
            return min(1 << power, shift.most_ns)
    return shift.most_ns


def _notes(console: Console, notes: list[str]) -> None:
    if notes:
        heading(console, "In the log")
        for note in notes:
            bullet(console, note, style="yellow")
