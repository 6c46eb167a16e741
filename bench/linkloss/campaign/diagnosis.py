"""Why a rule broke: the first thing that went another way than in a right car, and at which node.

The rule says what a load or a message did wrong. The scenario is run again and watched
(:mod:`linkloss.session.watched`), and what may have caused it is looked for in this order:

1. a program that ended, hung, restarted, or was never on the bus: that is seen, and comes first;
2. something that can be set right at one node: the start of its clock, the way back from bus-off,
   a filter, the room in its queue, a message that it has to refuse. The scenario is run with just
   that set right; if the rule is kept then, it is the cause;
3. frames that the program left in its queue;
4. what is left when all that was right: the program took what it was told and did the wrong thing.

A repair only counts if it is the smallest: starting the program anew would cure nearly everything
and prove nothing, so it is not among them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from enum import Enum
from functools import cached_property

from linkloss.campaign.run import PROCESS
from linkloss.judge import Verdict, judge
from linkloss.judge.verdict import Cause
from linkloss.recording import Crash, NodeChange
from linkloss.scenario import Scenario
from linkloss.session import Session
from linkloss.session.watched import GUARDS, Came, Repair, Watching
from linkloss.vehicle.expression import split_signal
from linkloss.vehicle.loading import Vehicle

MS = 1_000_000


class Mechanism(Enum):
    """How a node came to break a rule. The values stand in results for programs."""

    ENDED = "ended"
    HUNG = "hung"
    RESTARTED = "restarted"
    NOT_STARTED = "not started"
    STAYED_BUS_OFF = "stayed bus-off"
    RETURNS = "returns"
    FILTERED = "filtered"
    OVERRUN = "overrun"
    NOT_READ = "not read"
    IGNORED = "ignored"
    ACCEPTED = "accepted"
    SILENCE = "silence"
    START = "start"
    UNTOLD = "untold"
    LIMIT = "limit"
    RHYTHM = "rhythm"
    NOT_SENT = "not sent"
    SENT_OLD = "sent old"
    SENT_WRONG = "sent wrong"
    INPUT = "input"
    NOT_TOLD = "not told"
    ROLLED_OVER = "rolled over"
    ASLEEP = "asleep"
    NO_WATCHDOG = "no watchdog"
    HARDWARE = "hardware"
    NOT_FOUND = "not found"


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """The cause of a broken rule.

    - ``node``: the node to look at; "" if none is known.
    - ``message``: the message that it is about; "" if it is about none, or several.
    - ``at_ns``: when it happened; None where it has no instant.
    - ``where``, ``text``: the place in the program (``file:line``), and what was said there.
    - ``repair``: what was set right to confirm it; None for what is seen without that.
    """

    mechanism: Mechanism
    node: str
    message: str = ""
    at_ns: int | None = None
    where: str = ""
    text: str = ""
    repair: Repair | None = None


def suspect(vehicle: Vehicle, verdict: Verdict) -> str:
    """The node that a rule points at: the culprit if it is known, else the node that the subject
    belongs to; empty for a subject that belongs to none.
    """
    subject = verdict.subject
    if verdict.culprit:
        return verdict.culprit
    if subject in vehicle.loads:
        return vehicle.loads[subject].node
    if subject in vehicle.notices:
        return vehicle.sender(split_signal(vehicle.notices[subject].signal)[0])
    if subject in vehicle.requests:
        return vehicle.sender(split_signal(subject)[0])
    return subject if subject in vehicle.nodes else ""


def vagueness(verdict: Verdict) -> int:
    """How little a rule says about why it broke: of several that one mistake breaks, the lowest
    tells it.
    """
    if verdict.subject == PROCESS or verdict.rule == "program":
        return 0
    if verdict.cause in _VAGUE:
        return 3
    return _VAGUE_RULES.get(verdict.rule.partition(" ")[0], 1)


_VAGUE = (Cause.OUT_OF_STEP, Cause.NOT_TOLD)
"""Causes that leave open which of two nodes is wrong."""
_VAGUE_RULES = {"rejoin": 2, "in": 2, "notice": 3, "end": 4}
"""By the first word of the rule."""


def diagnose(scenario: Scenario, subject: str, rule: str) -> Diagnosis:
    """Why a scenario breaks a rule of a subject. Runs the scenario again, in this process."""
    look = _Look(scenario, subject, rule)
    if look.verdict is None:
        return Diagnosis(Mechanism.NOT_FOUND, "")
    return look.found()


class _Look:
    """A watched run of a scenario, and what it shows of one broken rule."""

    def __init__(self, scenario: Scenario, subject: str, rule: str) -> None:
        self.scenario = scenario
        self.vehicle: Vehicle = scenario.vehicle
        self.place = (subject, rule)
        self.watching = Watching()
        self.recording = Session(scenario, watching=self.watching).run()
        self.verdicts = [v for v in judge(self.vehicle, self.recording) if v.broken]
        self.verdict = _of(self.verdicts, self.place)

    @cached_property
    def broken(self) -> Verdict:
        """The verdict on the rule."""
        assert self.verdict is not None
        return self.verdict

    @property
    def at_ns(self) -> int:
        """When the rule broke."""
        return self.broken.at_ns or 0

    @cached_property
    def node(self) -> str:
        """The node to look at: the one that the rule points at, or one before it in the chain."""
        if self.place[1] == "end to end":
            return self._asker() or suspect(self.vehicle, self.broken)
        if self.broken.cause is Cause.UNFOUNDED:
            return self._teller() or suspect(self.vehicle, self.broken)
        return suspect(self.vehicle, self.broken)

    def _asker(self) -> str:
        """The control node whose request for the load is wrong in its own right; "" if none is."""
        load = self.vehicle.loads.get(self.broken.subject)
        asked = () if load is None or load.request is None else load.request.names
        for verdict in self.verdicts:
            if verdict.rule == "control" and verdict.subject in asked:
                return suspect(self.vehicle, verdict)
        return ""

    def _teller(self) -> str:
        """The node whose status says that a load has failed: just before the notice, a signal of a
        few bits moved in it, and in no other's. "" if there is no such node.
        """
        notice, since_ns = self.vehicle.notices[self.broken.subject], self.at_ns - _TOLD_NS
        nodes = dict.fromkeys(self.vehicle.loads[load].node for load in notice.failed)
        told = [n for n in nodes if self._status_moved(n, since_ns - notice.within, self.at_ns)]
        return told[0] if len(told) == 1 else ""

    def _status_moved(self, node: str, from_ns: int, to_ns: int) -> bool:
        status = self.vehicle.nodes[node].status
        if status is None:
            return False
        info = self.vehicle.messages[status]
        few = [
            signal
            for name, signal in info.signals.items()
            if signal.length_bits <= _FEW_BITS and name not in info.guards
        ]
        seen = {
            tuple(signal.raw(data) for signal in few)
            for at_ns, data, _ in self.recording.handed.get(status, ())
            if from_ns <= at_ns <= to_ns and len(data) == info.length
        }
        return len(seen) > 1

    def found(self) -> Diagnosis:
        """The cause."""
        for fact in self._of_programs():
            return fact
        for candidate in self._with_repairs():
            if self._cured(candidate):
                return candidate
        return self._left_over()

    # ---- what is seen without a repair

    def _of_programs(self) -> Iterator[Diagnosis]:
        """Programs that ended, restarted, or never took part."""
        for crash in self.recording.crashes:
            if crash.at_ns <= self.at_ns and self._concerns(crash.node):
                yield _of_crash(crash)
        for change in self.recording.nodes.get(self.node, ()):
            if change.at_ns <= self.at_ns and self._restarts(change):
                yield self._of_restart(change)
        if self._never_took_part():
            text = next((p.text for p in self.recording.prints if p.node == self.node), "")
            yield Diagnosis(Mechanism.NOT_STARTED, self.node, text=text)

    def _concerns(self, node: str) -> bool:
        """Whether a node that no longer runs may explain the break."""
        return node == self.node or self.place[1] in ("end to end", "rejoin", "notice")

    def _restarts(self, change: NodeChange) -> bool:
        """Whether the program restarted itself, or its watchdog did, and nothing called for it."""
        return any(
            v.cause is Cause.RESET_ITSELF and v.subject == self.node and v.at_ns == change.at_ns
            for v in self.verdicts
        )

    def _of_restart(self, change: NodeChange) -> Diagnosis:
        """A program that fed its watchdog for a while, and then no more, hung."""
        changes = self.recording.nodes[self.node]
        place = changes.index(change)
        up_ns = change.at_ns - changes[place - 1].at_ns if place else 0
        longest_ns = self.vehicle.nodes[self.node].watchdog or 0
        hung = change.cause == "watchdog" and up_ns > longest_ns > 0
        mechanism = Mechanism.HUNG if hung else Mechanism.RESTARTED
        return Diagnosis(mechanism, self.node, at_ns=change.at_ns, text=change.cause)

    def _never_took_part(self) -> bool:
        """Whether a node with messages to send neither sent nor took anything, from its first start
        on.
        """
        node = self.node
        table = self.vehicle.nodes.get(node)
        if table is None or self._fault_at(node):
            return False
        sends = [m for m in self.vehicle.messages.values() if node in m.senders and m.period_ns]
        ran = [c for c in self.recording.nodes[node] if c.state == "running"]
        if not sends or not ran:
            return False
        if self.at_ns - ran[0].at_ns < 2 * max(m.period_ns or 0 for m in sends):
            return False
        if self.watching.taken.get(node):
            return False
        return not any(r.sender == node and r.error is None for r in self.recording.frames)

    def _fault_at(self, node: str) -> bool:
        return any(node in f.nodes or f.group == "cable" for f in self.recording.faults)

    # ---- what can be set right

    def _with_repairs(self) -> Iterator[Diagnosis]:
        """What may be the cause, each to be confirmed, the earliest link of the chain first."""
        node, at_ns = self.node, self.at_ns
        if node not in self.vehicle.nodes:
            return
        if self._begins_late():
            yield Diagnosis(Mechanism.ROLLED_OVER, node)
        if self.broken.cause in _TELLS_ITSELF:
            return
        states = self.recording.controllers.get(node, ())
        off = [c.at_ns for c in states if c.state == "BUS_OFF" and c.at_ns <= at_ns]
        if off:
            back = Repair.BROUGHT_BACK
            yield Diagnosis(Mechanism.STAYED_BUS_OFF, node, at_ns=off[-1], repair=back)
        came = [c for c in self.watching.came.get(node, ()) if c.at_ns <= at_ns]
        refused = next((c for c in came if c.filtered and c.flaw is None), None)
        if refused is not None:
            name = self._name(refused)
            yield Diagnosis(Mechanism.FILTERED, node, name, refused.at_ns, repair=Repair.UNFILTERED)
        lost = [r for r in self.recording.frames if node in r.lost_overrun and r.end_ns <= at_ns]
        if lost:
            yield Diagnosis(Mechanism.OVERRUN, node, at_ns=lost[0].end_ns, repair=Repair.ROOMY)
        flooded = any(fault.kind == "flood" for fault in self.recording.faults)
        for guard in GUARDS:
            flawed = [c for c in came if c.flaw is guard and not c.filtered]
            # without its frames there would be no flood, whatever the program does with them
            if flawed and not (flooded and guard is Repair.NO_STRANGERS):
                name, first_ns = self._name(flawed[-1]), flawed[-1].at_ns
                yield Diagnosis(Mechanism.ACCEPTED, node, name, first_ns, repair=guard)

    def _begins_late(self) -> bool:
        """Whether the node's clock begins other than at zero."""
        target = self.vehicle.nodes[self.node].target
        return self.node in self.scenario.clocks or bool(target and target.clock_start)

    def _cured(self, candidate: Diagnosis) -> bool:
        """Whether the rule is kept once what the candidate names is set right."""
        scenario, repairs = self.scenario, dict[str, Repair]()
        if candidate.repair is not None:
            repairs[candidate.node] = candidate.repair
        if candidate.mechanism is Mechanism.ROLLED_OVER:
            scenario = replace(scenario, clocks=_early(scenario.clocks, candidate.node))
        recording = Session(scenario, watching=Watching(repairs)).run()
        verdict = _of([v for v in judge(self.vehicle, recording) if v.broken], self.place)
        return verdict is None

    def _name(self, came: Came) -> str:
        """The message of a frame, or its identifier."""
        which = came.frame.identifier, came.frame.extended
        for info in self.vehicle.messages.values():
            if (info.identifier, info.extended) == which:
                return info.name
        return f"{came.frame.identifier:#x}"

    # ---- what is left

    def _left_over(self) -> Diagnosis:
        """The program got what it was told, and did the wrong thing."""
        node, broken = self.node, self.broken
        if not node:
            return Diagnosis(Mechanism.NOT_FOUND, "")
        unread = self._unread()
        if unread is not None and broken.cause not in _TELLS_ITSELF:
            return Diagnosis(Mechanism.NOT_READ, node, self._name(unread), unread.at_ns)
        return Diagnosis(self._by_rule(), node, self._about(), broken.at_ns)

    def _unread(self) -> Came | None:
        """The first frame that waited for its program for more than :data:`_WAITED_NS`."""
        taken = {(t.came_ns, id(t.frame)): t.at_ns for t in self.watching.taken.get(self.node, ())}
        hangs = self._fault_at(self.node)
        for came in self.watching.came.get(self.node, ()):
            if came.at_ns + _WAITED_NS > self.at_ns or hangs:
                return None
            at_ns = taken.get((came.at_ns, id(came.frame)))
            late = at_ns is None or at_ns - came.at_ns > _WAITED_NS
            if late and not came.filtered and came.flaw is None:
                return came
        return None

    def _by_rule(self) -> Mechanism:
        broken = self.broken
        cause, rule = broken.cause, broken.rule.split(" ")[0]
        if cause is Cause.COUNTER:
            first, _, second = broken.observed.partition(" to ")
            return Mechanism.SENT_OLD if first == second else Mechanism.SENT_WRONG
        if cause is Cause.FORBIDDEN_STATE and self._just_started():
            return Mechanism.START
        if cause in _BY_CAUSE:
            return _BY_CAUSE[cause]
        if rule in ("fresh", "steady", "reset", "stale", "never") and self._just_started():
            return Mechanism.START
        if broken.rule == "end to end":
            return self._end_to_end()
        return _BY_RULE.get(rule, Mechanism.IGNORED)

    def _just_started(self) -> bool:
        """Whether the node was reset shortly before, and nothing that it knew then may count."""
        table = self.vehicle.nodes[self.node]
        span_ns = table.slowest_boot_ns + 300 * MS
        resets = [c.at_ns for c in self.recording.nodes[self.node] if c.state in ("reset", "off")]
        return any(0 <= self.at_ns - at_ns <= span_ns for at_ns in resets)

    def _end_to_end(self) -> Mechanism:
        """The link of the chain that is broken on its own, if one is."""
        for verdict in self.verdicts:
            if suspect(self.vehicle, verdict) == self.node and verdict.cause in _BY_CAUSE:
                return _BY_CAUSE[verdict.cause]
        own = self.broken.subject in self.vehicle.loads
        load = self.vehicle.loads[self.broken.subject] if own else None
        return Mechanism.IGNORED if load and load.node == self.node else Mechanism.INPUT

    def _about(self) -> str:
        """The message that the rule is about, where it names one."""
        broken, messages = self.broken, self.vehicle.messages
        names = [broken.subject.partition(".")[0], *(n.partition(".")[0] for n in broken.about)]
        load = self.vehicle.loads.get(broken.subject)
        if load is not None and load.request is not None:
            names += [n.partition(".")[0] for n in load.request.names]
        return next((name for name in names if name in messages), "")


