"""A scenario as a file that a person can read and :func:`linkloss.scenario.load_scenario` reads
back to the same run.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from typing import Any

from linkloss.clocks import clocks_written, drifts_written
from linkloss.model.units import plain, write_duration
from linkloss.outside import Outside
from linkloss.scenario import Scenario, TimedAction, TimedFault

_BARE_KEY = re.compile("[A-Za-z0-9_-]+")


def scenario_toml(
    scenario: Scenario, *, vehicle: str, title: str, about: str = "", log: str = ""
) -> str:
    """A scenario without its expectations as TOML. ``vehicle`` is the vehicle's file as it is seen
    from the scenario's; a situation is written out as the inputs and actions it consists of.
    ``log``: the file with the frames that came from outside, if any did.
    """
    lines = [f"title = {_text(title)}"]
    if about:
        lines.append(f'about = """\n{_inside(about, lines=True)}\n"""')
    lines.append(f"vehicle = {_text(vehicle)}")
    if scenario.inputs:
        lines.append(f"inputs = {_table(scenario.inputs)}")
    lines.append(f"lasts = {_text(write_duration(scenario.lasts_ns))}")
    if scenario.seed:
        lines.append(f"seed = {scenario.seed}")
    if scenario.clocks:
        lines.append(f"clocks = {_table(clocks_written(scenario.clocks))}")
    if scenario.drifts:
        lines.append(f"drifts = {_table(drifts_written(scenario.drifts))}")
    for step in scenario.steps:
        lines += ["", "[[steps]]", *_step(step)]
    if scenario.outside is not None:
        lines += ["", *_outside(scenario.outside, log)]
    return "\n".join(lines) + "\n"


def _step(step: TimedAction | TimedFault) -> Iterator[str]:
    if isinstance(step, TimedAction):
        yield f"at = {_text(write_duration(step.at_ns))}"
        yield f"set = {_table(step.values)}"
        return
    told = step.fault.describe()
    yield f"at = {_text(write_duration(step.at_ns))}".ljust(23) + f" # {_one_line(told)}"
    yield f"fault = {_text(step.fault.kind)}"
    for name, value in step.fault.written().items():
        yield f"{_key(name)} = {_value(value)}"
    if step.fault.lasting and step.until_ns is not None:
        yield f"lasts = {_text(write_duration(step.until_ns - step.at_ns))}"


def _outside(outside: Outside, log: str) -> Iterator[str]:
    yield "[outside]"
    yield f"log = {_text(log)}"
    yield f"programs = {_value(outside.programs)}"
    yield f"nodes = {_value(outside.nodes)}"
    if outside.delay_ns:
        yield f"delay = {_text(write_duration(outside.delay_ns))}"
    if outside.doubt:
        yield f"doubt = {_text(outside.doubt)}"
    yield "presence = ["
    for event in outside.events:
        if event.frame is None:
            at = write_duration(event.at_ns)
            step = {"at": at, "name": event.name, "state": event.presence}
            if event.hands:
                step["hands"] = event.hands
            yield f"  {_table(step)},"
    yield "]"


def _table(values: Mapping[str, Any]) -> str:
    return f"{{ {', '.join(f'{_key(name)} = {_value(value)}' for name, value in values.items())} }}"


def _key(name: str) -> str:
    return name if _BARE_KEY.fullmatch(name) else _text(name)


def _value(value: Any) -> str:
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, tuple | list):
        return f"[{', '.join(map(_value, value))}]"
    return plain(value)


def _text(text: str) -> str:
    return f'"{_inside(text)}"'


def _inside(text: str, *, lines: bool = False) -> str:
    """What stands between the quotes of a basic string, which is escaped as in JSON, but for DEL
    (TOML 1.0.0, "String"); with ``lines`` line feeds stay.
    """
    parts = text.split("\n") if lines else [text]
    escaped = [json.dumps(part, ensure_ascii=False)[1:-1] for part in parts]
    return "\n".join(escaped).replace("\x7f", "\\u007F")


def _one_line(text: str) -> str:
    """Fit for a comment, which has no control characters."""
    return "".join(char if char.isprintable() else "?" for char in text)
