"""A page for a result that has neither cases nor loads: a verdict, what it rests on, and parts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from linkloss.campaign.result import CAUTION
from linkloss.model.loading import Vehicle
from linkloss.report.files import write_whole
from linkloss.report.html.facts import digests, version_facts
from linkloss.report.html.render import render
from linkloss.report.html.sheet import Fact, Page, Part


def plain_page(
    title: str,
    verdict: str,
    *,
    state: str,
    parts: Sequence[Part],
    subtitle: str = "",
    facts: Mapping[str, str] | None = None,
    vehicle: Vehicle | None = None,
    warnings: Iterable[str] = (),
) -> Page:
    """A page out of parts. ``state`` is ``kept``, ``broken`` or ``untested``; ``facts`` are shown
    under the verdict, with the versions; of ``vehicle`` the files are named with their digests.
    """
    told = [Fact(label, text) for label, text in (facts or {}).items()]
    return Page(
        title=title,
        subtitle=subtitle,
        state=state,
        verdict=verdict,
        facts=(*told, *version_facts()),
        inputs=() if vehicle is None else digests(vehicle),
        caution=CAUTION,
        vehicle="" if vehicle is None else str(vehicle.path),
        judged=False,
        warnings=tuple(warnings),
        parts=tuple(parts),
    )


def write_page(page: Page, path: Path) -> None:
    """Write a page whole. Raises BadInput when the place cannot be written to."""
    write_whole(path, render(page))
