"""The catalogue of faults on the screen: what there is, and what each takes."""

from __future__ import annotations

import inspect
from collections.abc import Iterator
from typing import Any

from pydantic.fields import FieldInfo
from rich.console import Console

from linkloss.faults.base import Fault
from linkloss.faults.catalogue import catalogue
from linkloss.model.units import parse_duration, plain, write_duration
from linkloss.report.screen import bullet, heading, paragraph


def show_catalogue(console: Console) -> None:
    """All faults by group, each with one line on what it does and its parameters."""
    group = ""
    for kind, form in catalogue().items():
        if form.group != group:
            group = form.group
            heading(console, group)
        bullet(console, f"{kind}: {first_sentence(form)}")
        for line in parameter_lines(form):
            paragraph(console, line, indent=4)


def first_sentence(form: type[Fault]) -> str:
    """What a fault does, in the first sentence of its description."""
    text = " ".join((inspect.getdoc(form) or "").split("\n\n")[0].split())
    return text.partition(". ")[0].rstrip(".") + "."


def parameter_lines(form: type[Fault]) -> Iterator[str]:
    """``at (needed): the node that misses it``, one line for each parameter."""
    for name, field in form.model_fields.items():
        about = f": {field.description}" if field.description else ""
        yield f"{name} ({_need(field)}){about}"


def _need(field: FieldInfo) -> str:
    if field.is_required():
        return "needed"
    default: Any = field.default
    if default is None or "default" in (field.description or ""):
        return "optional"
    readers = [getattr(entry, "func", None) for entry in field.metadata]
    shown = write_duration(default) if parse_duration in readers else plain(default)
    return f"default {shown}"
