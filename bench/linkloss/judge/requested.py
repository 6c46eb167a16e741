"""The news of the messages that ask for a load: followed, refused, stale, back again.

    good messages   |  |  |              |  |  |
    request         ==on=====.           ======on===
    stale                   [from..by]   .  .             fail-safe state
    back                                 [from..by]       by the last in a row + latency

A receiver comes back to a lost link by ``confirm`` good messages in a row.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import chain, product
from typing import NamedTuple

from linkloss.judge.case import Case, Waiting
from linkloss.judge.evidence import AfterJump, Arrival, Link
from linkloss.judge.states import ANY, FLASH, OFF, Shown, State, level_state
from linkloss.judge.uptimes import Uptime
from linkloss.judge.walk import BEFORE_NS, NEVER, Mark, News, Source
from linkloss.vehicle.expression import Condition
from linkloss.vehicle.load import Level, LoadTable, usual_early_ns


class Said(NamedTuple):
    """What the messages ask for, as their receiver may know it from ``at_ns`` on.

    - ``fresh_ns``: the last good message that keeps the link from being stale.
    - ``sure``: False where the receiver may have refused the message, or missed it.
    - ``held``: a latch may hold the load off all the same.
    - ``told``: an earlier message asked for the same, so this one brings nothing new.
    - ``lost``: its counter jumped, and that counts as a lost link.
    - ``old``: it uses an older message, because the newest may have been refused.
    """

    at_ns: int
    fresh_ns: int
    state: State
    sure: bool
    held: bool = False
    told: bool = False
    lost: bool = False
    old: bool = False


BY_INPUT = ("on_stale", "then")
"""A request that calls for one of these is decided by the source of that name: the fail-safe state
is a condition over the node's own inputs.
"""


class Receiver(NamedTuple):
    """What one receiver does where the rules leave it open: at every counter that jumped, and, in
    order, at each instant where its latch may or may not hold the load off. None, or an instant
    past the end of ``latched``: either.
    """

    after_jump: AfterJump | None = None
    latched: tuple[bool, ...] = ()


ANY_RECEIVER = Receiver()


class Row(NamedTuple):
    """Good messages in a row after a loss, by which their receiver comes back to the link.

    ``by_ns`` is when what they ask for must be followed (None: there were never enough in a row),
    ``begin`` and ``end`` are the places of the first and the last one, and ``rule`` is the rule
    under which a breach is reported. A receiver that does not wait for more of them may follow
    until ``open_ns``: it cannot know that no more will come.
    """

    by_ns: int | None
    begin: int
    end: int
    open_ns: int
    rule: str


def _ends_loss(entry: Said, row: Row | None) -> bool:
    return entry.sure and not entry.lost and (row is None or row.by_ns is not None)


def _rest(state: str | Level | Condition, name: str) -> State:
    """A fail-safe state as the judge represents it."""
    return name if isinstance(state, Condition) else state_of(state)


def state_of(state: str | Level | None) -> State:
    """A state of the vehicle file as the judge represents it."""
    if isinstance(state, Level):
        return level_state(state.percent)
    return state or OFF


class Request:
    """The news of the messages that ask for a load."""

    def __init__(
        self, case: Case, load: LoadTable, waiting: Waiting, receiver: Receiver = ANY_RECEIVER
    ) -> None:
        assert load.request is not None
        self.case, self.load, self.waiting = case, load, waiting
        self.asks = case.vehicle.reader(load.request)
        self.level = None if load.level is None else case.vehicle.signal(load.level)
        self.links: dict[str, Link] = {
            name: replace(link, after_jump=receiver.after_jump or link.after_jump)
            for name in load.messages
            for link in [case.link(name, load)]
        }
        self.link = self.links[load.watched[0]]
        self.maybe_stale_ns = self.link.maybe_stale_ns
        counted = any(case.vehicle.messages[name].counter is not None for name in load.messages)
        confirm = load.confirm or (2 if counted else 1)
        self.confirm = confirm * len(load.messages)
        self.news: list[News] = [News(OFF, BEFORE_NS, BEFORE_NS, "fresh")]
        self.marks: list[Mark] = []
        self.held: list[tuple[int, int, State]] = []
        self.latches: list[tuple[int, int, State]] = []
        self.receiver = receiver
        self.doubts = 0
        """How often the latch may or may not hold the load off."""

    def source(self) -> Source:
        load, node = self.load, self.load.node
        watches = {
            name: self.case.evidence.watch(name, node, link) for name, link in self.links.items()
        }
        damaged = [self.case.traffic(name).damaged_at(node) for name in self.links]
        for place, uptime in enumerate(self.case.histories[node].uptimes):
            if not load.survives_reset or not place:
                reset = state_of(load.on_reset)
                self.news.append(News(reset, uptime.anew_ns, uptime.anew_ns, "reset"))
            else:  # what it has not noted by the reset is gone
                self.news = [
                    news._replace(must=news.must and news.by_ns < uptime.reset_ns)
                    for news in self.news
                ]
            bad = [at for watch in watches.values() for at in watch.refused[place]]
            for times in damaged:
                low, high = (bisect_left(times, at) for at in (uptime.reset_ns, uptime.end_ns))
                bad += times[low:high]
            heard = {name: watch.uptimes[place] for name, watch in watches.items()}
            said = self._with_bus_offs(uptime, list(self._said(heard)))
            bad.sort()
            if load.latch:
                said = self._latched(said, list(self._rows(said, bad)))
            self._uptime(uptime, said, bad)
        source = Source(self.news, self.marks)
        self.held = [
            (from_ns, min(to_ns, source.next_due(from_ns)), state)
            for from_ns, to_ns, state in self.held
        ] + self.latches
        return source

    # ---- what the messages ask for ----

    def _said(self, heard: Mapping[str, Sequence[Arrival]]) -> Iterator[Said]:
        """With several messages, from when all have arrived. The one that has been silent for
        longest decides whether the link is stale, and while it surely is, the others ask for
        nothing. While a message may have been refused, its receiver may still use the one before.
        """
        hears = self.waiting.hears
        if len(heard) == 1:
            [(name, arrivals)] = heard.items()
            states: dict[bytes, State] = {}  # a counter returns to the same few payloads
            for at_ns, data, sure, lost in arrivals:
                state = OFF if lost else states.get(data)
                if state is None:
                    state = states[data] = self._asked({name: data})
                yield Said(at_ns, at_ns, state, sure and (lost or hears(at_ns)), False, False, lost)
            return
        last: dict[str, list[Arrival]] = {}
        come = [(arrival.at_ns, name, arrival) for name in heard for arrival in heard[name]]
        for at_ns, name, arrival in sorted(come):
            _, _, sure, lost = arrival
            if lost:
                if sure:
                    last.pop(name, None)
                yield Said(at_ns, at_ns, OFF, sure, lost=True)
                continue
            sure = sure and hears(at_ns)
            entry = arrival if sure == arrival.sure else arrival._replace(sure=sure)
            before = [] if sure else last.get(name, [])[:1]
            last[name] = [entry]
            if len(last) == len(heard):
                yield from self._together(at_ns, last)
            last[name] = [*before, entry]

    def _together(self, at_ns: int, last: Mapping[str, Sequence[Arrival]]) -> Iterator[Said]:
        """What several messages may ask for together; of each there is one, or either of two."""
        said: dict[tuple[int, State], Said] = {}
        ways = list(product(*last.values()))
        for way in ways:
            arrivals = dict(zip(last, way, strict=True))
            fresh_ns = min(arrivals[name].at_ns for name in self.load.watched)
            if at_ns > self._surely_stale_at(fresh_ns):
                continue
            sure = len(ways) == 1 and all(entry.sure for entry in way)
            sure = sure and at_ns - fresh_ns < self.maybe_stale_ns
            state = self._asked({name: entry.data for name, entry in arrivals.items()})
            old = way != ways[-1]
            said[fresh_ns, state] = Said(at_ns, fresh_ns, state, sure, old=old)
        yield from said.values()

    def _with_bus_offs(self, uptime: Uptime, said: list[Said]) -> list[Said]:
        """A node may take its own bus-off for a lost link, whatever arrives soon after. A node that
        has lost its link already has nothing more to lose.
        """
        if self.load.bus_off != "lost":
            return said
        found = list(said)
        asking = {self.case.vehicle.messages[name].bus for name in self.load.request_messages}
        states = (self.case.recording.states(self.load.node, bus) for bus in sorted(asking))
        for change in chain.from_iterable(states):
            at_ns = change.at_ns
            if change.state != "BUS_OFF" or not uptime.reset_ns <= at_ns < uptime.end_ns:
                continue
            before = [entry for entry in found if entry.at_ns <= at_ns]
            last_ns = uptime.boot_end_ns if uptime.up_ns is None else uptime.up_ns
            if before:
                if before[-1].lost and before[-1].sure:
                    continue
                last_ns = before[-1].fresh_ns
            if not before or at_ns <= self._surely_stale_at(last_ns):
                known = next((entry for entry in reversed(before) if entry.sure), None)
                if known is not None:  # one that it may have refused proves nothing
                    last_ns = known.fresh_ns
                sure = at_ns - last_ns < self.maybe_stale_ns
                sure = sure and not (known is not None and known.lost)
                # A message that arrives before it notices need not be the first after the loss.
                noticed_ns = at_ns + self.load.reaction
                found = [
                    entry._replace(sure=entry.sure and not at_ns < entry.at_ns <= noticed_ns)
                    for entry in found
                ]
                entry = Said(at_ns, at_ns, OFF, sure=sure, lost=True)
                found = sorted([*found, entry], key=lambda entry: entry.at_ns)
        return found

    def _asked(self, data: Mapping[str, bytes]) -> State:
        if not self.asks(data):
            return OFF
        if self.level is None:
            return self.load.asked_state
        message, signal = self.level
        return level_state(signal.physical(data[message.name]))

    def _latched(self, said: Sequence[Said], rows: Sequence[Row | None]) -> list[Said]:
        """With ``latch`` a message calls for off from boot or stale until it has asked for off.

        Where the link may have been stale, its receiver may or may not hold the load off: the first
        message that asks for the load may turn it on, and the later ones bring nothing new. The
        same goes after a message that asked for off while its receiver waited for more of them to
        believe any.
        """
        found: list[Said] = []
        latched = {True}
        told: State | None = None
        sure_ns: int | None = None
        held_ns: int | None = None
        for place, entry in enumerate(said):
            before = said[place - 1] if place else None
            if entry.lost:
                latched, told = {True} if entry.sure else self._either(latched, True), None
                found.append(entry)
                continue
            row = rows[place]
            enough = row is None or (row.by_ns is not None and place >= row.end)
            released = entry.state == OFF and entry.sure and enough
            if before is not None and entry.at_ns > self._surely_stale_at(before.fresh_ns):
                latched = {True}
            elif not released and sure_ns is not None and self._maybe_stale(sure_ns, entry):
                latched, told = self._either(latched, True), None
            if entry.state == OFF:
                latched, told = {False} if released else self._either(latched, False), None
                found.append(entry)
            elif latched == {True}:
                found.append(entry._replace(state=OFF))
            elif latched == {False}:
                found.append(entry)
            else:
                found.append(entry._replace(held=True, told=told == entry.state))
                told = entry.state if entry.sure else None
            if entry.state != OFF and True in latched and held_ns is None:
                held_ns = entry.at_ns
            if held_ns is not None and (entry.state == OFF or place + 1 == len(said)):
                self.latches.append((held_ns, self._surely_stale_at(entry.at_ns), OFF))
                held_ns = None
            sure_ns = entry.fresh_ns if entry.sure else sure_ns
        return found

    def _either(self, latched: set[bool], other: bool) -> set[bool]:
        """The states of a latch that may have changed, for this receiver."""
        if latched == {other}:
            return latched
        self.doubts += 1
        if self.doubts <= len(self.receiver.latched):
            return {self.receiver.latched[self.doubts - 1]}
        return {True, False}

    # ---- one uptime of the node ----

    def _uptime(self, uptime: Uptime, said: Sequence[Said], bad: Sequence[int]) -> None:
        self._unheard(uptime, said)
        rows = list(self._rows(said, bad))
        state: State | None = None
        sure_ns: int | None = None
        doubt, again = False, False
        taken_ns = 0
        for place, (entry, row) in enumerate(zip(said, rows, strict=True)):
            if entry.lost:
                by_ns = entry.at_ns + self.load.reaction
                behind = said[place + 1 :]
                next_ns = next((e.at_ns for e in behind if e.sure and not e.lost), NEVER)
                # A receiver that has lost its link may restart ``hold_for`` at another loss.
                again_ns = min(next_ns, next((e.at_ns for e in behind if e.lost), NEVER))
                self._stale(uptime, entry.at_ns, by_ns, (next_ns, again_ns), must=entry.sure)
                sure_ns, doubt = None, True
                continue
            goes_on = self._goes_on(said, place)
            must, rule = entry.sure and not entry.held, "fresh"
            if goes_on and must and row is None and not doubt and entry.state == state:
                sure_ns, again = entry.fresh_ns, False  # nearly always: nothing new
                continue
            by_ns = entry.at_ns + self._latency(entry.state)
            if row is not None:
                by_ns = max(row.open_ns if row.by_ns is None else row.by_ns, by_ns)
                rule = row.rule
                must = row.by_ns is not None and not entry.held
            again = again and entry.state == said[place - 1].state and row is not None
            new = row is not None or doubt or entry.state != state or entry.old
            late = self._late(entry)
            if (new or late) and not (entry.told or again):
                at_ns = entry.at_ns if row is None else self.waiting.taken_by(entry.at_ns)
                taken_ns = max(taken_ns, at_ns)  # in order
                if taken_ns > entry.at_ns:  # by a receiver that had not lost its link
                    self._tell(entry.state, entry.at_ns, by_ns, rule, must=False)
                self._tell(entry.state, taken_ns, max(taken_ns, by_ns), rule, must=must)
                if entry.held and (self.load.on_stale != OFF or self.load.then not in (None, OFF)):
                    by_ns += max(0, self.load.off_latency_ns - self.load.latency)
                    self._tell(OFF, taken_ns, max(taken_ns, by_ns), rule, must=False)
            if late:
                self._late_again(uptime, said, place, heard=sure_ns is not None)
            # It settles nothing for a receiver that waits for another, late message.
            doubt = not must if new or not late else doubt
            again = entry.sure and row is not None and place < row.end
            if must:
                state = entry.state
            if entry.sure:
                sure_ns = entry.fresh_ns
            if not goes_on:
                self._lost(uptime, said, place, rows, heard=sure_ns is not None)

    def _late_again(self, uptime: Uptime, said: Sequence[Said], place: int, *, heard: bool) -> None:
        """A receiver that follows a message while another one is late may then lose its link."""
        on_stale = self.load.on_stale
        if on_stale is None:
            return
        entry, by_ns = said[place], self._surely_stale_at(said[place].fresh_ns)
        next_ns = said[place + 1].at_ns if place + 1 < len(said) else NEVER
        must = heard and next_ns > by_ns and not entry.old
        if on_stale != "hold":
            rest = _rest(on_stale, "on_stale")
            self._tell(rest, entry.at_ns, by_ns, "stale", must=must)
        from_ns = entry.fresh_ns + self.maybe_stale_ns
        self._then(uptime, (from_ns, by_ns), (next_ns, next_ns), behind_ns=entry.at_ns, must=must)

    def _rows(self, said: Sequence[Said], bad: Sequence[int]) -> Iterator[Row | None]:
        """For each message, the row by which its receiver comes back to the link, if the link may
        have been stale before it.
        """
        row: Row | None = None
        sure_ns: int | None = None
        before: Said | None = None
        was_there = False
        stale_ns, taken_by = self.maybe_stale_ns, self.waiting.taken_by
        for place, entry in enumerate(said):
            at_ns, fresh_ns, _, sure, _, _, lost, old = entry
            if lost:
                sure_ns, row = None, None
                yield None
                continue
            if old or at_ns - fresh_ns >= stale_ns:  # a lost link stays lost
                yield None
                continue
            back = sure_ns is None or taken_by(at_ns) - sure_ns >= stale_ns
            before_ns = at_ns if before is None else before.fresh_ns
            before = entry
            over = row is None or place > row.end
            if back and (over or at_ns - before_ns >= stale_ns):
                row = self._confirmed(said, place, bad, "rejoin" if was_there else "fresh")
            elif over:
                row = None
            yield row
            if sure:
                sure_ns, was_there = fresh_ns, True

    def _late(self, entry: Said) -> bool:
        """Whether another monitored message may have been silent for too long."""
        return entry.at_ns - entry.fresh_ns >= self.maybe_stale_ns

    def _maybe_stale(self, fresh_ns: int, entry: Said) -> bool:
        """Whether a link may be lost after a message, before its receiver has taken another. A
        receiver that hung looks first at either its clock or what has arrived.
        """
        return self.waiting.taken_by(entry.at_ns) - fresh_ns >= self.maybe_stale_ns

    def _surely_stale_at(self, fresh_ns: int) -> int:
        """When a link is surely lost after a message, whose age counts from when it was read."""
        return self.waiting.taken_by(fresh_ns) + self.link.surely_stale_ns

    def _latency(self, state: State) -> int:
        return self.load.off_latency_ns if state == OFF else self.load.latency

    def _tell(
        self, state: State, from_ns: int, by_ns: int, rule: str = "fresh", *, must: bool = True
    ) -> None:
        by_ns = self._cycle(state, from_ns, by_ns)
        by_ns = self.waiting.until(from_ns, by_ns, self._latency(state))
        self.news.append(News(state, from_ns, by_ns, rule, must))

    def _cycle(self, state: State, from_ns: int, by_ns: int) -> int:
        """By when news must be noted: a load that flashes may finish its cycle, whether it is told
        to end once or twice.
        """
        if state == FLASH or not self.load.cycle_ns:
            return by_ns
        for before in reversed(self.news):
            if before.calls == FLASH or before.calls in BY_INPUT:
                return by_ns + self.load.cycle_ns
            if before.must:
                return by_ns if before.by_ns < from_ns else max(by_ns, before.by_ns)
        return by_ns

    def _confirmed(self, said: Sequence[Said], first: int, bad: Sequence[int], rule: str) -> Row:
        """The row that begins with the first message that is back."""
        row, began_ns, before = 0, 0, None
        last = len(said) - 1
        for place in range(first, len(said)):
            entry = said[place]
            if entry.old:
                continue
            if before is not None:
                if entry.lost or entry.at_ns - before.fresh_ns >= self.maybe_stale_ns:
                    last = place - 1
                    break
                if bisect_left(bad, before.at_ns) != bisect_right(bad, entry.at_ns):
                    row = 0
            row = row + 1 if entry.sure else 0
            began_ns = entry.at_ns if row == 1 else began_ns
            before = entry
            if row >= self.confirm:
                by_ns = entry.at_ns + self._latency(entry.state)
                if self.load.follow_again is not None:
                    by_ns = began_ns + self.load.follow_again
                return Row(by_ns, first, place, by_ns, rule)
        assert before is not None
        # A receiver that does not wait for more may follow until the link may be lost, and has its
        # own time.
        lost_ns = before.fresh_ns + self.maybe_stale_ns
        again_ns = max(began_ns, said[first].at_ns) + (self.load.follow_again or 0)
        return Row(None, first, last, max(lost_ns - 1, again_ns), rule)

    def _possible(self) -> Iterator[State]:
        """What the news so far may call for."""
        for before in reversed(self.news):
            yield ANY if before.calls in BY_INPUT else before.calls
            if before.must:
                return

    # ---- when it does not come ----

    def _unheard(self, uptime: Uptime, said: Sequence[Said]) -> None:
        """No good message since the reset."""
        from_ns = self._unheard_from(uptime)
        first_ns = next((entry.at_ns for entry in said if entry.sure), NEVER)
        if from_ns < min(uptime.end_ns, first_ns):
            self._stale(uptime, from_ns, NEVER, (first_ns, first_ns), must=False)

    def _unheard_from(self, uptime: Uptime) -> int:
        """From when a link may count as lost that has not been there since the reset."""
        up_ns = uptime.boot_end_ns if uptime.up_ns is None else uptime.up_ns
        return min(up_ns, uptime.boot_end_ns) + self.maybe_stale_ns

    def _goes_on(self, said: Sequence[Said], place: int) -> bool:
        """Whether the next message surely arrives before this one may be stale."""
        if place + 1 == len(said):
            return False
        fresh_ns, following = said[place].fresh_ns, said[place + 1]
        if not following.sure or fresh_ns >= following.fresh_ns:
            return False
        return self.waiting.taken_by(following.at_ns) - fresh_ns < self.maybe_stale_ns

    def _lost(
        self,
        uptime: Uptime,
        said: Sequence[Said],
        place: int,
        rows: Sequence[Row | None],
        *,
        heard: bool,
    ) -> None:
        """Whether the link may count as lost after a message that, as far as its receiver knows,
        was the last good one. A row that never was long enough ends no loss: a receiver that did
        not follow it is where it was.
        """
        fresh_ns = said[place].fresh_ns
        from_ns = fresh_ns + self.maybe_stale_ns
        later = [
            entry
            for entry in said[place + 1 : place + 4]
            if entry.fresh_ns == fresh_ns and not entry.lost
        ]
        if later or from_ns >= uptime.end_ns:
            return
        behind = list(zip(said[place + 1 :], rows[place + 1 :], strict=True))
        taken = (self.waiting.taken_by(entry.at_ns) for entry, _ in behind if entry.sure)
        if next(taken, NEVER) < from_ns:
            return
        back_ns = next((entry.at_ns for entry, row in behind if _ends_loss(entry, row)), NEVER)
        by_ns = self._surely_stale_at(fresh_ns)
        # A receiver that took a doubtful message meanwhile has longer.
        last = not behind or behind[0][0].at_ns > by_ns
        row = rows[place]
        stray = row is not None and row.by_ns is None and self.load.then is not None
        if stray and row is not None and row.rule == "fresh":  # the first since the reset
            stray = said[row.begin].at_ns >= self._unheard_from(uptime)
        doubtful_ns = behind[0][0].at_ns if behind else NEVER
        self._stale(
            uptime, from_ns, by_ns, (back_ns, doubtful_ns), must=heard and last, stray=stray
        )

    def _stale(
        self,
        uptime: Uptime,
        from_ns: int,
        by_ns: int,
        ends: tuple[int, int],
        *,
        must: bool,
        stray: bool = False,
    ) -> None:
        """``ends``: when the loss is surely over, and when it may be. After a ``stray`` message, a
        receiver that did not follow it may already have moved on to ``then``.
        """
        load = self.load
        assert load.on_stale is not None
        if load.on_stale == "hold":
            hardware: Shown = 100.0 if load.hardware_default == "on" else 0.0
            tested = must and not stray and by_ns < min(ends[1], uptime.end_ns)
            self.held += [(from_ns, uptime.end_ns, state) for state in self._possible()]
            self.marks.append(Mark(from_ns, "stale"))
            if tested:
                self.marks.append(Mark(by_ns, "stale", hardware))
        else:
            state = _rest(load.on_stale, "on_stale")
            self._tell(state, from_ns, by_ns, "stale", must=must and not stray)
        self._then(uptime, (from_ns, by_ns), ends, behind_ns=from_ns, must=must)

    def _then(
        self,
        uptime: Uptime,
        lost: tuple[int, int],
        ends: tuple[int, int],
        *,
        behind_ns: int,
        must: bool,
    ) -> None:
        """The state that follows when ``hold_for`` is over. ``lost``: from when the link may count
        as lost, and by when it must. It follows the state that began at ``behind_ns``.
        """
        load = self.load
        if load.hold_for is None or load.then is None:
            return
        (from_ns, by_ns), (next_ns, doubtful_ns) = lost, ends
        early_ns = load.early if load.early is not None else usual_early_ns(load.hold_for)
        slack_ns = self.case.slack(load.node, load.hold_for)
        then_ns = max(behind_ns, from_ns + load.hold_for - early_ns - slack_ns)
        if then_ns < min(uptime.end_ns, next_ns):
            span_ns = load.hold_for + load.reaction + slack_ns
            then_by = by_ns + span_ns if by_ns < NEVER else NEVER
            must = must and doubtful_ns > then_by
            self._tell(_rest(load.then, "then"), then_ns, then_by, "then", must=must)