_TOLD_NS = 300 * MS
"""A status on its way to the driver takes this long at most, beside the time that is allowed."""
_FEW_BITS = 4
"""A signal of so few bits tells a state, not a measurement."""

_WAITED_NS = 100 * MS
"""A program that leaves a frame in its queue for longer does not read it, or reads it too late."""

_BACK_NS = 10_000 * MS
"""A clock that begins this much earlier, or a multiple of it, has the same phase in every round
period and is far from rolling over."""


def _early(clocks: Mapping[str, int], node: str) -> dict[str, int]:
    """The clocks with one that does not roll over."""
    return {**clocks, node: clocks.get(node, 0) % _BACK_NS or 1}


def _of(verdicts: list[Verdict], place: tuple[str, str]) -> Verdict | None:
    found = [v for v in verdicts if (v.subject, v.rule) == place]
    return min(found, key=lambda v: v.at_ns or 0, default=None)


def _of_crash(crash: Crash) -> Diagnosis:
    """A program that ended; one whose bit timing is refused was never on the bus."""
    text = crash.text.lower()
    if "endless loop" in text:
        return Diagnosis(
            Mechanism.HUNG, crash.node, at_ns=crash.at_ns, where=crash.where, text=crash.text
        )
    timing = any(word in text or word in crash.where for word in _OF_BIT_TIMING)
    mechanism = Mechanism.NOT_STARTED if timing else Mechanism.ENDED
    return Diagnosis(mechanism, crash.node, at_ns=crash.at_ns, where=crash.where, text=crash.text)


