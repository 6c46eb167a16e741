"""The message plan of a vehicle, analysed and compared with simulated runs.

Each frame that was sent is traced back to the instant at which its program handed it to the
controller. Its response time ends with the intermission, as in the analysis, so that the two can be
compared. That is valid only while the recording keeps to the plan: declared gaps and jitter, a
mailbox for every frame, no more errors than declared, no other sender on the bus. Each departure
from the plan is noted; it affects its message and all messages of lower priority.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from operator import attrgetter

from linkloss.bus import BusRecord
from linkloss.bus.frame import INTERMISSION_BITS, arbitration_word
from linkloss.problem import EXIT_BROKEN, EXIT_KEPT, EXIT_NOT_EXERCISED
from linkloss.recording import Recording
from linkloss.scenario import Scenario, TimedAction
from linkloss.session import simulate
from linkloss.sizing.analysis import (
    BIT_RATES,
    Analysis,
    Bound,
    Proposal,
    analyse,
    overlong,
    propose,
    what_if,
)
from linkloss.sizing.message_plan import Plan, Planned, errors_words, plan_of, time_of
from linkloss.sizing.route_times import RouteTime, analyse_buses
from linkloss.units import show_duration
from linkloss.vehicle.loading import Vehicle


@dataclass(frozen=True, slots=True)
class Departure:
    """Where a recording does not keep to the plan. It affects messages of this ``rank`` and of
    lower priority.
    """

    rank: int
    at_ns: int
    text: str


@dataclass(slots=True)
class Observed:
    """What recordings show about one message.

    ``kept_ns`` are the response times in recordings that keep to the plan as far as this message is
    concerned, ``other_ns`` those in other recordings; both in the order of sending. ``untraced``
    counts frames that match nothing handed over by a program (for example because their content was
    altered); ``departures`` are those that affect this message.
    """

    message: Planned
    kept_ns: list[int] = field(default_factory=list)
    other_ns: list[int] = field(default_factory=list)
    untraced: int = 0
    departures: list[Departure] = field(default_factory=list)

    @property
    def longest_ns(self) -> int | None:
        """The longest response time in recordings that keep to the plan; None if there is none."""
        return max(self.kept_ns, default=None)

    def exceeds(self, bound: Bound) -> bool:
        """Whether a frame took longer than the bound although the plan was kept."""
        if bound.worst_ns is None or self.longest_ns is None:
            return False
        return self.longest_ns > bound.worst_ns


def observe(plan: Plan, recordings: Iterable[Recording]) -> dict[str, Observed]:
    """What recordings of runs at the plan's bit rate show about each of its messages, by name."""
    found = {message.name: Observed(message) for message in plan.messages}
    for recording in recordings:
        traffic = _by_identity(recording.frames)
        departures = list(_departures(plan, recording))
        for message in plan.messages:
            own = found[message.name]
            left = [d for d in departures if d.rank <= message.rank]
            times_ns = own.other_ns if left else own.kept_ns
            own.untraced += _trace(plan, recording, message, traffic, times_ns)
            own.departures += left
    return found


def exceeded(analysis: Analysis, observed: Mapping[str, Observed]) -> tuple[Bound, ...]:
    """The bounds that a recording contradicts. There should be none."""
    return tuple(bound for bound in analysis.bounds if observed[bound.message.name].exceeds(bound))


def _by_identity(records: Iterable[BusRecord]) -> dict[tuple[int, bool], list[BusRecord]]:
    found: dict[tuple[int, bool], list[BusRecord]] = {}
    for record in sorted(records, key=attrgetter("start_ns")):
        if record.error is None and not record.frame.remote:
            key = record.frame.identifier, record.frame.extended
            found.setdefault(key, []).append(record)
    return found


def _trace(
    plan: Plan,
    recording: Recording,
    message: Planned,
    traffic: dict[tuple[int, bool], list[BusRecord]],
    times_ns: list[int],
) -> int:
    """Add the response times of one message, whose frames leave in the order in which they were
    handed over. Return how many frames could not be traced back.
    """
    untraced = 0
    waiting = deque(entry for entry in recording.handed.get(message.name, ()) if entry.taken)
    rest_ns = time_of(INTERMISSION_BITS, plan.bit_rate)
    for record in traffic.get((message.identifier, message.extended), ()):
        entry = next(
            (e for e in waiting if e.at_ns <= record.start_ns and e.data == record.frame.data),
            None,
        )
        if entry is None or record.sender not in message.senders:
            untraced += 1
            continue
        while waiting.popleft() is not entry:
            pass
        times_ns.append(record.end_ns + rest_ns - entry.at_ns)
    return untraced


def _departures(plan: Plan, recording: Recording) -> Iterator[Departure]:
    for message in plan.messages:
        yield from _sent_too_soon(message, recording)
        yield from _refused(message, recording)
    yield from _strangers(plan, recording.frames)
    yield from _faults(recording)
    failed_ns = sorted(r.end_ns for r in recording.frames if r.error is not None)
    too_many_ns = plan.errors.bear(failed_ns)
    if too_many_ns is not None:
        text = f"a frame failed; declared: {errors_words(plan.errors)}"
        yield Departure(0, too_many_ns, text)
    for node in sorted(recording.controllers):
        for change in recording.controllers[node]:
            if change.state in ("PASSIVE", "BUS_OFF"):
                words = change.state.lower().replace("_", "-").replace("passive", "error-passive")
                yield Departure(0, change.at_ns, f"the controller of {node} was {words}")
                break


