"""The page of a live session: a few files, made once, that need nothing from elsewhere.

It uses the style sheet of the reports (bench/linkloss/report/html/style.css) and their drawing of
the car (car.html beside it), and adds a style sheet of its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import groupby
from pathlib import Path

from linkloss.campaign.result import CAUTION
from linkloss.faults.base import Fault
from linkloss.faults.catalogue import catalogue
from linkloss.live.view import Offer
from linkloss.report.car_drawing import draw_car
from linkloss.report.html.render import environment, style
from linkloss.report.terminal import first_sentence
from linkloss.vehicle.loading import Vehicle

_FOLDER = Path(__file__).parent
File = tuple[str, str]
"""Media type and content."""


def files(vehicle: Vehicle, offers: tuple[Offer, ...]) -> Mapping[str, File]:
    """The files by name. The name of the page itself is empty."""
    template = environment(_FOLDER).get_template("live.html")
    page = template.render(
        vehicle=vehicle, drawing=draw_car(vehicle), palette=_palette(offers), caution=CAUTION
    )
    return {
        "": ("text/html", page),
        "base.css": ("text/css", style()),
        "live.css": ("text/css", (_FOLDER / "live.css").read_text(encoding="utf-8")),
        "live.js": ("text/javascript", (_FOLDER / "live.js").read_text(encoding="utf-8")),
        "bus.js": ("text/javascript", (_FOLDER / "bus.js").read_text(encoding="utf-8")),
    }


def _palette(offers: tuple[Offer, ...]) -> list[tuple[str, list[tuple[str, str]]]]:
    """The kinds of faults on offer, by group, each with a sentence on what it does."""
    kinds = {offer.fault.kind for offer in offers}
    forms: list[type[Fault]] = [form for kind, form in catalogue().items() if kind in kinds]
    return [
        (group, [(form.kind, first_sentence(form)) for form in members])
        for group, members in groupby(forms, key=lambda form: form.group)
    ]