_OF_BIT_TIMING = ("bit timing", "bit rate", "bitrate", "bit/s", "interface", "channel")

_BY_CAUSE: Mapping[Cause | None, Mechanism] = {
    Cause.SILENT: Mechanism.NOT_SENT,
    Cause.OVERDUE: Mechanism.NOT_SENT,
    Cause.TOO_SOON: Mechanism.NOT_SENT,
    Cause.NOTHING_NEW: Mechanism.NOT_SENT,
    Cause.UNREACHED: Mechanism.NOT_SENT,
    Cause.ASKED_WRONG: Mechanism.INPUT,
    Cause.ASKED_OLD: Mechanism.SENT_OLD,
    Cause.CHECKSUM: Mechanism.SENT_WRONG,
    Cause.LENGTH: Mechanism.SENT_WRONG,
    Cause.RANGE: Mechanism.SENT_WRONG,
    Cause.COUNTER: Mechanism.SENT_WRONG,
    Cause.FOREIGN: Mechanism.SENT_WRONG,
    Cause.UNSENT: Mechanism.SENT_WRONG,
    Cause.UNDEFINED: Mechanism.SENT_WRONG,
    Cause.SENSOR: Mechanism.SENT_WRONG,
    Cause.TOO_MANY_RETURNS: Mechanism.RETURNS,
    Cause.TOO_LOUD: Mechanism.RETURNS,
    Cause.SLEEP_UNDECLARED: Mechanism.ASLEEP,
    Cause.SLEEP_TOO_EARLY: Mechanism.ASLEEP,
    Cause.SLEPT_ON: Mechanism.ASLEEP,
    Cause.STILL_AWAKE: Mechanism.ASLEEP,
    Cause.WOKEN: Mechanism.ASLEEP,
    Cause.LOAD_WHILE_ASLEEP: Mechanism.ASLEEP,
    Cause.UNFOUNDED: Mechanism.NOT_TOLD,
    Cause.NOT_GIVEN: Mechanism.NOT_TOLD,
    Cause.NOT_TOLD: Mechanism.NOT_TOLD,
    Cause.NEVER_TOLD: Mechanism.NOT_TOLD,
    Cause.TRIED_TOO_OFTEN: Mechanism.LIMIT,
    Cause.TRIED_TOO_SOON: Mechanism.LIMIT,
    Cause.FORBIDDEN_STATE: Mechanism.LIMIT,
    Cause.NOT_BEGUN: Mechanism.RHYTHM,
    Cause.NOT_LIT_AGAIN: Mechanism.RHYTHM,
    Cause.RATE: Mechanism.RHYTHM,
    Cause.ON_SHARE: Mechanism.RHYTHM,
    Cause.OUT_OF_STEP: Mechanism.RHYTHM,
    Cause.LEFT_RHYTHM: Mechanism.RHYTHM,
    Cause.NO_WATCHDOG: Mechanism.NO_WATCHDOG,
    Cause.NOT_RESTARTED: Mechanism.NO_WATCHDOG,
    Cause.LATE_DARK: Mechanism.START,
    Cause.RAN_WILD: Mechanism.HARDWARE,
    Cause.STARVED: Mechanism.HARDWARE,
    Cause.FEED_FUSE: Mechanism.HARDWARE,
    Cause.OWN_FUSE: Mechanism.HARDWARE,
    Cause.POWER_WHEN_OFF: Mechanism.HARDWARE,
    Cause.NO_POWER: Mechanism.HARDWARE,
    Cause.PART_POWER: Mechanism.HARDWARE,
    Cause.SHORT_TOOK_NODE: Mechanism.HARDWARE,
    Cause.SHORT_TOOK_LOAD: Mechanism.HARDWARE,
    Cause.NOT_BACK: Mechanism.START,
}

