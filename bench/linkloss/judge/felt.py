"""What can be judged of a real node on the desk, by what an I/O board feels of its loads.

The judge of simulated nodes judges it, on a recording that says when things were at the node:
frames when the adapter had them, inputs when the board made them, loads when the board felt them.
None of these instants is known exactly. Each is put to the side of its span on which a right node
cannot look wrong (what the node was told as early as it can have been, what it did as late), and
each deadline is longer by the two widths, which were measured. What the node measures by itself,
such as a flash, is allowed to differ by them to both sides.

    told    |===|           earliest .......... deadline + widths
    did               |==|               latest

A rule whose limit is less than ten times what it was widened by is not exercised, nor is one that
was kept with less to spare than that: there the line cannot tell. Where something came between,
nothing is judged.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from linkloss.bus import Frame, RecordList
from linkloss.judge.judging import declared_rules, judge
from linkloss.judge.reported import judge_real
from linkloss.judge.verdict import Cause, Outcome, Verdict, worst
from linkloss.recording import NodeChange, Outside, Recording, Series
from linkloss.units import show_duration
from linkloss.vehicle.expression import Value
from linkloss.vehicle.load import FlashRule, LoadTable, NeverRule
from linkloss.vehicle.loading import Vehicle

WIDEST = 0.1
"""The share of its limit by which a rule may be widened."""
UNFELT = "because no line of the I/O board feels the load"
_NOT_FELT = ("fed", "stopped", "tries", "back")
"""Rules of a load that need what no line can tell: its supply, its current, its node's program."""
REPORT = "report"
"""The rule that what a node reports of a load is what the board feels of it."""


@dataclass(frozen=True, slots=True)
class Down:
    """The node was kept from running: from the earliest instant at which that can have begun to the
    earliest at which it can have ended; ``late_ns`` is how much later it can have ended.
    """

    from_ns: int
    to_ns: int
    late_ns: int


@dataclass(slots=True)
class DeskRecord:
    """What happened at a real node, beside the recording of the bench. Instants are virtual, in ns.

    :ivar felt: levels of loads, each change at the latest instant that it can have had.
    :ivar felt_width_ns: by load, how much earlier a change of it can have been.
    :ivar seen: inputs as they were made for the node, each at the earliest instant.
    :ivar seen_width_ns: by input, how much later.
    :ivar frames: what the node was sent, with the earliest instant at which it can have had it.
    :ivar frame_width_ns: how much later.
    :ivar dimmed: loads that were felt as a duty.
    :ivar unmade: inputs of the node that no line makes: for it they are at rest throughout.
    :ivar doubt: why nothing can be said; empty if all is well.
    """

    felt: dict[str, Series[float]] = field(default_factory=dict)
    felt_width_ns: dict[str, int] = field(default_factory=dict)
    seen: dict[str, Series[Value]] = field(default_factory=dict)
    seen_width_ns: dict[str, int] = field(default_factory=dict)
    frames: list[tuple[Frame, int]] = field(default_factory=list)
    frame_width_ns: int = 0
    downs: list[Down] = field(default_factory=list)
    dimmed: set[str] = field(default_factory=set)
    unmade: tuple[str, ...] = ()
    doubt: str = ""

    @property
    def widest_ns(self) -> int:
        """The largest uncertainty that anything was judged with."""
        widths = [*self.felt_width_ns.values(), *self.seen_width_ns.values()]
        return max([self.frame_width_ns, *widths])


def judge_felt(
    vehicle: Vehicle, recording: Recording, outside: Outside, desk: DeskRecord
) -> list[Verdict]:
    """A verdict on every rule that the vehicle declares for its real node and that node's loads.
    What cannot be judged is not exercised, and ``text`` says why.
    """
    (node,) = outside.nodes
    reported = judge_real(vehicle, recording, outside)
    doubt = desk.doubt or outside.doubt or _too_short(desk)
    if doubt:
        return [_untold(verdict.subject, verdict.rule, doubt) for verdict in reported]
    found = _judged(vehicle, recording, node, desk)
    result = [
        found.get((verdict.subject, verdict.rule)) or _instead(vehicle, verdict, desk, node)
        for verdict in reported
    ]
    declared = {(verdict.subject, verdict.rule) for verdict in result}
    result += [verdict for place, verdict in found.items() if place not in declared]
    return [*result, *_reports(vehicle, recording, outside, desk)]


