"""A real node behind an adapter: which faults it can be given, what can be judged, and a checklist
of faults done by hand.

The checklist measures times from two sources. The bench sees what the node sends to the
millisecond. It knows what the person does only from the Enter key, which may be off by
:data:`HAND_NS`. If that uncertainty decides, the rule is not exercised.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from linkloss.faults.base import Fault
from linkloss.faults.catalogue import catalogue
from linkloss.judge import Outcome, Verdict
from linkloss.judge.node_rules import SILENT_PERIODS
from linkloss.judge.verdict import Cause
from linkloss.live.opened import OpenBus
from linkloss.problem import BadInput, unknown
from linkloss.scenario import TimedFault
from linkloss.units import show_duration
from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.loading import Vehicle

DELAY_NS = 20_000_000
"""The longest delay between the bus and a real node through an adapter, unless the user gives
another. From memory, a USB adapter takes 1 to 16 ms.
"""
INSIDE = ("node", "input", "output")
"""Groups of faults inside a node, which the bench cannot cause in a real one."""


def ensure_real(vehicle: Vehicle, node: str, faults: Sequence[TimedFault]) -> None:
    """Check that a node can be real with these faults.

    :raises BadInput: for a node that the vehicle does not have, or a fault that would have to
        happen inside the real node.
    """
    if node not in vehicle.nodes:
        raise BadInput.one("linkloss", "--real", unknown("node", node, vehicle.nodes))
    for timed in faults:
        fault = timed.fault
        if fault.group in INSIDE and node in _places(vehicle, fault):
            text = f"{fault.label()} would happen inside of '{node}', which is real;"
            text += " expected a fault of cable or frames, or '--checklist' for what needs hands"
            raise BadInput.one("linkloss", "--fault", text)


def _places(vehicle: Vehicle, fault: Fault) -> set[str]:
    """The nodes in which, or at whose loads, a fault would happen. A supply fault that names no
    node happens at all of them.
    """
    found = {*fault.nodes(), *(vehicle.loads[name].node for name in fault.loads(vehicle))}
    return set(vehicle.nodes) if fault.electrical and not found else found


def caution(vehicle: Vehicle, node: str) -> str:
    """The caution to show before anything else."""
    loads = [load.about or name for name, load in vehicle.loads.items() if load.node == node]
    listed = "; ".join(loads) if loads else "none that the vehicle file knows"
    return (
        f"Caution: '{node}' is real, and the bench will make it do what a fault makes it do."
        " Wheels chocked, gearbox out of gear, hands, hair and clothes clear of belts, fans and"
        " shafts. Take off the lead of the starter and of whatever moves, heats or pumps until you"
        f" have seen what the node does. Its loads: {listed}."
    )


def scope(vehicle: Vehicle, node: str) -> Iterator[str]:
    """Sentences for the report on what a run with a real node can show and what it cannot."""
    loads = {name: load for name, load in vehicle.loads.items() if load.node == node}
    reported = [name for name, load in loads.items() if load.reported is not None]
    silent = [name for name in loads if name not in reported]
    wired = [name for name, table in vehicle.inputs.items() if node in table.wired_to]
    inside = [kind for kind, form in catalogue().items() if form.group in INSIDE]
    outside = [kind for kind, form in catalogue().items() if form.group not in INSIDE]
    yield (
        f"{node} is real. From outside it can be given: {', '.join(outside)}; a cable that is cut"
        " or unplugged reaches it as silence."
    )
    yield (
        f"Not exercised on {node}: {', '.join(inside)}; what of it needs hands is in --checklist."
        " Nor its acknowledging, error counters and bus-off: on its cable the adapter"
        " acknowledges."
    )
    if reported:
        yield f"Judged by what it reports, one sample for each message: {', '.join(reported)}."
    if silent:
        yield f"Not exercised, because no signal reports them: {', '.join(silent)}."
    if wired:
        yield f"Its inputs are not moved by the bench: {', '.join(wired)}."


HAND_NS = 500_000_000
"""How far apart in time a person's two hands act when meant to act together; from memory."""
_LONGEST_NS = 60_000_000_000
_LOOK_S = 0.02

Ask = Callable[[str], str]
"""Shows a question and returns what was typed; raises EOFError if no one answers."""


@dataclass(frozen=True, slots=True)
class Handwork:
    """Something that a person does to a node by hand, and undoes."""

    rule: str
    do: str
    text: str
    undo: str
    restarts: bool


HANDWORK = (
    Handwork(
        "plug by hand",
        "Pull the CAN plug of {node}",
        "the CAN plug of {node} was pulled by hand",
        "Plug {node} in again",
        restarts=False,
    ),
    Handwork(
        "supply by hand",
        "Switch off the supply of {node}",
        "the supply of {node} was switched off by hand",
        "Switch the supply of {node} on again",
        restarts=True,
    ),
)


