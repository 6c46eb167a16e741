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

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from functools import cached_property, partial
from itertools import pairwise
from math import ceil

from linkloss.campaign.mechanism import (
    BY_CAUSE,
    BY_RULE,
    MISSING,
    OF_STATES,
    TELLS_ITSELF,
    Diagnosis,
    Mechanism,
    of_crash,
    suspect,
)
from linkloss.judge import Verdict, judge
from linkloss.judge.route_rules import GATEWAY_STALE
from linkloss.judge.verdict import Cause
from linkloss.recording import NodeChange, Recording
from linkloss.scenario import Scenario
from linkloss.session import Session
from linkloss.session.watched import GUARDS, Came, Repair, Setting, Watching
from linkloss.vehicle.expression import Value, split_signal
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.messages import MessageInfo

MS = 1_000_000


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
        if self.broken.cause in (Cause.NOT_TOLD, Cause.NEVER_TOLD):
            return self._keeper() or suspect(self.vehicle, self.broken)
        return suspect(self.vehicle, self.broken)

    def _asker(self) -> str:
        """The control node whose request for the load is wrong in its own right; "" if none is."""
        load = self.vehicle.loads.get(self.broken.subject)
        asked = () if load is None or load.request is None else load.request.names
        for verdict in self.verdicts:
            if verdict.rule == "control" and verdict.subject in asked:
                return suspect(self.vehicle, verdict)
        if not self._as_told() or self._unprotected():
            return ""
        return self.vehicle.sender(split_signal(asked[0])[0])

    def _as_told(self) -> bool:
        """Whether the load is in the state that the last messages ask for, each of its messages
        having just come.
        """
        load = self.vehicle.loads.get(self.broken.subject)
        if load is None or load.flash is not None or self.broken.observed not in ("on", "off"):
            return False
        return self._asks_for_it(self.at_ns) is (self.broken.observed == "on")

    def _asks_for_it(self, at_ns: int) -> bool | None:
        """Whether the last messages before an instant ask for the load; None if one is not there,
        or old.
        """
        load = self.vehicle.loads[self.broken.subject]
        told: dict[str, Value] = {}
        for name in () if load.request is None else load.request.names:
            message, signal = split_signal(name)
            last = next(
                (
                    each
                    for each in reversed(self.watching.came.get(load.node, ()))
                    if each.at_ns <= at_ns
                    and each.flaw is None
                    and not each.filtered
                    and self._name(each) == message
                ),
                None,
            )
            info = self.vehicle.messages.get(message)
            if info is None or last is None:
                return None
            if at_ns - last.at_ns > (load.stale_after or 2 * (info.period_ns or 0)):
                return None
            told[name] = info.signals[signal].raw(last.frame.data)
        return None if load.request is None else load.request(told)

    def _teller(self) -> str:
        """The node whose status tells of a failure while the notice is given; "" if none does, or
        several.
        """
        notice = self.vehicle.notices[self.broken.subject]
        nodes = dict.fromkeys(self.vehicle.loads[load].node for load in notice.failed)
        told = [node for node in nodes if self._status_tells(node)]
        return told[0] if len(told) == 1 else ""

    def _keeper(self) -> str:
        """The node that keeps a failure to itself though it was told of it; "" if it was not."""
        load, notices = self.broken.subject, self.vehicle.notices.values()
        if not self._status_tells(self.vehicle.loads[load].node):
            return ""
        signal = next(notice.signal for notice in notices if load in notice.failed)
        return self.vehicle.sender(split_signal(signal)[0])

    def _status_tells(self, node: str) -> bool:
        """Whether a signal of a few bits in a node's status is set now, and once was not."""
        status = self.vehicle.nodes[node].status
        if status is None:
            return False
        info = self.vehicle.messages[status]
        few = [
            signal
            for name, signal in info.signals.items()
            if signal.length_bits <= _FEW_BITS and name not in info.guards
        ]
        seen = [
            [signal.raw(data) for signal in few]
            for at_ns, data, _ in self.recording.handed.get(status, ())
            if at_ns <= self.at_ns and len(data) == info.length
        ]
        return any(values[-1] and not all(values) for values in zip(*seen, strict=True))

    def found(self) -> Diagnosis:
        """The cause."""
        for fact in self._of_programs():
            return fact
        for candidate in self._with_repairs():
            if self._cured(candidate):
                if candidate.mechanism is Mechanism.ROLLED_OVER:
                    return replace(candidate, where=self._compared(candidate.node))
                return self._ignored_since(candidate) or candidate
        return self._left_over()

    def _ignored_since(self, candidate: Diagnosis) -> Diagnosis | None:
        """What a cured acceptance is after all, if the program reads nothing behind a frame
        that has to be refused, or if the load stood still behind the last of them while good ones
        told it otherwise: that frame was not acted on, it put the program off the good ones. None
        if it is what it seems.
        """
        if candidate.mechanism is not Mechanism.ACCEPTED:
            return None
        unread = self._unread()
        if unread is not None and not self._takes_any(unread.at_ns):
            name = self._name(unread)
            return replace(candidate, mechanism=Mechanism.NOT_READ, message=name)
        moves = self.recording.commands.get(self.broken.subject)
        told = self.broken.cause in (Cause.OTHER_STATE, Cause.NOT_AS_INPUTS_ASK)
        if moves is None or not told:
            return None
        came = self.watching.came[candidate.node]
        last_ns = max(c.at_ns for c in came if c.flaw is candidate.repair and c.at_ns <= self.at_ns)
        good = [c for c in self._good if last_ns < c.at_ns <= self.at_ns]
        if len(good) < _ENOUGH or any(last_ns < at_ns <= self.at_ns for at_ns in moves.times):
            return None
        return replace(candidate, mechanism=Mechanism.IGNORED)

    def _takes_any(self, since_ns: int) -> bool:
        """Whether the program takes a frame out of its queue from an instant to the break."""
        taken = self.watching.taken.get(self.node, ())
        return any(since_ns <= each.at_ns <= self.at_ns for each in taken)

    # ---- what is seen without a repair

    def _of_programs(self) -> Iterator[Diagnosis]:
        """Programs that ended, restarted, or never took part."""
        for crash in self.recording.crashes:
            if crash.at_ns <= self.at_ns and self._concerns(crash.node):
                yield of_crash(crash)
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
        """A program that its watchdog ends hung, unless it went on sending up to then, or was given
        much less than the declared time.
        """
        changes = self.recording.nodes[self.node]
        place = changes.index(change)
        up_ns = change.at_ns - changes[place - 1].at_ns if place else 0
        longest_ns = self.vehicle.nodes[self.node].watchdog or 0
        works = up_ns < longest_ns // 2 or self._handed_until(change.at_ns)
        hung = change.cause == "watchdog" and not works
        mechanism = Mechanism.HUNG if hung else Mechanism.RESTARTED
        return Diagnosis(mechanism, self.node, at_ns=change.at_ns, text=change.cause)

    def _handed_until(self, at_ns: int) -> bool:
        """Whether the node's program handed over its messages right up to an instant."""
        for info in self.vehicle.messages.values():
            if self.node not in info.senders or not info.period_ns:
                continue
            handed = self.recording.handed.get(info.name, ())
            if any(0 <= at_ns - each.at_ns <= 3 * info.period_ns // 2 for each in handed):
                return True
        return False

    def _never_took_part(self) -> bool:
        """Whether a node with messages to send neither sent nor took anything, from its first start
        on.
        """
        node = self.node
        if node not in self.vehicle.nodes or self._fault_at(node):
            return False
        sends = [m for m in self.vehicle.messages.values() if node in m.senders and m.period_ns]
        ran = [c for c in self.recording.nodes[node] if c.state == "running"]
        if not sends or not ran or any(c.state == "off" for c in self.recording.nodes[node]):
            return False
        up_ns = self.recording.end_ns - ran[0].at_ns
        if up_ns < 2 * max(info.period_ns or 0 for info in sends):
            return False
        if any(r.sender == node and r.error is None for r in self.recording.frames):
            return False
        controller = self.watching.controllers[node]
        return controller.listen_only or not controller.powered or not self.watching.taken[node]

    def _fault_at(self, node: str) -> bool:
        faults = self.recording.faults_on(*self.vehicle.file.buses_of(node))
        return any(node in fault.nodes or fault.group == "cable" for fault in faults)

    # ---- what can be set right

    def _with_repairs(self) -> Iterator[Diagnosis]:
        """What may be the cause, each to be confirmed, the earliest link of the chain first."""
        node, at_ns = self.node, self.at_ns
        if node not in self.vehicle.nodes:
            return
        if self._begins_late():
            yield Diagnosis(Mechanism.ROLLED_OVER, node)
        if self.broken.cause in TELLS_ITSELF:
            return
        for bus in self.vehicle.file.buses_of(node):
            states = self.recording.states(node, bus)
            last = next((c for c in reversed(states) if c.at_ns <= at_ns), None)
            if last is None or last.state != "BUS_OFF":
                continue
            back = Repair.BROUGHT_BACK
            yield Diagnosis(Mechanism.STAYED_BUS_OFF, node, at_ns=last.at_ns, repair=back)
        came = [c for c in self.watching.came.get(node, ()) if c.at_ns <= at_ns]
        refused = {self._name(c): c.at_ns for c in reversed(came) if c.filtered and c.flaw is None}
        for name, first_ns in refused.items():
            if name in self._needed:
                filtered = Mechanism.FILTERED
                yield Diagnosis(filtered, node, name, first_ns, repair=Repair.UNFILTERED)
        lost = [r.end_ns for r in self.recording.frames if node in r.lost_overrun]
        lost += [taken.at_ns for taken in self.watching.lost.get(node, ())]
        if lost and min(lost) <= at_ns:
            yield Diagnosis(Mechanism.OVERRUN, node, at_ns=min(lost), repair=Repair.ROOMY)
        faults = self.recording.faults_on(*self.vehicle.file.buses_of(node))
        flooded = any(fault.kind == "flood" for fault in faults)
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
        scenario, repairs = self.scenario, dict[str, Setting]()
        if candidate.repair is not None:
            info = self.vehicle.messages.get(candidate.message)
            alone = info is not None and candidate.repair is Repair.UNFILTERED
            which = (info.identifier, info.extended) if info and alone else None
            repairs[candidate.node] = Setting(candidate.repair, which)
        if candidate.mechanism is Mechanism.ROLLED_OVER:
            scenario = replace(scenario, clocks=_early(scenario.clocks, candidate.node))
        recording = Session(scenario, watching=Watching(repairs)).run()
        verdict = _of([v for v in judge(self.vehicle, recording) if v.broken], self.place)
        return verdict is None

    def _compared(self, node: str) -> str:
        """Where the program of a node goes another way when its clock begins so much earlier that
        it does not roll over, if it is an image; "" where that is not known. A clock near zero
        would show where the program tells its beginning from later.
        """
        if not self.vehicle.nodes[node].runs_image:
            return ""
        from linkloss.firmware.image import Image  # only if there is one

        program = self.vehicle.programs.get(node)
        if not isinstance(program, Image):
            return ""
        scenario, target = self.scenario, self.vehicle.nodes[node].target
        start_ns = scenario.clocks.get(node, target.clock_start)
        back_ns = ceil((scenario.lasts_ns + 1_000 * MS) / _BACK_NS) * _BACK_NS
        clocks = {**scenario.clocks, node: max(1, start_ns - back_ns)}
        scenarios = (scenario, replace(scenario, clocks=clocks))
        first, second = (partial(Session(each).run) for each in scenarios)
        return program.parts(first, second)

    @cached_property
    def _needed(self) -> frozenset[str]:
        """The messages that the subject depends on: those that its conditions name; for what is no
        load, all of other nodes.
        """
        messages, load = self.vehicle.messages, self.vehicle.loads.get(self.broken.subject)
        if load is None:
            return frozenset(n for n, info in messages.items() if self.node not in info.senders)
        conditions = [load.request, load.local, *(entry.when for entry in load.never)]
        names = [n for condition in conditions if condition is not None for n in condition.names]
        return frozenset(split_signal(name)[0] for name in names) & messages.keys()

    def _name(self, came: Came) -> str:
        """The message of a frame, or its identifier."""
        identifier = came.frame.identifier
        info = self._messages[came.bus].get((identifier, came.frame.extended))
        return f"{identifier:#x}" if info is None else info.name

    @cached_property
    def _messages(self) -> Mapping[str, Mapping[tuple[int, bool], MessageInfo]]:
        """The messages on each bus."""
        return {name: self.vehicle.messages_on(name) for name in self.vehicle.file.bus}

    def _left_over(self) -> Diagnosis:
        """The program got what it was told, and did the wrong thing."""
        node, broken = self.node, self.broken
        if not node:
            return Diagnosis(Mechanism.NOT_FOUND, "")
        unread = self._unread()
        if unread is not None and broken.cause not in TELLS_ITSELF:
            return Diagnosis(Mechanism.NOT_READ, node, self._name(unread), unread.at_ns)
        mechanism, message = self._by_rule(), self._about()
        if mechanism is Mechanism.NOT_SENT and self._sent_as_another(message):
            return Diagnosis(Mechanism.SENT_WRONG, node, "", broken.at_ns)
        of_sender = mechanism in (Mechanism.NOT_SENT, Mechanism.SENT_WRONG)
        if of_sender and node not in self._senders(message):
            message = ""
        return Diagnosis(mechanism, node, message, broken.at_ns)

    def _sent_as_another(self, message: str) -> bool:
        """Whether the node hands over frames that are none of its messages, and this one never."""
        foreign = any(each.node == self.node for each in self.recording.foreign)
        return foreign and bool(message) and not self.recording.handed.get(message)

    def _senders(self, message: str) -> tuple[str, ...]:
        info = self.vehicle.messages.get(message)
        return () if info is None else info.senders

    def _unread(self) -> Came | None:
        """The first good frame that waited for its program for too long: a needed one longer than
        the load's latency. What came before the program took its first frame may have been thrown
        away as it opened its port.
        """
        taken = self.watching.taken.get(self.node, [])
        if self._fault_at(self.node) or (taken and self._slept()):
            return None
        load = self.vehicle.loads.get(self.broken.subject)
        longest_ns = _WAITED_NS if load is None else load.latency
        since_ns = taken[0].came_ns if taken else 0
        read = {(t.came_ns, id(t.frame)): t.at_ns for t in taken}
        for one in self._good:
            if one.at_ns + longest_ns > self.at_ns:
                return None
            at_ns = read.get((one.at_ns, id(one.frame)))
            late = at_ns is None or at_ns - one.at_ns > longest_ns
            if late and not one.filtered and one.at_ns >= since_ns:
                return one
        return None

    def _slept(self) -> bool:
        return any(change.state == "asleep" for change in self.recording.nodes[self.node])

    def _by_rule(self) -> Mechanism:
        """What the rule says of a program that got everything it had to get."""
        broken = self.broken
        cause, rule = broken.cause, broken.rule.split(" ")[0]
        if cause is Cause.COUNTER:
            first, _, second = broken.observed.partition(" to ")
            return Mechanism.SENT_OLD if first == second else Mechanism.SENT_WRONG
        if self._state() == "asleep":
            return Mechanism.ASLEEP
        if cause is Cause.FORBIDDEN_STATE and self._just_started():
            return Mechanism.START
        if cause is Cause.SENSOR and self._stands_still():
            return Mechanism.SENT_OLD
        if cause in (Cause.NOT_BEGUN, Cause.NOT_LIT_AGAIN) and self._stays_dark():
            return self._of_darkness()
        if cause is Cause.PASSED_OLD and broken.rule == GATEWAY_STALE:
            return Mechanism.SILENCE
        if cause in BY_CAUSE:
            return self._of_cause(broken)
        if rule in OF_STATES and self._just_started():
            return Mechanism.START
        if cause is Cause.UNCAUSED and rule in ("fresh", "steady"):
            return self._uncaused()
        if cause is Cause.UNCAUSED and rule == "local" and not self._local_moved():
            return Mechanism.UNTOLD
        if broken.rule == "end to end":
            return self._end_to_end()
        found = BY_RULE.get(rule, Mechanism.IGNORED)
        return Mechanism.NOT_SENT if found is Mechanism.IGNORED and self._mute() else found

    def _stays_dark(self) -> bool:
        """Whether a load that has to flash is dark, and stays so as long as it has to."""
        moves = self.recording.commands[self.broken.subject]
        until_ns = self.at_ns + (self.broken.wrong_for_ns or 0)
        return not moves.at(self.at_ns) and not any(
            self.at_ns < at_ns < until_ns for at_ns in moves.times
        )

    def _of_darkness(self) -> Mechanism:
        """Why a load does not flash at all: while no message comes it has to know by itself; one
        that stays dark however long it is asked for was not asked in the program's eyes.
        """
        load = self.vehicle.loads[self.broken.subject]
        since_ns = self.at_ns - (load.stale_after or 0)
        good = [came for came in self._good if came.at_ns <= self.at_ns]
        if load.request is None or not good or good[-1].at_ns < since_ns:
            return Mechanism.INPUT if self._local_holds() else Mechanism.SILENCE
        asked_ns = self.at_ns
        for came in reversed(good):
            if not self._asks_for_it(came.at_ns):
                break
            asked_ns = came.at_ns
        if asked_ns == self.at_ns:
            return Mechanism.RHYTHM
        held = replace(
            self.scenario,
            actions=tuple(each for each in self.scenario.actions if each.at_ns <= self.at_ns),
            lasts_ns=max(self.scenario.lasts_ns, self.at_ns + _HELD_NS),
        )
        moves = Session(held).run().commands[self.broken.subject].times
        return Mechanism.RHYTHM if any(at_ns > asked_ns for at_ns in moves) else Mechanism.IGNORED

    def _local_holds(self) -> bool:
        """Whether the load's own inputs ask for it."""
        local = self.vehicle.loads[self.broken.subject].local
        if local is None:
            return False
        seen = self.recording.seen
        lines = {name: seen.get((name, self.node)) for name in local.names}
        values = {name: line.at(self.at_ns) for name, line in lines.items() if line is not None}
        return len(values) == len(lines) and local(values)

    def _mute(self) -> bool:
        """Whether the node does not send its own messages either."""
        return any(
            v.cause in (Cause.SILENT, Cause.OVERDUE) and suspect(self.vehicle, v) == self.node
            for v in self.verdicts
        )

    def _state(self) -> str:
        """What the node's program did when the rule broke: running, asleep, ..."""
        changes = self.recording.nodes[self.node]
        last = next((c for c in reversed(changes) if c.at_ns <= self.at_ns), None)
        return "" if last is None else last.state

    def _of_cause(self, broken: Verdict) -> Mechanism:
        """What the cause of a rule says. A wrong request that also comes late or not at all is one
        that was not sent.
        """
        if broken.cause is not Cause.ASKED_WRONG:
            return BY_CAUSE[broken.cause]
        name = split_signal(broken.subject)[0]
        for verdict in self.verdicts:
            about = {verdict.subject, *verdict.about}
            if name in about and verdict.cause in MISSING:
                return Mechanism.NOT_SENT
        table = self.vehicle.requests[broken.subject]
        own = {each for condition in table.conditions for each in condition.names}
        if self._just_started():
            passes = self._late(broken, own) or self._cut_short(broken)
            return Mechanism.START if passes else Mechanism.INPUT
        if self._bounced(own):
            return Mechanism.INPUT
        return Mechanism.SENT_WRONG if self._concludes(broken) else Mechanism.INPUT

    def _cut_short(self, broken: Verdict) -> bool:
        """Whether it was wrong until its node was reset."""
        right_ns = (broken.at_ns or 0) + (broken.wrong_for_ns or 0)
        changes = self.recording.nodes[self.node]
        return any(c.state == "reset" and c.at_ns == right_ns for c in changes)

    def _bounced(self, names: set[str]) -> bool:
        """Whether one of these inputs bounces because of a fault."""
        faults = [each.fault for each in self.scenario.faults if each.at_ns <= self.at_ns]
        return any(
            each.kind == "bounce" and getattr(each, "input", None) in names for each in faults
        )

    def _concludes(self, asked: Verdict) -> bool:
        """Whether a program that asks for the wrong state knew its inputs: it moved there as one
        of them moved, once, or stayed there, or went there, while none did. Where one bounced, or
        another input moved, it read them wrongly; where it did not follow, too late or not at all.
        """
        at_ns, table = asked.at_ns or 0, self.vehicle.requests[asked.subject]
        since_ns = at_ns - table.debounce - table.latency
        own = {name for condition in table.conditions for name in condition.names}
        others = {name for name, node in self.recording.seen if node == self.node} - own
        moves = self._moves(own, since_ns, at_ns)
        shown = [value for value in self._shown(asked.subject) if value[0] <= at_ns]
        if len(shown) > 1 and shown[-1][0] == at_ns and shown[-1][1] != shown[-2][1]:
            return moves == 1 or not moves + self._moves(others, since_ns, at_ns)
        if not moves:
            return True
        if self._late(asked, own):
            return False
        return self._knows(own, asked.subject, since_ns, at_ns) or self._reacts(asked, own)

    def _late(self, asked: Verdict, names: set[str]) -> bool:
        """Whether a request came right by itself, and not as one of these inputs moved again."""
        table = self.vehicle.requests[asked.subject]
        right_ns = (asked.at_ns or 0) + (asked.wrong_for_ns or 0)
        since_ns = right_ns - table.debounce - table.latency
        changed = any(
            a[1] != b[1] and asked.at_ns is not None and asked.at_ns < b[0] <= right_ns
            for a, b in pairwise(self._shown(asked.subject))
        )
        return changed and not self._moves(names, since_ns, right_ns)

    def _reacts(self, asked: Verdict, names: set[str]) -> bool:
        """Whether a request that does not follow one of these inputs follows it in time, if it is
        moved elsewhere at that instant: the program reads it then, and concludes the wrong thing.
        """
        table, at_ns = self.vehicle.requests[asked.subject], asked.at_ns or 0
        span_ns = table.debounce + table.latency
        return any(
            self._changes(asked.subject, action.at_ns, {**action.values, name: value}, span_ns)
            for action in self.scenario.actions
            if at_ns - span_ns <= action.at_ns <= at_ns
            for name in names & action.values.keys()
            for value in self._elsewhere(name, action.values[name])
        )

    def _elsewhere(self, name: str, value: Value) -> list[Value]:
        """Other values of an input: all positions of a switch, the ends of a sensor's range."""
        table = self.vehicle.inputs[name]
        values: tuple[Value, ...] = table.positions or table.range or ()
        return [other for other in values if other != value]

    def _changes(
        self, signal: str, at_ns: int, values: Mapping[str, Value], within_ns: int
    ) -> bool:
        """Whether a request changes in time if the inputs move to these values at an instant."""
        actions = tuple(
            replace(each, values=values) if each.at_ns == at_ns else each
            for each in self.scenario.actions
        )
        tried = Session(replace(self.scenario, actions=actions)).run()
        shown = self._shown(signal, tried)
        return any(a[1] != b[1] and at_ns < b[0] <= at_ns + within_ns for a, b in pairwise(shown))

    def _knows(self, names: set[str], but: str, from_ns: int, to_ns: int) -> bool:
        """Whether the node showed in a span of time that it read one of these inputs that moved in
        it: something else that follows the input moved as well.
        """
        moved = {name for name in names if self._moves([name], from_ns, to_ns)}
        for signal, table in self.vehicle.requests.items():
            sender = self.vehicle.sender(split_signal(signal)[0])
            follows = {name for condition in table.conditions for name in condition.names}
            if signal != but and sender == self.node and moved & follows:
                shown = self._shown(signal)
                if any(a[1] != b[1] and from_ns <= b[0] <= to_ns for a, b in pairwise(shown)):
                    return True
        for name, load in self.vehicle.loads.items():
            if load.node == self.node and load.local and moved & {*load.local.names}:
                times = self.recording.commands[name].times
                if any(from_ns <= at_ns <= to_ns for at_ns in times):
                    return True
        return False

    def _shown(self, reference: str, recording: Recording | None = None) -> list[tuple[int, int]]:
        """Every value of a signal that its sender handed over and its controller took, and when; in
        this run, or in another.
        """
        message, signal = split_signal(reference)
        info = self.vehicle.messages[message]
        field = info.signals[signal]
        return [
            (each.at_ns, field.raw(each.data))
            for each in (recording or self.recording).handed.get(message, ())
            if each.taken and len(each.data) == info.length and field.present(each.data)
        ]

    def _local_moved(self) -> bool:
        """Whether an input that the load follows by itself has just moved."""
        load = self.vehicle.loads[self.broken.subject]
        names = () if load.local is None else load.local.names
        return self._moves(names, self.at_ns - load.debounce - load.latency, self.at_ns) > 0

    def _moves(self, names: Iterable[str], from_ns: int, to_ns: int) -> int:
        """How often the node saw one of these inputs move in a span of time."""
        seen = [self.recording.seen.get((name, self.node)) for name in names]
        return sum(from_ns <= at_ns <= to_ns for line in seen if line for at_ns in line.times)

    def _stands_still(self) -> bool:
        """Whether a signal was right once and has not moved since."""
        values = {value for _, value in self._shown(self.broken.subject)}
        return len(values) == 1 and not self._just_started()

    def _uncaused(self) -> Mechanism:
        """A load that changed although nothing called for it: as a message came, into the state of
        a lost link while none did, or out of the blue.
        """
        load = self.vehicle.loads[self.broken.subject]
        changed_ns = self._content_changed(self.at_ns - load.latency)
        moves = self.recording.commands[self.broken.subject].times
        followed = any(changed_ns <= move < self.at_ns for move in moves)
        if changed_ns and not followed:
            limited = load.shortest_off or load.longest_on or load.trip or load.never
            return Mechanism.LIMIT if limited and self._as_told() else Mechanism.IGNORED
        if self.broken.observed != load.on_stale or self._loaded():
            return Mechanism.UNTOLD
        both = (self.at_ns, self.at_ns + (self.broken.wrong_for_ns or 0))
        if load.stale_after and self._kept_coming(*both, load.stale_after):
            return Mechanism.IGNORED
        with_messages = all(self._one_came_before(at_ns, load.latency // 2) for at_ns in both)
        return Mechanism.IGNORED if with_messages else Mechanism.SILENCE

    def _kept_coming(self, from_ns: int, to_ns: int, stale_ns: int) -> bool:
        """Whether good messages came all through a span of time that is longer than a right program
        could take it for a silence.
        """
        came = [each.at_ns for each in self._good if from_ns < each.at_ns < to_ns]
        gaps = [after - before for before, after in pairwise([from_ns, *came, to_ns])]
        return to_ns - from_ns > 2 * stale_ns and max(gaps) < stale_ns

    def _one_came_before(self, at_ns: int, by_ns: int) -> bool:
        """Whether a good message that the subject needs came within a time before an instant."""
        return any(at_ns - by_ns <= came.at_ns <= at_ns for came in self._good)

    @cached_property
    def _good(self) -> list[Came]:
        """What came to the node of the messages that the subject needs, and was good."""
        came = self.watching.came.get(self.node, ())
        return [c for c in came if c.flaw is None and self._name(c) in self._needed]

    def _loaded(self) -> bool:
        """Whether something is wrong with the supply or with a load."""
        return any(f.group == "output" or f.kind == "brown_out" for f in self.recording.faults)

    def _content_changed(self, since_ns: int) -> int:
        """When a message that the subject needs first brought its node other content since then; 0
        if none did.
        """
        last: dict[str, list[int]] = {}
        for came in self._good:
            name = self._name(came)
            if came.at_ns > self.at_ns:
                break
            info = self.vehicle.messages[name]
            data, guards = came.frame.data, info.guards
            content = [s.raw(data) for key, s in info.signals.items() if key not in guards]
            if last.get(name) != content and came.at_ns >= since_ns:
                return came.at_ns
            last[name] = content
        return 0

    def _just_started(self) -> bool:
        """Whether the node was reset shortly before, and did not stay wrong to the end, nor go on
        doing wrong. At its first start, a message that it was told is past that.
        """
        table = self.vehicle.nodes[self.node]
        span_ns = table.slowest_boot_ns + 300 * MS
        resets = [c.at_ns for c in self.recording.nodes[self.node] if c.state in ("reset", "off")]
        right_ns = self.at_ns + (self.broken.wrong_for_ns or 0)
        if self.broken.cause is Cause.UNCAUSED and self.broken.more >= 2 * len(resets):
            return False  # more than on and off for each
        told = self.broken.rule == "fresh"
        if self.broken.cause is Cause.OTHER_STATE:
            to_end = right_ns >= self.recording.end_ns - span_ns
            if to_end and not told:
                return any(r <= self.at_ns for r in resets[1:])
            resets = resets[1:] if to_end or told else resets
        return any(0 <= self.at_ns - at_ns <= span_ns for at_ns in resets)

    def _end_to_end(self) -> Mechanism:
        """The link of the chain that is broken on its own, if one is; a message that nobody can
        tell from a false one, if its content is.
        """
        if self._unprotected():
            return Mechanism.UNPROTECTED
        for verdict in self.verdicts:
            if suspect(self.vehicle, verdict) == self.node and verdict.cause in BY_CAUSE:
                return self._of_cause(verdict)
        load = self.vehicle.loads.get(self.broken.subject)
        if load and load.node == self.node and not self._as_told():
            return Mechanism.IGNORED
        return Mechanism.START if self._just_started() else Mechanism.INPUT

    def _unprotected(self) -> bool:
        """Whether a fault changed content, and a message that the subject needs has not the
        checksum, or the counter, that would show it.
        """
        faults = [f.kind for f in self.recording.faults if f.content and f.applied_ns < self.at_ns]
        needed = [self.vehicle.messages[name] for name in self._needed]
        return any(
            (info.checksum if kind == "alter" else info.counter) is None
            for info in needed
            for kind in faults
        )

    def _about(self) -> str:
        """The message that the rule is about, where it names one."""
        broken, messages = self.broken, self.vehicle.messages
        if broken.subject in self.vehicle.routes:
            route = self.vehicle.routes[broken.subject]
            silent = broken.rule == GATEWAY_STALE
            return route.source_message if silent else route.target_message
        if broken.cause is Cause.KEPT_ALIVE:
            return broken.about[1]
        names = [broken.subject.partition(".")[0], *(n.partition(".")[0] for n in broken.about)]
        load = self.vehicle.loads.get(broken.subject)
        if load is not None and load.request is not None:
            names += [n.partition(".")[0] for n in load.request.names]
        return next((name for name in names if name in messages), "")


_ENOUGH = 3
"""So many good messages end any distrust that a right program may have after a wrong one."""

_HELD_NS = 3_000 * MS
"""Everything stays as it is for so long, to see whether a load that is dark ever flashes."""

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