def _too_short(desk: DeskRecord) -> str:
    """Why resets tell nothing, if one was over before its loads can have been felt to go."""
    width_ns = max(desk.felt_width_ns.values(), default=0)
    short = (d for d in desk.downs if d.from_ns > 0 and d.to_ns - d.from_ns < width_ns + d.late_ns)
    return "because the node was held in reset for less than the line tells" if any(short) else ""


def _instead(vehicle: Vehicle, reported: Verdict, desk: DeskRecord, node: str) -> Verdict:
    """The verdict on a rule that the board's lines say nothing of."""
    load = vehicle.loads.get(reported.subject)
    if load is None or load.node != node or reported.outcome is not Outcome.NOT_EXERCISED:
        return reported
    why = _unfit(reported.subject, load, desk)
    if not why and reported.rule in _NOT_FELT:
        why = "which no line of the I/O board can tell"
    return _untold(reported.subject, reported.rule, why)


def _unfit(name: str, load: LoadTable, desk: DeskRecord) -> str:
    """Why a load cannot be judged by what was felt; empty if it can."""
    if name not in desk.felt:
        return UNFELT
    inputs = {key for condition in load.own_conditions.values() for key in condition.names}
    shared = [key for key in desk.unmade if key in inputs and key not in desk.seen]
    if shared:
        return f"because no line makes its input {shared[0]}"
    if name in desk.dimmed or load.level or load.pwm or load.ramp_up or load.ramp_down:
        return "because it is dimmed, and a line tells on and off"
    return ""


def _judged(
    vehicle: Vehicle, recording: Recording, node: str, desk: DeskRecord
) -> dict[tuple[str, str], Verdict]:
    """What the judge of simulated nodes says of the felt loads, without what is too fine."""
    fit = {
        name: load
        for name, load in vehicle.loads.items()
        if load.node == node and not _unfit(name, load, desk)
    }
    widths = {name: _width(load, name, desk) for name, load in fit.items()}
    known = {name for name, load in vehicle.loads.items() if load.node != node} | set(fit)
    loads = {
        name: _widened(load, widths[name], known) if name in fit else load
        for name, load in vehicle.loads.items()
        if name in known
    }
    late_ns = max((down.late_ns for down in desk.downs), default=0)
    table = vehicle.nodes[node]
    nodes = {**vehicle.nodes, node: table.model_copy(update={"boot": table.boot + late_ns})}
    file = vehicle.file.model_copy(
        update={"loads": loads, "nodes": nodes, "notices": {}, "routes": {}}
    )
    seen = _at_the_node(recording, node, desk)
    start_ns = 0 if desk.downs and desk.downs[0].from_ns <= 0 else _settled_ns(fit.values())
    verdicts = judge(replace(vehicle, file=file), seen, start_ns=start_ns)
    found: dict[tuple[str, str], list[Verdict]] = {}
    for verdict in verdicts:
        if verdict.subject in fit and verdict.rule not in _NOT_FELT:
            found.setdefault((verdict.subject, verdict.rule), []).append(verdict)
    rules = set(declared_rules(vehicle, _others(recording, node)))
    return {
        place: _told(vehicle, fit[place[0]], worst(each), widths[place[0]], late_ns)
        for place, each in found.items()
        if place in rules or worst(each).broken
    }


def _others(recording: Recording, node: str) -> tuple[str, ...]:
    """The nodes without a program in a run, but for one."""
    return tuple(name for name in recording.logged if name != node)


def _settled_ns(loads: Iterable[LoadTable]) -> int:
    """From when a node that was not started with the run has followed whatever came before."""
    return max(
        ((load.stale_after or 0) + load.reaction + load.rejoin + load.cycle_ns for load in loads),
        default=0,
    )


def _width(load: LoadTable, name: str, desk: DeskRecord) -> int:
    """How much later than the truth a load can seem to follow, in ns."""
    inputs = {key for condition in load.own_conditions.values() for key in condition.names}
    told = [desk.seen_width_ns.get(key, 0) for key in inputs]
    if load.messages:
        told.append(desk.frame_width_ns)
    return desk.felt_width_ns.get(name, 0) + max(told, default=0)