class Checklist:
    """The guided checklist for one real node.

    :param ask: asks the person a question.
    :param tell: shows the person a text.
    :param pause: waits for so many seconds of real time.
    """

    def __init__(
        self,
        opened: OpenBus,
        node: str,
        ask: Ask,
        tell: Callable[[str], object],
        pause: Callable[[float], object],
    ) -> None:
        self._opened = opened
        self._vehicle: Vehicle = opened.live.vehicle
        self._node = node
        self._ask = ask
        self._tell = tell
        self._pause = pause
        status = self._vehicle.nodes[node].status
        period_ns = None if status is None else self._vehicle.messages[status].period_ns
        self._silence_ns = SILENT_PERIODS * (period_ns or 100_000_000)

    def walk(self) -> list[Verdict]:
        """Go through the checklist. What was not done is not exercised."""
        found = list(self._untouched())
        try:
            if self._begin():
                for work in HANDWORK:
                    found = [*found, *self._work(work)]
        except EOFError:
            self._tell("nobody answers: the rest of the checklist is not exercised")
        latest = {(verdict.subject, verdict.rule): verdict for verdict in found}
        return list(latest.values())

    def _begin(self) -> bool:
        self._tell(caution(self._vehicle, self._node))
        if self._ask("Is all of that done? Type yes: ").strip().lower() != "yes":
            self._tell("the checklist is not exercised")
            return False
        if not self._wait(lambda: self._node in self._opened.heard_ns):
            self._tell(f"nothing is heard from {self._node}: is it switched on and plugged in?")
            return False
        return True

    def _untouched(self) -> Iterator[Verdict]:
        for work in HANDWORK:
            yield self._verdict(self._node, work, Outcome.NOT_EXERCISED, "because it was not done")
            for name, _ in self._watched():
                yield self._verdict(name, work, Outcome.NOT_EXERCISED, "because nobody looked")

    def _work(self, work: Handwork) -> Iterator[Verdict]:
        if self._ask(f"{self._say(work.do)}, then press Enter (s: leave it out): ").strip() == "s":
            return
        if not self._wait(self._silent):
            self._tell(f"{self._node} is still heard: this was not exercised")
            return
        text = self._say(work.text)
        self._opened.by_hand(self._node, text, there=True)
        if not work.restarts:
            yield from self._look(work)
        back_ns, verdict = self._come_back(work)
        if back_ns is not None:
            self._opened.by_hand(self._node, text, there=False)
        yield verdict

    def _look(self, work: Handwork) -> Iterator[Verdict]:
        """With the plug pulled, the loads must be in their state for a lost link. A person looks at
        them.
        """
        loads = list(self._watched())
        longest_ns = max(((load.stale_after or 0) + load.reaction for _, load in loads), default=0)
        until_ns = self._now() + longest_ns
        self._wait(lambda: self._now() >= until_ns)
        for name, load in loads:
            answer = self._ask(f"Is '{load.about or name}' on? y, n, or Enter if you cannot see: ")
            if answer.strip().lower() not in ("y", "n"):
                continue
            was = "on" if answer.strip().lower() == "y" else "off"
            good = was == load.on_stale
            text = f"was seen {was} with a lost link; expected: {load.on_stale}"
            yield self._verdict(name, work, Outcome.KEPT if good else Outcome.BROKEN, text)

    def _come_back(self, work: Handwork) -> tuple[int | None, Verdict]:
        """When the node was heard again (None: it was not), and the verdict. It is allowed
        ``rejoin``, and also its boot time if it restarts.
        """
        table = self._vehicle.nodes[self._node]
        limit_ns = table.rejoin + (table.boot if work.restarts else 0)
        last_ns = self._opened.heard_ns[self._node]
        self._ask(f"{self._say(work.undo)} with one hand, and press Enter with the other: ")
        undone_ns = self._now()
        self._wait(lambda: self._first_after(last_ns) is not None)
        back_ns = self._first_after(last_ns)
        if back_ns is None:
            text = f"was not heard again within {show_duration(_LONGEST_NS)}"
            return None, self._verdict(self._node, work, Outcome.BROKEN, text)
        outcome, text = in_time(back_ns - undone_ns, limit_ns)
        return back_ns, self._verdict(self._node, work, outcome, text)

    def _first_after(self, at_ns: int) -> int | None:
        """When the node was first heard after an instant."""
        events = list(self._opened.live.session.recording.outside)
        own = (event for event in events if event.name == self._node and event.frame is not None)
        return next((event.at_ns for event in own if event.at_ns > at_ns), None)

    def _watched(self) -> Iterator[tuple[str, LoadTable]]:
        """The loads whose state with a lost link a person can see."""
        for name, load in self._vehicle.loads.items():
            plain = load.local is None and load.then is None and load.on_stale in ("on", "off")
            if load.node == self._node and plain:
                yield name, load

    def _verdict(self, subject: str, work: Handwork, outcome: Outcome, text: str) -> Verdict:
        at_ns = self._now() if outcome is Outcome.BROKEN else None
        return Verdict(subject, work.rule, outcome, at_ns=at_ns, cause=Cause.TOLD, observed=text)

    def _say(self, text: str) -> str:
        return text.format(node=self._node)

    def _now(self) -> int:
        return self._opened.live.pacer.now_ns()

    def _silent(self) -> bool:
        return self._now() - self._opened.heard_ns[self._node] > self._silence_ns

    def _wait(self, holds: Callable[[], bool]) -> bool:
        """Wait until something holds. Return False if it does not within a minute, or the session
        has ended.
        """
        until_ns = self._now() + _LONGEST_NS
        while not holds():
            if self._now() > until_ns or self._opened.live.pacer.ended:
                return False
            self._pause(_LOOK_S)
        return True


def in_time(took_ns: int, limit_ns: int) -> tuple[Outcome, str]:
    """The outcome for a node that was heard ``took_ns`` after the Enter key (negative: before
    it).
    """
    after = "after" if took_ns >= 0 else "before"
    text = f"was heard again {show_duration(abs(took_ns))} {after} the Enter key, limit"
    text += f" {show_duration(limit_ns)}"
    if took_ns - HAND_NS > limit_ns:
        return Outcome.BROKEN, text
    if -HAND_NS <= took_ns <= limit_ns - HAND_NS:
        return Outcome.KEPT, text
    hand = show_duration(HAND_NS)
    return Outcome.NOT_EXERCISED, f"because it {text}, nearer than a hand can tell ({hand})"
