"""The rules of a load as formulas of signal temporal logic, evaluated in dense time by rtamt.

rtamt knows piecewise constant signals and closed intervals; its unit here is a nanosecond. A
formula is evaluated at every instant of the run (there is no outer *always*), and the first instant
at which it is false is when the rule is first broken.

    must     what has been asked for as long as its time to follow is shown
    paid     a change goes where something calls for it: no pulse, no change too soon
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import cache
from typing import Any

from stl_signals import Numbers, Signals

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # its parser's run time imports from typing.io
    import rtamt

MUST = {
    "fresh on": "fresh",
    "fresh off": "fresh",
    "local on": "local",
    "local off": "local",
    "stale": "stale",
    "then": "then",
    "reset": "reset",
    "reset set": "reset",
    "longest_on": "longest_on",
}
"""The formulas that say what must be shown, and the rule that each stands for."""
PAID = ("paid on", "paid off", "paid dim")
"""The formulas that say which changes are right; to a level between on and off none is."""
NEVER = ("never leave", "never enter")


def _any(*parts: str) -> str:
    """Any of these; the empty ones do not count."""
    found = [part for part in parts if part]
    return "(" + " or ".join(found) + ")" if found else ""


def _all(*parts: str) -> str:
    return "(" + " and ".join(part for part in parts if part) + ")"


def _no(part: str) -> str:
    return f"(not {part})" if part else ""


def _for(length: int, part: str) -> str:
    """It has been so for a time, or since the begin of the run."""
    return f"(historically[0,{length}] {part})"


def _within_the_run_for(length: int, part: str) -> str:
    """It has been so for a time of this run."""
    return f"({_for(length, part)} and (once[{length},{length}] {part}))"


class _Writer:
    """Writes the formulas of one load's table."""

    def __init__(self, vehicle: Any, name: str) -> None:
        self.load = vehicle.loads[name]
        self.numbers = Numbers.of(vehicle, name)

    @property
    def _fresh(self) -> str:
        """The last good message is so young that its receiver may not call the link lost."""
        return f"(once[0,{self.numbers.may_stale - 1}] good)"

    def _silent(self, since: int) -> str:
        """There was a good message in this life, and none for so long."""
        return f"(heard and not (once[0,{since - 1}] good))"

    def _lost(self, state: str) -> str:
        """A lost link may call for a state."""
        load, numbers = self.load, self.numbers
        parts = []
        if load.on_stale == state:
            until = ""
            if load.then is not None:
                until = f"once[0,{numbers.must_then}] good"
            parts.append(_all(self._silent(numbers.may_stale), until))
            if load.on_reset != state:
                parts.append("unheard_stale")
        if load.then == state:
            parts.append(self._silent(numbers.may_then))
        return _any(*parts)

    def formulas(self) -> dict[str, str]:
        found = dict(self._states())
        found |= self._changes()
        if self.load.never:
            [rule] = self.load.never
            assert rule.state == "on"
            found["never leave"] = (
                f"({_within_the_run_for(rule.within, 'barred')} implies (not got))"
            )
            may_enter = self.numbers.latency + self.load.switching_ns
            barred = _within_the_run_for(may_enter + 1, "barred")
            found["never enter"] = f"((got_rose and {barred}) implies (not got))"
        if self.load.longest_on is not None:
            found["longest_on"] = f"(not {_for(self.load.longest_on, 'on')})"
        return found

    def _states(self) -> Any:
        load, numbers = self.load, self.numbers
        latency, due = numbers.latency, numbers.latency + numbers.debounce
        asked, refused, local, quiet = "", "", "", ""
        if load.local is not None:
            local = _for(due, "(local and not boot)")
            quiet = _for(due, "((not local) and not boot)")
        barred = "(not barred)" if load.never else ""
        if load.request is not None:
            asked = _for(latency, _all("firm", self._fresh, "asks", barred))
            refused = _for(latency, _all("firm", self._fresh, "(not asks)"))
            shown = _any("on", self._cut)
            yield "fresh on", f"({asked} implies {shown})"
            yield "fresh off", f"({_all(refused, quiet)} implies (not on))"
            if load.on_stale in ("on", "off"):
                silent = _all(
                    self._silent(numbers.must_stale), quiet if load.on_stale == "off" else ""
                )
                if load.then is not None:
                    silent = _all(silent, f"(once[0,{numbers.may_then - 1}] good)")
                yield "stale", f"({silent} implies {self._is(load.on_stale)})"
            if load.then is not None:
                silent = self._silent(numbers.must_then)
                yield "then", f"({silent} implies {self._is(load.then)})"
            if load.hardware_default != load.on_reset and load.hardware_default != "local":
                up = f"(not (once[0,{latency}] boot))"
                asks = "asks" if load.on_reset == "on" else "(not asks)"
                same = f"({asks} since born)"  # before it was heard it asks for nothing else
                set_by = _all(up, "(not unheard_stale)", _any("(not heard)", self._fresh), same)
                yield "reset set", f"({set_by} implies {self._is(load.on_reset)})"
        if local:
            given = _for(due, "(not barred)") if load.never else ""
            yield "local on", f"({_all(local, given)} implies on)"
            if load.request is None:
                yield "local off", f"({quiet} implies (not on))"
        if load.hardware_default == "local":
            yield "reset", "(born implies ((on and local) or ((not on) and not local)))"
        else:
            yield "reset", f"(born implies {self._is(load.hardware_default)})"

    def _is(self, state: str) -> str:
        return "on" if state == "on" else "(not on)"

    @property
    def _cut(self) -> str:
        """It went off though it was asked for, since it was asked for: a limit of time."""
        if self.load.longest_on is None:
            return ""
        asked = _all(self._fresh, "asks")
        return f"({asked} since {_all('fell', asked)})"

    def _changes(self) -> dict[str, str]:
        load, numbers = self.load, self.numbers
        on: list[str] = []
        off: list[str] = []
        if load.request is not None:
            on.append(_all("heard", self._fresh, "asks"))
            off.append(_all("heard", self._fresh, "(not asks)"))
            on.append(self._lost("on"))
            off.append(self._lost("off"))
            if load.hardware_default not in (load.on_reset, "local"):
                # The program sets its pins, once.
                set_by = f"(once[0,{numbers.latency + 1}] boot)"
                so_far = self._is(load.hardware_default)
                found = _all(set_by, f"(once[1,1] ({so_far} since born))")
                (on if load.on_reset == "on" else off).append(found)
        if load.local is not None and load.local_use == "or":
            # While messages are not confirmed the request may still stand where a lost link, or the
            # reset, put it; the input hides that, unless it was away while the load was on.
            assert load.request is None or load.on_stale == load.on_reset == "off"
            due = numbers.latency + numbers.debounce
            shown = _all("on", _for(due, "(not local)"), "(not firm)")
            followed = f"(once[1,1] ((not firm) since {shown}))"
            off = [_all("(not local)", _any(*off, _all("(not firm)", _no(followed))))]
            on.append("local")
        elif load.local is not None:
            on, off = ["local"], ["(not local)"]
        if load.hardware_default == "local" and load.on_reset != "on":
            # The program sets its pins, once, before it has looked at its input.
            as_wired = "((on and local) or ((not on) and not local))"
            set_by = f"(once[0,{numbers.latency + 1}] boot)"
            off.append(_all(set_by, f"(once[1,1] ({as_wired} since born))"))
        if load.never:
            off.append(f"(once[0,{numbers.latency}] barred)")
        if load.longest_on is not None:
            early = max(2_000_000, load.longest_on // 50)
            off.append(f"(historically[1,{load.longest_on - early}] on)")
        again = []
        if load.never:
            asked = "local" if load.request is None else _all(self._fresh, "asks")
            again.append(_no(f"({_all(asked, 'barred')} since {_all('fell', asked, 'barred')})"))
        if self._cut:
            again.append(_no(self._cut))
        return {
            "paid on": f"((rose and not born) implies {_all(_any(*on), *again)})",
            "paid off": f"((fell and not born) implies {_any(*off)})",
            "paid dim": "(not dim)",
        }


@dataclass
class Formula:
    """One formula, parsed."""

    name: str
    text: str
    names: tuple[str, ...]
    spec: Any

    def false_at(self, signals: Signals) -> int | None:
        """The first instant in the run, and in no mask, at which it does not hold."""
        data = [[name, signals.of[name]] for name in self.names]
        found = self.spec.evaluate(*data)
        for place, (at, value) in enumerate(found):
            if value < 0:
                until = found[place + 1][0] if place + 1 < len(found) else signals.end
                first = signals.first_open(int(at), int(min(until, signals.end)))
                if first is not None:
                    return first
        return None


SIGNALS = (
    "on", "dim", "rose", "fell", "born", "boot", "good", "asks", "heard", "firm", "unheard_stale",
    "local", "barred", "got", "got_rose", "tried", "took", "first", "news", "wrong", "duty",
)  # fmt: skip


@cache
def parsed(name: str, text: str) -> Formula:
    """A formula ready to be evaluated; parsing takes longer than evaluating."""
    words = set(text.replace("(", " ").replace(")", " ").split())
    names = tuple(signal for signal in SIGNALS if signal in words)
    spec = rtamt.StlDenseTimeOfflineSpecification()
    for signal in names:
        spec.declare_var(signal, "float")
    spec.spec = text
    spec.parse()
    return Formula(name, text, names, spec)


def formulas_of(vehicle: Any, name: str) -> list[Formula]:
    """All formulas of a load."""
    return [parsed(rule, text) for rule, text in _Writer(vehicle, name).formulas().items()]


def expressible(vehicle: Any, name: str) -> bool:
    """Whether the formulas have words for all that a load's table says."""
    load = vehicle.loads[name]
    plain = load.flash is None and load.level is None and load.pwm is None and load.trip is None
    plain = plain and load.tries is None and load.shortest_off is None and load.link is None
    plain = plain and load.bus_off == "ignore" and load.after_jump == "accept"
    plain = plain and load.confirm is None and load.follow_again is None and not load.survives_reset
    plain = plain and load.latency_off is None and len(load.never) <= 1
    plain = plain and load.ramp_up is None and load.ramp_down is None
    plain = plain and all(name in vehicle.inputs for n in load.never for name in n.when.names)
    plain = plain and not any(n.when.loads for n in load.never)
    if load.request is not None:
        plain = plain and len(load.request.names) == 1 and load.on_stale in ("on", "off", "hold")
    return plain