def _widened(load: LoadTable, width_ns: int, known: set[str]) -> LoadTable:
    """A load with this much more time for everything, and without what other loads that nobody
    feels would have to tell.
    """
    never = [_later(rule, width_ns) for rule in load.never if _is_known(rule, known)]
    update: dict[str, object] = {
        "latency": load.latency + width_ns,
        "latency_off": load.off_latency_ns + width_ns,
        "reaction": load.reaction + width_ns,
        "rejoin": load.rejoin + width_ns,
        "never": tuple(never),
        "tries": None,
        "electrical": None,
    }
    for key in ("dark_limit", "follow_again", "longest_on"):
        value: int | None = getattr(load, key)
        update[key] = None if value is None else value + width_ns
    if load.shortest_off is not None:
        update["shortest_off"] = max(1, load.shortest_off - width_ns)
    if load.flash is not None:
        update["flash"] = _looser(load.flash, width_ns, known)
    return load.model_copy(update=update)


def _is_known(rule: NeverRule, known: set[str]) -> bool:
    return all(name in known for name in rule.when.loads)


def _later(rule: NeverRule, width_ns: int) -> NeverRule:
    return rule.model_copy(update={"within": rule.within + width_ns})


def _looser(flash: FlashRule, width_ns: int, known: set[str]) -> FlashRule:
    """Each edge may seem up to a width later than it was, and the next one not."""
    low, high = flash.per_minute
    longest_s, shortest_s, width_s = 60 / low, 60 / high, width_ns / 1e9
    share = width_s / shortest_s
    return flash.model_copy(
        update={
            "per_minute": (60 / (longest_s + width_s), 60 / max(1e-3, shortest_s - width_s)),
            "on_share": (
                max(1e-3, flash.on_share[0] - share),
                min(1 - 1e-3, flash.on_share[1] + share),
            ),
            "skew": flash.skew + width_ns,
            "in_step_with": flash.in_step_with if flash.in_step_with in known else None,
        }
    )


def _at_the_node(recording: Recording, node: str, desk: DeskRecord) -> Recording:
    """The recording as the node had it."""
    changes = [NodeChange(0, "reset", "power-up"), NodeChange(0, "running", "boot")]
    for down in desk.downs:
        if down.from_ns <= 0:
            changes.clear()
        changes += [
            NodeChange(max(0, down.from_ns), "off", "supply", "fault"),
            NodeChange(down.to_ns, "reset", "supply"),
            NodeChange(down.to_ns, "running", "boot"),
        ]
    seen = {**recording.seen, **{(name, node): s for name, s in desk.seen.items()}}
    unmade = {name: desk.seen[name] for name in desk.unmade if name in desk.seen}
    return replace(
        recording,
        logged=_others(recording, node),
        outputs={**recording.outputs, **desk.felt},
        nodes={**recording.nodes, node: changes},
        inputs={**recording.inputs, **unmade},
        seen=seen,
        frames=_frames(recording, node, desk),
    )


def _frames(recording: Recording, node: str, desk: DeskRecord) -> RecordList:
    """The frames of the bus, each that the node was sent at the instant at which it had it."""
    sent, place = desk.frames, 0
    found = RecordList()
    for record in recording.frames:
        if node not in record.receivers:
            found.append(record)
        elif place < len(sent) and sent[place][0] == record.frame:
            found.append(record._replace(end_ns=max(record.end_ns, sent[place][1])))
            place += 1
        else:
            left = tuple(name for name in record.receivers if name != node)
            found.append(record._replace(receivers=left))
    return found


def _limit_ns(vehicle: Vehicle, load: LoadTable, rule: str) -> int | None:
    """What a rule allows, in ns; None where it has no limit of time."""
    latency_ns = min(load.latency, load.off_latency_ns)
    flash = load.flash
    limits: dict[str, int | None] = {
        "fresh": latency_ns,
        "stale": (load.stale_after or 0) + load.reaction,
        "then": (load.hold_for or 0) + load.reaction,
        "local": load.debounce + latency_ns,
        "reset": vehicle.nodes[load.node].boot,
        "rejoin": load.rejoin,
        "end to end": _end_to_end_ns(vehicle, load),
        "flash": None if flash is None else round(60e9 / flash.per_minute[1]),
        "in step": None if flash is None else flash.skew,
        "dark": load.dark_limit,
        "trip": load.off_latency_ns,
        "longest_on": load.longest_on,
        "shortest_off": load.shortest_off,
    }
    if rule.startswith("never"):
        return min((entry.within or load.latency for entry in load.never), default=None)
    return limits.get(rule)


