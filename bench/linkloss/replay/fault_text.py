"""A fault with its instant as one word, as it stands in the name of a case:
``cut(gauge,rear)@300s+2s``, ``reset(rear)@12.5s``, ``delay(LampRequest,by=80 ms)@3s+1s``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import suppress

from linkloss.faults.catalogue import FaultError, catalogue, make_fault
from linkloss.model.loading import Vehicle
from linkloss.model.problem import BadInput, unknown
from linkloss.model.units import parse_duration
from linkloss.scenario import TimedFault

_FORM = re.compile(r"\s*(?P<kind>\w+)\s*\((?P<what>.*)\)\s*@\s*(?P<at>[^+]+)(?:\+(?P<lasts>.+))?")
_EXPECTED = "expected 'KIND(PARAMETERS)@START+DURATION', such as 'cut(gauge,rear)@300s+2s'"


def timed_fault(text: str, vehicle: Vehicle) -> TimedFault:
    """The fault that a text names; without a duration it stays to the end. Raises BadInput."""
    found = _FORM.fullmatch(text)
    if found is None:
        raise _bad(text, _EXPECTED)
    kind = found["kind"]
    if kind not in catalogue():
        raise _bad(text, unknown("fault", kind, catalogue()))
    try:
        fault = make_fault(kind, dict(_parameters(kind, found["what"])), vehicle)
        at_ns = parse_duration(found["at"].strip())
        lasts_ns = None if found["lasts"] is None else parse_duration(found["lasts"].strip())
    except FaultError as error:
        where = f"{error.key}: " if error.key != "fault" else ""
        raise _bad(text, f"{where}{error}") from None
    except ValueError as error:
        raise _bad(text, str(error)) from None
    if lasts_ns == 0:
        raise _bad(text, "a fault lasts more than nothing")
    if lasts_ns is not None and not fault.lasting:
        raise _bad(text, f"'{kind}' is over at once; expected no duration")
    return TimedFault(fault, at_ns, None if lasts_ns is None else at_ns + lasts_ns)


def _bad(text: str, problem: str) -> BadInput:
    return BadInput.one("linkloss", f"--fault '{text}'", problem)


def _parameters(kind: str, text: str) -> Iterator[tuple[str, object]]:
    """The parameters by name; those that are needed may stand without one, in their order."""
    parts = [part.strip() for part in text.split(",") if part.strip()]
    bare = [part for part in parts if "=" not in part]
    fields = catalogue()[kind].model_fields
    needed = [name for name, field in fields.items() if field.is_required()]
    if len(needed) == 1 and len(bare) > 1:  # two neighbours are one parameter
        yield needed[0], bare
    elif len(bare) > len(needed):
        listed = ", ".join(needed) or "none"
        raise ValueError(f"too many parameters without a name; '{kind}' needs: {listed}")
    else:
        yield from zip(needed, map(_value, bare), strict=False)
    for part in parts:
        name, sign, value = part.partition("=")
        if sign:
            yield name.strip(), _value(value.strip())


def _value(text: str) -> object:
    """A number where it is one; everything else as it stands."""
    for kind in (int, float):
        with suppress(ValueError):
            return kind(text)
    with suppress(ValueError):
        return int(text, 16) if text.lower().startswith("0x") else text
    return text