def _sent_too_soon(message: Planned, recording: Recording) -> Iterator[Departure]:
    """A message handed over sooner than the shortest gap and the jitter allow, for any possible due
    times.
    """
    if message.shortest_ns is None:
        return
    due_ns: int | None = None
    before_ns = 0
    for entry in recording.handed.get(message.name, ()):
        if not entry.taken:
            continue
        if due_ns is not None and due_ns > entry.at_ns:
            gap = show_duration(entry.at_ns - before_ns)
            text = (
                f"{message.name} was sent {gap} after the one before; declared:"
                f" {show_duration(message.shortest_ns)}"
            )
            yield Departure(message.rank, entry.at_ns, text)
            return
        earliest_ns = entry.at_ns - message.jitter_ns
        due_ns = (earliest_ns if due_ns is None else max(due_ns, earliest_ns)) + message.shortest_ns
        before_ns = entry.at_ns


def _refused(message: Planned, recording: Recording) -> Iterator[Departure]:
    for entry in recording.handed.get(message.name, ()):
        if not entry.taken:
            text = f"the controller did not take {message.name}"
            yield Departure(message.rank, entry.at_ns, text)
            return


def _strangers(plan: Plan, records: Sequence[BusRecord]) -> Iterator[Departure]:
    """Frames that are not in the plan; an unknown or longer one may delay all messages."""
    known = {(m.identifier, m.extended): m for m in plan.messages}
    for record in records:
        frame = record.frame
        message = known.get((frame.identifier, frame.extended))
        if (
            message is None
            or record.sender not in message.senders
            or frame.remote
            or len(frame.data) > message.length
        ):
            rank = min(arbitration_word(frame), message.rank if message else 1 << 32)
            longer = message is None or len(frame.data) > message.length
            text = f"{record.sender} sent {frame}, which the plan does not know"
            yield Departure(0 if longer else rank, record.start_ns, text)
            return


def _faults(recording: Recording) -> Iterator[Departure]:
    """A fault on the cable, on frames or in a node may cause delays that the plan does not know."""
    for fault in recording.faults:
        if fault.group in ("cable", "frames", "node"):
            yield Departure(0, fault.applied_ns, f"a fault: {fault.text}")
            return


@dataclass(frozen=True, slots=True)
class TimingReport:
    """The analysis of a message plan at its own bit rate and at others, and what runs showed.

    ``observed`` is by message, empty without a run; ``runs`` names them. ``proposal`` is another
    order of priority, made only if a message may be late. ``bus`` names the bus of several;
    ``routes`` are those that end on it.
    """

    vehicle: Vehicle
    plan: Plan
    analysis: Analysis
    others: tuple[Analysis, ...]
    proposal: Proposal | None
    runs: tuple[str, ...]
    observed: Mapping[str, Observed]
    bus: str = ""
    routes: tuple[RouteTime, ...] = ()

    @property
    def exceeded(self) -> tuple[Bound, ...]:
        """The bounds that a run contradicts."""
        return exceeded(self.analysis, self.observed) if self.observed else ()

    @property
    def overlong(self) -> tuple[Bound, ...]:
        """Watched messages that may take longer over the bus than the vehicle file allows."""
        return overlong(self.plan, self.analysis)

    @property
    def exit_code(self) -> int:
        """1 if a message may be late or a bound was exceeded; 3 if a message has no bound or there
        are no messages; otherwise 0.
        """
        if self.analysis.late or self.exceeded or self.overlong:
            return EXIT_BROKEN
        if self.analysis.unbounded or not self.analysis.bounds:
            return EXIT_NOT_EXERCISED
        return EXIT_KEPT


def timing(
    vehicle: Vehicle,
    *,
    scenarios: Sequence[Scenario] = (),
    bit_rates: Sequence[int] = BIT_RATES,
    bus: str | None = None,
) -> TimingReport:
    """Analyse the message plan of a vehicle, and compare it with runs of scenarios of this vehicle.

    :param bit_rates: further bit rates to analyse, in bit/s; jitter that a message inherits over a
        route stays that of the vehicle's own.
    :param bus: the name of one of several buses. Raises BadInput for a vehicle with several where
        none is named, or where runs are to be compared.
    """
    if bus is None or scenarios:
        vehicle.only_bus("a comparison with runs" if scenarios else "a plan of its messages")
    several = len(vehicle.buses) > 1
    name = bus if bus is not None and several else next(iter(vehicle.file.bus))
    buses = analyse_buses(vehicle) if several or vehicle.routes else None
    plan = plan_of(vehicle) if buses is None else buses.plans[name]
    analysis = analyse(plan)
    here = {message.name for message in plan.messages}
    routes = () if buses is None else tuple(r for r in buses.routes if r.target in here)
    recordings = (simulate(scenario) for scenario in scenarios)
    return TimingReport(
        vehicle=vehicle,
        plan=plan,
        analysis=analysis,
        others=what_if(plan, bit_rates),
        proposal=propose(plan) if analysis.late else None,
        runs=tuple(scenario.name for scenario in scenarios),
        observed=observe(plan, recordings) if scenarios else {},
        bus=name if several else "",
        routes=routes,
    )


def plain_run(vehicle: Vehicle, situation: str) -> Scenario:
    """A scenario that runs a situation of a vehicle without a fault.

    :raises KeyError: if the vehicle has no such situation.
    """
    table = vehicle.situations[situation]
    return Scenario(
        name=situation,
        title=table.about,
        vehicle=vehicle,
        situation=situation,
        inputs=table.inputs,
        actions=tuple(TimedAction(action.at, action.set) for action in table.actions),
        faults=(),
        lasts_ns=table.lasts,
    )