def _end_to_end_ns(vehicle: Vehicle, load: LoadTable) -> int:
    """At least what lies between an input of a request and the load."""
    asks = vehicle.asking_signal(load)
    request = vehicle.requests.get(asks or "")
    own_ns = min(load.latency, load.off_latency_ns)
    return own_ns if request is None else own_ns + request.debounce + request.latency


def _told(
    vehicle: Vehicle, load: LoadTable, verdict: Verdict, width_ns: int, late_ns: int
) -> Verdict:
    """A verdict, or why the line cannot tell. The margin is that before the rule's own limit."""
    if verdict.outcome is Outcome.NOT_EXERCISED:
        return verdict
    widened_ns = max(width_ns, late_ns) if verdict.rule in ("reset", "dark") else width_ns
    limit_ns = _limit_ns(vehicle, load, verdict.rule)
    if limit_ns is not None and widened_ns > WIDEST * limit_ns:
        why = (
            f"because the line tells it to {show_duration(widened_ns)} only, more than a tenth of"
            f" the limit, {show_duration(limit_ns)}"
        )
        return _untold(verdict.subject, verdict.rule, why)
    if verdict.outcome is Outcome.KEPT and verdict.margin_ns is not None:
        left_ns = verdict.margin_ns - widened_ns
        if left_ns < 0:
            near = show_duration(widened_ns)
            why = f"because it was nearer to its limit than the line tells, {near}"
            return _untold(verdict.subject, verdict.rule, why)
        return replace(verdict, margin_ns=left_ns)
    return verdict


def _untold(subject: str, rule: str, why: str) -> Verdict:
    return Verdict(subject, rule, Outcome.NOT_EXERCISED, cause=Cause.TOLD, observed=why)


def _reports(
    vehicle: Vehicle, recording: Recording, outside: Outside, desk: DeskRecord
) -> Iterator[Verdict]:
    """What the node reports of a load against what the board feels: a report is right that shows
    what the load did at some instant since the report before.
    """
    for name, load in vehicle.loads.items():
        if load.reported is None or name not in desk.felt or _unfit(name, load, desk):
            continue
        message, signal = vehicle.signal(load.reported)
        back_ns = vehicle.period_ns(load.reported) + 2 * outside.delay_ns + load.latency
        back_ns += desk.felt_width_ns.get(name, 0)
        wrong = None
        samples = 0
        for event in recording.outside:
            frame = event.frame
            if event.name not in outside.nodes or frame is None or frame.remote:
                continue
            if (frame.identifier, frame.extended) != (message.identifier, message.extended):
                continue
            if len(frame.data) != message.length or not signal.present(frame.data):
                continue
            samples += 1
            said = 1.0 if signal.physical(frame.data) else 0.0
            if wrong is None and said not in _levels(desk.felt[name], event.at_ns, back_ns):
                wrong = (event.at_ns, said)
        if wrong is not None:
            said_on = "on" if wrong[1] else "off"
            text = f"was reported {said_on} by {load.reported}, and felt otherwise"
            yield Verdict(
                name, REPORT, Outcome.BROKEN, at_ns=wrong[0], cause=Cause.TOLD, observed=text
            )
        elif samples and len(desk.felt[name].times) > 1:
            yield Verdict(name, REPORT, Outcome.KEPT)


def _levels(felt: Series[float], at_ns: int, back_ns: int) -> set[float]:
    """The levels that a load had within a time before an instant, or shortly behind it."""
    stretches = felt.stretches(at_ns + back_ns, at_ns - back_ns)
    return {1.0 if level > 0 else 0.0 for _, _, level in stretches}


def summary(verdicts: Sequence[Verdict]) -> Mapping[str, int]:
    """How often each reason kept a rule from being exercised."""
    found: dict[str, int] = {}
    for verdict in verdicts:
        if verdict.outcome is Outcome.NOT_EXERCISED and verdict.text:
            found[verdict.text] = found.get(verdict.text, 0) + 1
    return found