_TELLS_ITSELF = frozenset(
    cause
    for cause, mechanism in _BY_CAUSE.items()
    if mechanism
    in (Mechanism.SENT_WRONG, Mechanism.RETURNS, Mechanism.HARDWARE, Mechanism.NO_WATCHDOG)
)
"""Causes that say what is wrong; nothing that reached the node can excuse them."""

_BY_RULE = {
    "fresh": Mechanism.IGNORED,
    "level": Mechanism.IGNORED,
    "rejoin": Mechanism.IGNORED,
    "local": Mechanism.INPUT,
    "control": Mechanism.INPUT,
    "sensor": Mechanism.SENT_WRONG,
    "cycle": Mechanism.NOT_SENT,
    "stale": Mechanism.SILENCE,
    "then": Mechanism.SILENCE,
    "reset": Mechanism.START,
    "dark": Mechanism.START,
    "steady": Mechanism.UNTOLD,
    "flash": Mechanism.RHYTHM,
    "in": Mechanism.RHYTHM,
    "never": Mechanism.LIMIT,
    "longest_on": Mechanism.LIMIT,
    "shortest_off": Mechanism.LIMIT,
    "trip": Mechanism.LIMIT,
    "tries": Mechanism.LIMIT,
    "notice": Mechanism.NOT_TOLD,
    "stopped": Mechanism.NO_WATCHDOG,
    "asleep": Mechanism.ASLEEP,
    "fed": Mechanism.HARDWARE,
    "power": Mechanism.HARDWARE,
    "neighbours": Mechanism.HARDWARE,
    "back": Mechanism.START,
}
