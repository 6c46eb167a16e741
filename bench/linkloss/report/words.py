"""Verdicts as plain sentences, for the builder of the car.

For example:

tail_left went dark 312 ms after dash was reset; rule: stale (hold); wrong for 4.7 s
'-------' '-------' '--------------------------' '----------------'  '-------------'
subject   what it   time since the fault, and    the rule, and what  for how long
          did       the fault                    is declared for it
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Callable, Iterable

from linkloss.campaign.result import CaseResult, CheckReport, RunResult
from linkloss.campaign.untested import reasons
from linkloss.judge import Verdict
from linkloss.judge.sensor_rules import shown_signals
from linkloss.judge.verdict import Cause
from linkloss.problem import BadInput
from linkloss.shipped import demo_vehicle
from linkloss.units import show_duration, shown_unit
from linkloss.vehicle.load import LoadTable, state_text
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.routes import RouteTable
from linkloss.vehicle.tables import NodeTable

_LAMP = re.compile(r"lamp|light|beam|indicator|tell-?tale", re.IGNORECASE)


def finding_sentence(vehicle: Vehicle, verdict: Verdict, case: CaseResult) -> str:
    """A broken verdict of a case of a check as one sentence."""
    return _sentence(vehicle, verdict, None, case.fault_ns, case.text)


def run_sentence(result: RunResult, verdict: Verdict, from_ns: int = 0) -> str:
    """A broken verdict of a run as one sentence. The recording shows whether a load changed its
    state or failed to. ``from_ns`` is what the clock shows when the run begins.
    """
    vehicle = result.scenario.vehicle
    faults = [
        fault for fault in result.recording.faults if fault.applied_ns <= (verdict.at_ns or 0)
    ]
    last = max(faults, key=lambda fault: fault.applied_ns, default=None)
    output = result.recording.outputs.get(verdict.subject)
    changed = None if output is None else verdict.at_ns in output.times
    return _sentence(
        vehicle,
        verdict,
        changed,
        None if last is None else last.applied_ns,
        "" if last is None else last.text,
        from_ns,
    )


def _sentence(
    vehicle: Vehicle,
    verdict: Verdict,
    changed: bool | None,
    fault_ns: int | None,
    text: str,
    from_ns: int = 0,
) -> str:
    """``changed``: whether the load changed its state when it became wrong, if that is known."""
    did = deed(vehicle, verdict, changed=changed)
    moved = _changed(vehicle, verdict, changed) is not None
    parts = [f"{did}{' ' if moved else ', '}{_since(verdict.at_ns, fault_ns, text, from_ns)}"]
    parts.append(f"rule: {rule_words(vehicle, verdict.subject, verdict.rule)}")
    if verdict.wrong_for_ns:
        parts.append(f"wrong for {show_duration(verdict.wrong_for_ns)}")
    if verdict.culprit and not _names(did, vehicle, verdict):
        parts.append(f"look at node {verdict.culprit}")
    return "; ".join(parts)


def _names(deed: str, vehicle: Vehicle, verdict: Verdict) -> bool:
    """Whether the culprit need not be named: the sentence names it, or it is the load's own
    node.
    """
    load = vehicle.loads.get(verdict.subject)
    own = verdict.subject if load is None else load.node
    return f"node {verdict.culprit}" in deed or own == verdict.culprit


def _since(at_ns: int | None, fault_ns: int | None, text: str, from_ns: int) -> str:
    if at_ns is None:
        return f"with this fault: {text}" if text else "without any fault"
    if fault_ns is None:
        return f"at {show_duration(at_ns + from_ns)}, without any fault"
    if at_ns < fault_ns:
        return f"{show_duration(fault_ns - at_ns)} before {text}"
    return f"{show_duration(at_ns - fault_ns)} after {text}"


# ---- what the subject did ----


def deed(vehicle: Vehicle, verdict: Verdict, *, changed: bool | None = None) -> str:
    """Subject and verb: ``tail_left went dark``, ``node rear sent no RearStatus ...``."""
    load = vehicle.loads.get(verdict.subject)
    if load is None and verdict.rule == "notice":
        return f"notice {verdict.subject}{verdict.deed.removeprefix('the notice')}"
    if load is not None and verdict.cause is Cause.OTHER_STATE:
        changed = _changed(vehicle, verdict, changed)
        return f"{verdict.subject} {_movement(verdict, load, changed)}"
    kinds = (("node", vehicle.nodes), ("route", vehicle.routes))
    kind = next((f"{kind} " for kind, names in kinds if verdict.subject in names), "")
    return _joined(f"{kind if load is None else ''}{verdict.subject}", verdict)


def _joined(subject: str, verdict: Verdict) -> str:
    text = verdict.deed
    if not text:
        return f"{subject} was wrong"
    if text.startswith((f"{subject} ", f"{subject}.")):
        return text
    return f"{subject} {text}" if verdict.continues_its_subject else f"{subject}: {text}"


def _changed(vehicle: Vehicle, verdict: Verdict, changed: bool | None) -> bool | None:
    """Whether a load changed its state when it became wrong; None if that is not known or has no
    words. Without a recording, only a load that had to hold its state is known to have changed.
    """
    load = vehicle.loads.get(verdict.subject)
    plain = verdict.cause is Cause.OTHER_STATE and verdict.observed in ("on", "off")
    if load is None or not plain:
        return None
    held = verdict.rule == "stale" and load.on_stale == "hold"
    return True if changed is None and held else changed


def _movement(verdict: Verdict, load: LoadTable, changed: bool | None) -> str:
    """Whether a load *went* or *stayed* wrong; if that is not known, it *was* wrong."""
    lamp = bool(_LAMP.search(f"{verdict.subject} {load.about}"))
    state = "dark" if verdict.observed == "off" and lamp else verdict.observed
    if changed is None:
        return f"was {state} instead of {verdict.allowed}"
    if not changed:
        return f"stayed {state}"
    return "came on" if state == "on" else f"went {state}"


# ---- rules ----


def rule_words(vehicle: Vehicle, subject: str, rule: str) -> str:
    """A rule with what the vehicle declares for it: ``stale (hold)``, ``rejoin (1 s)``."""
    declared = _declared(vehicle, subject, rule)
    return f"{rule} ({declared})" if declared else rule


def _declared(vehicle: Vehicle, subject: str, rule: str) -> str:
    if subject in vehicle.loads:
        kind = rule.split(" ", maxsplit=1)[0] if rule.startswith(("never", "notice")) else rule
        words = _LOAD_RULES.get(kind)
        return "" if words is None else words(vehicle, vehicle.loads[subject], rule)
    if subject in vehicle.requests and rule == "control":
        return f"follows {vehicle.requests[subject].follows.text}"
    if subject in vehicle.notices and rule == "notice":
        return f"within {show_duration(vehicle.notices[subject].within)}"
    if subject in vehicle.routes:
        return _route(vehicle.routes[subject], rule)
    if rule == "cycle" and subject in vehicle.messages:
        return f"every {show_duration(vehicle.messages[subject].period_ns or 0)}"
    if rule == "sensor":
        return _sensor(vehicle, subject)
    return _of_node(vehicle.nodes[subject], rule) if subject in vehicle.nodes else ""


def _route(route: RouteTable, rule: str) -> str:
    if rule == "gateway":
        return f"{route.source} to {route.target} within {show_duration(route.latency)}"
    return f"{route.on_stale} after {show_duration(route.stale_after)}"


def _of_node(node: NodeTable, rule: str) -> str:
    if rule == "foreign":
        return ", ".join(["its own identifiers", *node.also_sends])
    if rule == "quiet recovery":
        return f"{node.returns} returns and {node.failed_share:.0%} of the bus in a second"
    if rule == "rejoin":
        return show_duration(node.rejoin)
    if rule == "asleep" and node.sleeps_when is not None:
        return f"within {show_duration(node.asleep_within or 0)} of {node.sleeps_when.text}"
    if rule == "stopped":
        return _watchdog(node.watchdog)
    if rule == "neighbours" and node.supply is not None:
        return f"a short takes their current for {show_duration(node.supply.dip_limit)}"
    return ""


def _sensor(vehicle: Vehicle, signal: str) -> str:
    """What a signal measures."""
    for shown in shown_signals(vehicle):
        if shown.reference == signal:
            what = shown.input or f"the supply of {shown.node}"
            return f"{what} within {shown.tolerance:.3g} {shown_unit(shown.unit)}".rstrip()
    return ""


def _watchdog(watchdog_ns: int | None) -> str:
    return "no watchdog" if watchdog_ns is None else f"watchdog {show_duration(watchdog_ns)}"


def _local(load: LoadTable) -> str:
    if load.local is None:
        return ""
    return f"follows {load.local.text}" if load.local_use == "follows" else f"or {load.local.text}"


def _then(load: LoadTable) -> str:
    return (
        ""
        if load.hold_for is None
        else f"{state_text(load.then or '')} after {show_duration(load.hold_for)}"
    )


def _flash(load: LoadTable) -> str:
    if load.flash is None:
        return ""
    return f"{load.flash.per_minute[0]:g} to {load.flash.per_minute[1]:g} per minute"


def _partner(load: LoadTable) -> str:
    partner = None if load.flash is None else load.flash.in_step_with
    return f"with {partner}" if partner else ""


def _never(load: LoadTable, rule: str) -> str:
    number = int(rule.partition(" ")[2] or 1)
    if number > len(load.never):
        return ""
    entry = load.never[number - 1]
    return f"{entry.state} while {entry.when.text}"


def _trip(load: LoadTable) -> str:
    return f"off from {load.trip.when.text} until {load.trip.off_until.text}" if load.trip else ""


def _tries(load: LoadTable) -> str:
    if load.tries is None:
        return ""
    return f"{load.tries.most}, {show_duration(load.tries.pause)} apart, then {load.tries.then}"


def _told(vehicle: Vehicle, load: LoadTable, rule: str) -> str:
    """Which notices must report a failed load, and how soon."""
    name = next(name for name, table in vehicle.loads.items() if table is load)
    notices = {k: notice for k, notice in vehicle.notices.items() if name in notice.failed}
    named = rule.partition(" ")[2]
    return ", ".join(
        f"{key} within {show_duration(notice.within)}"
        for key, notice in notices.items()
        if named in ("", key)
    )


_LOAD_RULES: dict[str, Callable[[Vehicle, LoadTable, str], str]] = {
    "fresh": lambda _, load, __: f"follows {load.request.text}" if load.request else "",
    "local": lambda _, load, __: _local(load),
    "stale": lambda _, load, __: state_text(load.on_stale or ""),
    "then": lambda _, load, __: _then(load),
    "reset": lambda _, load, __: state_text(load.on_reset or ""),
    "rejoin": lambda _, load, __: show_duration(load.rejoin),
    "flash": lambda _, load, __: _flash(load),
    "in step": lambda _, load, __: _partner(load),
    "dark": lambda _, load, __: show_duration(load.dark_limit) if load.dark_limit else "",
    "back": lambda _, load, __: show_duration(load.back_within) if load.back_within else "",
    "never": lambda _, load, rule: _never(load, rule),
    "longest_on": lambda _, load, __: show_duration(load.longest_on or 0),
    "shortest_off": lambda _, load, __: show_duration(load.shortest_off or 0),
    "trip": lambda _, load, __: _trip(load),
    "tries": lambda _, load, __: _tries(load),
    "notice": _told,
    "stopped": lambda vehicle, load, _: _watchdog(vehicle.nodes[load.node].watchdog),
}


# ---- figures and commands ----


def desk_sentences(report: CheckReport) -> tuple[str, ...]:
    """How a check of a real node went; none where all nodes were simulated."""
    return () if report.desk is None else report.desk.sentences


def command(report: CheckReport, case: CaseResult) -> str:
    """The command that reruns just one case: ``linkloss check VEHICLE --case 'NAME'``."""
    return " ".join(command_parts(report, case))


def command_parts(report: CheckReport, case: CaseResult) -> tuple[str, ...]:
    """The same in pieces, between which a long command may be broken into lines."""
    path = report.vehicle.path
    start = "linkloss check" if _is_demo(report) else f"linkloss check {shlex.quote(str(path))}"
    parts = [start, f"--case {_quoted(case.name)}"]
    if report.drive is not None:
        parts.insert(1, f"--drive {shlex.quote(str(report.drive))}")
    if report.logged:
        parts.insert(2, f"--logged {' '.join(report.logged)}")
    if report.desk is not None:
        parts.insert(1, report.desk.options)
    if report.seed:
        parts.append(f"--seed {report.seed}")
    return tuple(parts)


def _quoted(name: str) -> str:
    quoted = shlex.quote(name)
    return quoted if quoted.startswith("'") else f"'{quoted}'"


def _is_demo(report: CheckReport) -> bool:
    try:
        return report.vehicle.path == demo_vehicle()
    except BadInput:
        return False


def short_margin(ns: int) -> str:
    """A margin in three digits, rounded down: ``312ms``, ``4.71s``, ``-40us``."""
    for unit, size in (("s", 1_000_000_000), ("ms", 1_000_000), ("us", 1_000)):
        if abs(ns) >= size:
            return f"{_floor(ns, size)}{unit}"
    return f"{ns}ns"


def _floor(ns: int, size: int) -> str:
    """Three digits, rounded down."""
    whole = abs(ns) // size
    if whole >= 100:
        return str(ns // size)
    scale = 10 if whole >= 10 else 100
    value = ns * scale // size
    text = f"{abs(value) // scale}.{abs(value) % scale:0{len(str(scale)) - 1}d}"
    return ("-" if value < 0 else "") + text.rstrip("0").rstrip(".")


def count(number: int, thing: str) -> str:
    """``1 case``, ``3 cases``."""
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def by_subject(places: Iterable[tuple[str, str]]) -> dict[str, list[str]]:
    """(subject, rule) by the subject."""
    found: dict[str, list[str]] = {}
    for subject, rule in places:
        found.setdefault(subject, []).append(rule)
    return found


def why_no_time(vehicle: Vehicle, subject: str, margin_ns: int | None) -> str:
    """Why a margin of nothing is harmless, behind it in parentheses; empty for any other: the edges
    of a flash and its deadline follow the same cycle, and may fall on one instant.
    """
    load = vehicle.loads.get(subject)
    if margin_ns != 0 or load is None or load.flash is None:
        return ""
    return " (harmless: it may finish its flash until that instant, and does)"


def untested_rules(report: CheckReport, subject: str, rules: Iterable[str]) -> str:
    """The rules of a subject that were not exercised, each group behind it with the reason, where
    that is known: ``fresh, stale (no situation changes `gear`: add one that does)``.
    """
    return ", ".join(
        f"{', '.join(together)} ({reason})" if reason else ", ".join(together)
        for reason, together in reasons(report, subject, rules).items()
    )


def outcome_line(report: CheckReport) -> str:
    """The result of a check in one sentence."""
    if not report.cases:
        return "No case was run: nothing was tested."
    if not report.declared:
        return "No rule is declared: nothing was judged."
    if report.findings:
        return f"{count(len(report.findings), 'rule')} broken."
    if report.not_exercised:
        number = len(report.not_exercised)
        return f"No rule was broken, but {count(number, 'rule')} {_were(number)} not exercised."
    if report.silent:
        number = len(report.silent)
        return f"No rule was broken, but {count(number, 'thing')} {_were(number)} not judged."
    if report.space is not None and report.space.depth == "quick":
        return "Every declared rule was exercised and kept by this selection of the full check."
    return "Every declared rule was exercised and kept."


def _were(number: int) -> str:
    return "was" if number == 1 else "were"
