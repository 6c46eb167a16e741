"""A check on real time: cases at a real node on the desk, for as long as there is time.

What broke is tried again at once: once as it was, then with each of its parts left out, as long as
it still breaks and there is time. A rule that broke once and not again in the same case is told as
such. A broken wire or a pulled adapter ends the check; with the same file of results it goes on
later.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import can

from linkloss.campaign.depth import forget_planned
from linkloss.campaign.result import CaseResult, CheckReport, DeskHead
from linkloss.campaign.run import result_of
from linkloss.campaign.selection import case_named
from linkloss.campaign.store import CaseStore
from linkloss.clock.wallclock import monotonic_seconds
from linkloss.desk.choosing import candidates, in_turn
from linkloss.desk.fault_ways import Way, ways
from linkloss.desk.real_case import Adapter, RealCase
from linkloss.desk.wired_node import WiredNode
from linkloss.judge import Outcome, Unjudged, Verdict, declared_rules
from linkloss.judge.felt import judge_felt, summary
from linkloss.problem import BadInput
from linkloss.scenario import Scenario
from linkloss.units import show_duration

AGAIN_SHARE = 0.25
"""The share of the time that is kept for what broke."""
Progress = Callable[[int, int | None], None]
Place = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Order:
    """Which cases to run, and for how long in s of real time; None: until all are through."""

    seed: int = 0
    for_s: float | None = None
    only: Collection[str] | None = None
    situations: Collection[str] | None = None
    case: str | None = None
    first: bool = False


@dataclass(slots=True)
class Account:
    """What the cases were judged with, for the head of the report."""

    widest_ns: int = 0
    narrowest_ns: int = 1 << 62
    in_doubt: dict[str, int] = field(default_factory=dict)
    reasons: dict[str, int] = field(default_factory=dict)
    once: list[str] = field(default_factory=list)
    stopped: str = ""


class RealCheck:
    """One check of a real node. ``tell`` gets each new result, ``progress`` how many there are."""

    def __init__(
        self,
        wired: WiredNode,
        adapter: Adapter,
        order: Order,
        store: CaseStore | None = None,
        tell: Callable[[CaseResult], object] = lambda _: None,
        progress: Progress | None = None,
    ) -> None:
        self._wired, self._adapter, self._order = wired, adapter, order
        self._vehicle, self._node = wired.vehicle, wired.node
        self._store = CaseStore() if store is None else store
        self._tell, self._progress = tell, progress
        self._begun_s = 0.0
        self.clock: Callable[[], float] = monotonic_seconds
        self.account = Account()
        self.interrupted = False

    def run(self) -> CheckReport:
        """Run cases until the time is over, or something ends it. Raises BadInput for a case that
        there is not, or that the desk cannot do.
        """
        done = {case.name for case in self._store}
        broken: dict[Place, Scenario] = {}
        names = self._names()
        self._begun_s = self.clock()
        try:
            for name in names:
                case = None if name in done else case_named(self._vehicle, name, self._order.seed)
                if case is None:
                    continue
                if not self._time_for(case, 1 - AGAIN_SHARE if broken else 1.0):
                    break
                found = self._one(case)
                new = [v for v in found if v.broken and (v.subject, v.rule) not in broken]
                broken |= {(v.subject, v.rule): case for v in new}
                if new and not self._order.case:
                    self._try_again(case, {(v.subject, v.rule) for v in new})
                if new and self._order.first:
                    break
        except KeyboardInterrupt:
            self.interrupted = True
        except (BadInput, can.CanError, OSError) as gone:
            self.account.stopped = f"{gone}"
        return self._report()

    def _names(self) -> list[str]:
        """The names of the cases in their turn."""
        order, vehicle, node = self._order, self._vehicle, self._node
        if order.case is not None:
            if case_named(vehicle, order.case, order.seed) is None:
                text = f"'{order.case}' is no case of {vehicle.path}"
                raise BadInput.one("linkloss", "--case", text)
            return [order.case]
        found = candidates(vehicle, node, order.seed, order.only, order.situations)
        if not found:
            raise BadInput.one("linkloss", "--real", "no case can be done on the desk")
        names = [case.name for case in in_turn(vehicle, node, found)]
        forget_planned()
        return names

    def _time_for(self, case: Scenario, share: float) -> bool:
        if self._order.for_s is None:
            return True
        left_s = share * self._order.for_s - (self.clock() - self._begun_s)
        return left_s >= case.lasts_ns / 1e9

    def _one(self, case: Scenario, *, keep: bool = True) -> tuple[Verdict, ...]:
        run = RealCase(self._wired, self._adapter, case).run()
        verdicts = tuple(judge_felt(self._vehicle, run.recording, run.outside, run.desk))
        account, doubt = self.account, run.desk.doubt or run.outside.doubt
        if doubt:
            account.in_doubt[doubt] = account.in_doubt.get(doubt, 0) + 1
        else:
            account.widest_ns = max(account.widest_ns, run.desk.widest_ns)
            account.narrowest_ns = min(account.narrowest_ns, run.desk.widest_ns)
        for why, times in summary(verdicts).items():
            account.reasons[why] = account.reasons.get(why, 0) + times
        told = tuple(v for v in verdicts if v.outcome is not Outcome.NOT_EXERCISED)
        if keep:
            result = result_of(run.scenario, len(run.recording.frames), told)
            self._store.append(result)
            self._tell(result)
            if self._progress is not None:
                self._progress(len(self._store), None)
        if self._wired.link.lost:
            raise BadInput.one(
                "linkloss", "--io", f"the I/O board is gone: {self._wired.link.lost}"
            )
        return told

    def _try_again(self, case: Scenario, places: set[Place]) -> None:
        """Run what broke again as it was; then without one of its parts, as long as that breaks
        too.
        """
        if not self._time_for(case, 1.0):
            return
        again = {(v.subject, v.rule) for v in self._one(case, keep=False) if v.broken}
        self.account.once += [
            f"{subject}, {rule}: broke in {case.name}, and not when that ran again"
            for subject, rule in sorted(places - again)
        ]
        wanted = places & again
        shorter = self._shorter(case) if wanted else iter(())
        while wanted:
            trial = next(shorter, None)
            if trial is None or not self._time_for(trial, 1.0):
                return
            if wanted & {(v.subject, v.rule) for v in self._one(trial) if v.broken}:
                shorter = self._shorter(trial)

    def _shorter(self, case: Scenario) -> Iterator[Scenario]:
        """The case without one of the parts of its name."""
        situation, *parts = case.name.split("/")
        for place in range(len(parts) if len(parts) > 1 else 0):
            left = [part for number, part in enumerate(parts) if number != place]
            found = case_named(self._vehicle, "/".join([situation, *left]), self._order.seed)
            if found is not None and all(found.name != known.name for known in self._store):
                yield found

    # ---- the report ----

    def _report(self) -> CheckReport:
        vehicle, node = self._vehicle, self._node
        loads = {name for name, load in vehicle.loads.items() if load.node == node}
        declared = tuple(
            (subject, rule)
            for subject, rule in declared_rules(vehicle)
            if subject in loads or subject == node
        )
        return CheckReport(
            vehicle,
            self._order.seed,
            declared,
            self._store,
            unjudged=tuple(self._unjudged()),
            desk=DeskHead(self._options(), tuple(self.sentences())),
        )

    def _options(self) -> str:
        adapter, board = self._adapter, self._wired.link.path
        words = ("--real", self._node, "--interface", adapter.interface)
        return shlex.join([*words, "--channel", adapter.channel, "--io", board])

    def _unjudged(self) -> Iterator[Unjudged]:
        for way in (Way.HAND, Way.NONE):
            kinds = [kind for kind, other, _ in ways(self._vehicle, self._node) if other is way]
            if kinds:
                yield Unjudged(f"{', '.join(kinds)} at {self._node}", way.value)

    def sentences(self) -> Iterator[str]:
        """What a reader must know of how it was judged."""
        account, way = self.account, self._adapter.way
        yield (
            f"{self._node} is real and was felt by the I/O board at {self._wired.link.path}; all"
            " other nodes were simulated. A bench result is no approval."
        )
        if account.widest_ns:
            low, high = show_duration(account.narrowest_ns), show_duration(account.widest_ns)
            yield (
                f"Uncertainty that was measured and worked with: {low} to {high} from case to case;"
                " deadlines are wider by it, and a rule whose limit is less than ten times that is"
                " not exercised."
            )
        how = "measured" if way.measured else "as stated with --delay: this adapter cannot be asked"
        yield f"Way through the adapter: up to {show_duration(way.worst_ns)}, {how}."
        yield (
            "Longest time of a relay: as the vehicle file says,"
            f" {show_duration(self._wired.table.operates_in)}."
        )
        for why, times in account.in_doubt.items():
            yield f"{times} cases judged nothing, {why}."
        yield from account.once
        common = sorted(account.reasons.items(), key=lambda entry: -entry[1])[:6]
        for why, times in common:
            yield f"Not exercised {times} times {why}."
        if account.stopped:
            yield f"It ended early: {account.stopped}. With --results and --resume it goes on."


def ensure_results(results: Path | None, *, resume: bool) -> None:
    """Raises BadInput where there is nothing to go on with."""
    if resume and results is None:
        text = "continues a file; expected '--results FILE' too"
        raise BadInput.one("linkloss", "--resume", text)
