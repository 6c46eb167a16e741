"""A power node that is right, and draws from a seed how: whatever the declared rules leave open.

It takes note of each source's news some time between the instant from which it may and the one by
which it must, in rounds of a main loop or from interrupts, in order, and leaves out what has been
overtaken. It gives a link up early or late, trusts a returning one at the first message or the
last allowed, refuses a counter's jump or not, as the load's table lets it.

It knows the tables of its loads and shares nothing with the judge but their reading.
"""

from __future__ import annotations

from contextlib import suppress
from random import Random
from typing import Any, NamedTuple

import can

from linkloss.vehicle.expression import Condition
from linkloss.vehicle.load import Level
from linkloss_nodes import MS, Node

OFF, ON, FLASH = "off", "on", "flash"
STATUS = {"front": 513, "rear": 514}


class Entry(NamedTuple):
    """What a node did at an instant, and the licence that it had: from when on it might, and by
    when it had to (None: it did not have to, or does not know).
    """

    load: str
    what: str
    at_ns: int
    from_ns: int
    by_ns: int | None


class RightNode(Node):
    """The program. ``diary`` is what it writes its entries into. ``spare_ns``: how much sooner than
    the declared boot it begins. ``hangs``: it may have to look for what it missed meanwhile.
    """

    def __init__(self, board, vehicle, seed, spare_ns=0, diary=None, hangs=False) -> None:
        super().__init__(board)
        self.diary = [] if diary is None else diary
        self.vehicle = vehicle
        self.draw = Random(f"{seed} {board.name} {board.now_ns()}")
        flashes = {load.flash.in_step_with for load in vehicle.loads.values() if load.flash}
        self.loads = {
            name: load
            for name, load in vehicle.loads.items()
            if load.node == board.name and (load.flash is None or flashes == {None})
        }
        limits = [
            (load.latency, load.off_latency_ns, load.reaction, load.stale_after or load.latency)
            for load in self.loads.values()
        ]
        self.tightest_ns = min(min(entry) for entry in limits)
        slowest_ns = self.tightest_ns // 3
        self.loop_ns = self.draw.choice([0, 0, slowest_ns, self.draw.randint(1, slowest_ns)])
        self.phase_ns = board.now_ns() + self.draw.randint(0, self.loop_ns)
        self.deaf_ns = board.now_ns() + (spare_ns if self.draw.random() < 0.3 else 0)
        self.spare_ns, self.hangs = spare_ns, hangs
        self.was_off = False
        self.pins = [Pin(self, name, load) for name, load in self.loads.items()]
        self.infos = {(m.identifier, m.extended): m for m in vehicle.messages.values()}
        links = [pin.link for pin in self.pins if pin.link is not None]
        self.links = {
            key: [link for link in links if info.name in link.load.messages]
            for key, info in self.infos.items()
        }

    # ---- time ----

    def between(self, low_ns: int, high_ns: int) -> int:
        """An instant or a time within limits, often one of them."""
        if high_ns <= low_ns or (chance := self.draw.random()) < 0.3:
            return low_ns
        return high_ns if chance < 0.55 else self.draw.randint(low_ns, high_ns)

    def later(self, at_ns, action, *args):
        """Do something at an instant: in the first round from there on."""
        now_ns = self.board.now_ns()
        at_ns = max(at_ns, now_ns)
        if self.loop_ns:
            at_ns += (self.phase_ns - at_ns) % self.loop_ns
        elif at_ns == now_ns:
            action(*args)
            return None
        return self.board.after(at_ns - now_ns, action, *args)

    # ---- life ----

    def start(self) -> None:
        self.begin_duties()
        for pin in self.pins:
            last_ns = self.spare_ns + pin.load.latency - self.loop_ns
            self.later(self.board.now_ns() + self.between(0, last_ns), pin.begin)

    def begin_duties(self) -> None:
        """Watchdog, heartbeat, and the way back from bus-off."""
        board = self.board
        dog_ns = self.between(150 * MS, self.vehicle.nodes[board.name].watchdog)
        board.start_watchdog(dog_ns)
        board.every(50 * MS, board.feed_watchdog)
        board.every(100 * MS, self.life_sign, first_ns=self.draw.randint(1, 90) * MS)
        board.every(self.draw.randint(110, 150) * MS, self.recover)
        if self.hangs:  # an edge while it hung called nobody
            board.every(self.tightest_ns // 3, self.look)
        minds = any(load.bus_off == "lost" for load in self.loads.values())
        if minds:
            board.every(self.tightest_ns // 3, self.look_at_bus)

    def look(self) -> None:
        for pin in self.pins:
            for name in pin.names:
                pin.caught(name)
            pin.moved()

    def life_sign(self) -> None:
        message = can.Message(
            arbitration_id=STATUS[self.board.name], data=[1], is_extended_id=False
        )
        with suppress(can.CanOperationError):  # full or bus-off: the next one will do
            self.board.bus.send(message)

    def look_at_bus(self) -> None:
        is_off = self.board.bus.state == can.BusState.ERROR
        if is_off and not self.was_off:  # once it has read what had come before
            self.later(self.board.now_ns(), self.bus_lost)
        self.was_off = is_off

    def bus_lost(self) -> None:
        for pin in self.pins:
            if pin.link is not None and pin.load.bus_off == "lost":
                pin.link.bus_off()

    def recover(self) -> None:
        if self.board.bus.state == can.BusState.ERROR:
            self.board.recover_bus()

    # ---- what comes in ----

    def on_frame(self, message: can.Message) -> None:
        at_ns = round(message.timestamp * 1e9)
        if at_ns >= self.deaf_ns:
            self.later(self.board.now_ns(), self.take, message, at_ns)

    def take(self, message: can.Message, at_ns: int) -> None:
        if message.is_remote_frame or message.is_error_frame:
            return
        key = message.arbitration_id, message.is_extended_id
        for link in self.links.get(key, ()):
            link.frame(self.infos[key], bytes(message.data), at_ns)

    def on_input(self, name: str, value: str | float) -> None:
        for pin in self.pins:
            if name in pin.names:
                pin.caught(name)
        if self.loop_ns:
            self.later(self.board.now_ns(), self.moved, name)
        else:  # what else moves at this very instant has then moved, too
            self.board.after(0, self.moved, name)

    def moved(self, name: str) -> None:
        for pin in self.pins:
            if name in pin.names:
                pin.moved()


class Pin:
    """One output: what it has taken note of, and what that makes."""

    def __init__(self, node: RightNode, name: str, load) -> None:
        self.node, self.name, self.load, self.board = node, name, load, node.board
        self.ready = False
        self.pending: dict[str, list] = {}
        self.calls = {"request": state_of(load.on_reset), "local": OFF, "trip": False}
        self.calls |= {"longest_on": False, "shortest_off": False}
        self.last: dict[str, object] = {}
        self.state: object = None
        self.level, self.lit_ns, self.dark_ns, self.was_limited = 0.0, 0, -1, False
        self.timers: dict[str, Any] = {}
        self.edge_ns, self.raw = 0, OFF
        self.odd = node.draw.uniform(-0.95, 0.95)
        self.bounce_ns = node.between(0, load.debounce)
        self.link = None
        if load.request is not None and not (load.local and load.local_use == "follows"):
            self.link = Link(self)
        conditions = [load.local, load.on_stale, load.then, *(rule.when for rule in load.never)]
        if load.trip is not None:
            conditions += [load.trip.when, load.trip.off_until]
        self.names = {
            name for entry in conditions if isinstance(entry, Condition) for name in entry.names
        }
        if load.survives_reset and name in self.board.memory:
            self.calls["request"] = self.board.memory[name]

    def holds(self, condition: Condition) -> bool:
        return condition({name: self.board.read(name) for name in condition.names})

    def begin(self) -> None:
        """The pin is set for the first time."""
        load = self.load
        self.ready = True
        if load.local is not None and self.holds(load.local):
            self.calls["local"] = load.asked_state
        self.last["local"] = self.raw = self.calls["local"]
        for index, rule in enumerate(load.never):
            self.calls[f"never {index}"] = self.holds(rule.when) and "leave"
        if load.trip is not None:
            self.calls["trip"] = self.last["trip"] = self.holds(load.trip.when)
        self.did(("reset", self.board.now_ns(), None))
        self.update()

    # ---- news ----

    def note(self, source: str, value, by_ns: int, licence=None) -> None:
        """Take note of news some time from now on, by an instant at the latest. ``licence`` is
        (what, from, by) as the rules have it.
        """
        node = self.node
        due_ns = node.between(self.board.now_ns(), by_ns - node.loop_ns)
        self.last[source] = value
        if source == "request" and self.load.survives_reset:
            self.board.memory[self.name] = value
        waiting = self.pending.setdefault(source, [])
        if node.draw.random() < 0.5 or any(entry[0] >= due_ns for entry in waiting):
            for _, timer in waiting:
                timer.cancel()
            waiting.clear()
        entry = [due_ns, None]
        waiting.append(entry)
        entry[1] = node.later(due_ns, self.noted, source, value, entry, licence)
        if entry[1] is None:
            self.pending[source] = [other for other in waiting if other is not entry]

    def noted(self, source: str, value, entry, licence) -> None:
        self.pending[source] = [other for other in self.pending[source] if other is not entry]
        self.calls[source] = value
        self.did(licence)
        if self.asked() == OFF and self.level <= 0:
            self.calls["longest_on"] = False
        self.update()

    def did(self, licence) -> None:
        if licence is not None:
            what, from_ns, by_ns = licence
            now_ns = self.board.now_ns()
            self.node.diary.append(Entry(self.name, what, now_ns, from_ns, by_ns))

    def latency(self, value) -> int:
        return self.load.off_latency_ns if value == OFF else self.load.latency

    def cycle(self, source: str, value) -> int:
        """A load that flashes may finish its cycle."""
        ends = self.last.get(source) == FLASH and value != FLASH
        return self.load.cycle_ns if ends and self.node.draw.random() < 0.5 else 0

    def caught(self, name: str) -> None:
        """An input has moved, at this very instant: what a moment of it brings about for good."""
        load = self.load
        now_ns = self.edge_ns = self.board.now_ns()
        if (
            load.trip is None
            or not self.ready
            or name not in (*load.trip.when.names, *load.trip.off_until.names)
        ):
            return
        if self.holds(load.trip.when):
            if not self.last["trip"]:
                by_ns = now_ns + load.off_latency_ns
                self.note("trip", True, by_ns, ("trip", now_ns, by_ns))
        elif self.last["trip"] and self.holds(load.trip.off_until):
            by_ns = now_ns + load.latency
            self.note("trip", False, by_ns, ("trip over", now_ns, by_ns))

    def moved(self) -> None:
        """An input has moved."""
        load, now_ns = self.load, self.board.now_ns()
        if not self.ready:
            return
        if load.local is not None:
            value = load.asked_state if self.holds(load.local) else OFF
            if value != self.raw:  # else it is counted off already
                self.raw = value
                self._drop("debounce")
            elif "debounce" in self.timers:
                value = self.last["local"]
            if value != self.last["local"]:
                if self.bounce_ns:
                    self._set("debounce", now_ns + self.bounce_ns, self.stable, value)
                else:
                    self.stable(value)
        for index, rule in enumerate(load.never):
            source = f"never {index}"
            holds = self.holds(rule.when)
            if holds and not self.last.get(source, self.calls[source]):
                self.last[source] = "leave"
                late_ns = 2 * self.node.loop_ns
                soon_ns = now_ns + min(load.latency, rule.within) - late_ns
                leave_ns = self.node.between(soon_ns, now_ns + rule.within - late_ns)
                self._set(source + "b", self.node.between(now_ns, soon_ns), self.bar, source, "bar")
                licence = "never", self.edge_ns, self.edge_ns + rule.within
                self._set(source, leave_ns, self.bar, source, "leave", licence)
            elif not holds and self.last.get(source, self.calls[source]):
                self.last[source] = False
                self._drop(source + "b")
                self._drop(source)
                by_ns = now_ns + load.latency - 2 * self.node.loop_ns
                licence = "never over", self.edge_ns, self.edge_ns + load.latency
                due_ns = self.node.between(now_ns, by_ns)
                self._set(source, due_ns, self.bar, source, False, licence)
        if self.link is not None:
            self.link.moved()

    def stable(self, value) -> None:
        self.timers.pop("debounce", None)
        rounds = 2 if self.bounce_ns else 1
        by_ns = self.board.now_ns() + self.latency(value) - rounds * self.node.loop_ns
        last_ns = self.edge_ns + self.load.debounce + self.latency(value)
        licence: Any = ("local", self.edge_ns, last_ns)
        if self.last.get("local") == FLASH:
            licence = None
        self.note("local", value, by_ns + self.cycle("local", value), licence)

    def bar(self, source: str, value, licence=None) -> None:
        self.calls[source] = value
        self.did(licence)
        self.update()

    def _set(self, name: str, at_ns: int, action, *args) -> None:
        self._drop(name)
        self.timers[name] = self.node.later(at_ns, action, *args)

    def _drop(self, name: str) -> None:
        timer = self.timers.pop(name, None)
        if timer is not None:
            timer.cancel()

    # ---- what they make ----

    def asked(self):
        calls = self.calls
        if calls["local"] != OFF:
            return self.load.asked_state
        return calls["request"] if self.link is not None else OFF

    def wanted(self):
        calls, load = self.calls, self.load
        state = self.asked()
        if calls["longest_on"] or calls["shortest_off"]:
            state = OFF
        for index, rule in enumerate(load.never):
            inside = self.state is not None and (self.level > 0) == (rule.state == "on")
            call = calls[f"never {index}"]
            if call == "leave" or (call == "bar" and not inside):
                state = OFF if rule.state == "on" else ON
        return OFF if calls["trip"] else state

    def update(self) -> None:
        """Show what it all makes; in a main loop, at the end of the round."""
        if not self.ready:
            return
        if self.node.loop_ns:
            self._drop("update")
            self.timers["update"] = self.board.after(0, self.show)
        else:
            self.show()

    def show(self) -> None:
        state = self.wanted()
        if state == self.state:
            return
        self.state = state
        self._drop("flash")
        if state == FLASH:
            low, high = self.load.flash.per_minute
            least, most = self.load.flash.on_share
            cycle_ns = round(60e9 / self.node.draw.uniform(low * 1.02, high * 0.98))
            lit_ns = round(cycle_ns * self.node.draw.uniform(least + 0.02, most - 0.02))
            self.flash(lit_ns, cycle_ns, lit=True)
        else:
            self.write(self.duty(state))

    def flash(self, lit_ns: int, cycle_ns: int, *, lit: bool) -> None:
        self.write(1.0 if lit else 0.0)
        next_ns = lit_ns if lit else cycle_ns - lit_ns
        timer = self.board.after(next_ns, lambda: self.flash(lit_ns, cycle_ns, lit=not lit))
        self.timers["flash"] = timer

    def duty(self, state) -> float:
        if not isinstance(state, float):
            return 0.0 if state == OFF else 1.0
        return min(100.0, state + self.odd * max(state / 10, 2.0)) / 100

    def write(self, level: float) -> None:
        lit, was = level > 0, self.level > 0
        self.level = level
        self.board.write(self.load.output or self.name, level)
        load, node, now_ns = self.load, self.node, self.board.now_ns()
        again = self.dark_ns == now_ns and "longest_on" in self.timers  # it was never dark
        if lit and not was and not again:
            self.lit_ns = now_ns
        elif lit and not was and self.was_limited:
            self.calls["longest_on"] = True
            self.update()
        if lit and not was and load.longest_on is not None and not again:
            least_ns = load.longest_on - max(2 * MS, load.longest_on // 50)
            lasts_ns = node.between(least_ns, load.longest_on)
            self._drop("longest_on")  # by a timer of its own: a round may be longer than its play
            licence = "longest_on", now_ns + least_ns, now_ns + load.longest_on
            timer = self.board.after(lasts_ns, self.over, licence)
            self.timers["longest_on"] = timer
        if was and not lit:
            self.dark_ns, self.was_limited = now_ns, self.calls["longest_on"]
            if self.asked() == OFF:
                self.calls["longest_on"] = False
            # What is on and off at one instant was never on.
            if load.shortest_off is not None and self.lit_ns < now_ns:
                self.calls["shortest_off"] = True
                free_ns = now_ns + load.shortest_off
                licence = "shortest_off", free_ns, free_ns + load.latency
                free_ns = node.between(free_ns, free_ns + load.latency - node.loop_ns)
                self._set("shortest_off", free_ns, self.free, licence)

    def over(self, licence) -> None:
        if self.level > 0:
            self.bar("longest_on", True, licence)

    def free(self, licence) -> None:
        self.did(licence)
        self.calls["longest_on"] = self.calls["shortest_off"] = False
        self.update()


class Link:
    """The messages that ask for one output, as it hears them."""

    def __init__(self, pin: Pin) -> None:
        load, node = pin.load, pin.node
        self.pin, self.load, self.node, self.board = pin, load, node, pin.board
        self.asks = node.vehicle.reader(load.request)
        self.dims = None if load.level is None else node.vehicle.signal(load.level)
        self.maybe_ns = load.stale_after - load.early_ns
        self.surely_ns = load.stale_after + load.reaction
        # A round that finds it stale may have what came before that still to read.
        self.stale_ns = node.between(self.maybe_ns + node.loop_ns, self.surely_ns - node.loop_ns)
        infos = [node.vehicle.messages[name] for name in load.messages]
        counted = any(info.counter is not None for info in infos)
        self.confirm = load.confirm or (2 if counted else 1)
        self.messages, self.watched = load.messages, load.watched
        self.needs = node.draw.randint(1, self.confirm)
        self.confirm *= len(infos)
        if len(infos) > 1 or load.follow_again is not None:
            self.needs = 1
        ways = ["accept", "refuse one", "lost"]
        self.after_jump = load.after_jump if load.after_jump in ways else node.draw.choice(ways)
        self.forgives = node.draw.random() < 0.5  # a bad message does not break a row
        self.last: dict[str, tuple[int, bytes]] = {}
        self.counts: dict[str, tuple[int, int]] = {}
        self.away, self.row, self.first_ns = True, 0, 0
        self.latched, self.gone = load.latch, False
        self.since_ns = 0  # what still waited to be read as the bus went off is old
        self.alone: Condition | None = None
        self.timer: Any = None
        self.giving_up: Any = None
        if node.draw.random() < 0.5:
            self._watch(self.board.now_ns() + node.between(self.maybe_ns, 2 * self.surely_ns))

    # ---- what comes ----

    def frame(self, info, data: bytes, at_ns: int) -> None:
        whole = len(data) == info.length and (info.checksum is None or info.checksum(data))
        verdict = self._counted(info, data, at_ns) if whole else "refused"
        if at_ns < self.since_ns:
            return
        if verdict != "good":
            if not self.forgives:
                self.row = 0
            if verdict == "lost":
                self.last.pop(info.name, None)
                self._lost(at_ns, at_ns + self.load.reaction)
            return
        self.last[info.name] = at_ns, data
        if len(self.last) < len(self.messages):
            return
        fresh_ns = min(self.last[name][0] for name in self.watched)
        if at_ns - fresh_ns >= self.stale_ns:
            return
        self.gone = False
        self._watch(fresh_ns + self.stale_ns)
        self._good(self._state(), at_ns)

    def _state(self):
        data = {name: data for name, (_, data) in self.last.items()}
        if not self.asks(data):
            return OFF
        if self.dims is None:
            return self.load.asked_state
        message, signal = self.dims
        percent = signal.physical(data[message.name])
        return OFF if percent <= 5 else percent

    def _counted(self, info, data: bytes, at_ns: int) -> str:
        if info.counter is None:
            return "good"
        count, span = info.counter.raw(data), 1 << info.counter.length_bits
        before, self.counts[info.name] = self.counts.get(info.name), (count, at_ns)
        if before is None or at_ns - before[1] >= self.stale_ns:
            return "good"
        step = (count - before[0]) % span
        if step > 1 and self.after_jump != "accept":
            return "lost" if self.after_jump == "lost" else "refused"
        period_ns = info.period_ns
        if 1 <= step <= (self.load.max_step or max(1, self.load.stale_after // period_ns)):
            return "good"
        self.counts[info.name] = before
        return "refused"

    def _good(self, state, at_ns: int) -> None:
        load = self.load
        self._stay()
        by_ns, what, sure = None, "fresh", True
        if state == OFF:  # it has asked for off, trusted or not
            self.latched = False
        if self.away:
            what = "again"
            self.row += 1
            if self.row == 1:
                self.first_ns = at_ns
            if self.row < self.needs:
                return
            self.away = self.row < self.confirm  # a trustful one goes on counting
            sure = self.row == self.confirm
            if load.follow_again is not None:
                by_ns = self.first_ns + load.follow_again
        if self.latched:
            state = OFF
        self.alone = None
        must_ns = at_ns + self.pin.latency(state) if sure else None
        if by_ns is None:
            by_ns = at_ns + self.pin.latency(state)
        waiting = self.pin.pending.get("request", ())
        late = any(due_ns > by_ns - self.node.loop_ns for due_ns, _ in waiting)
        if state != self.pin.last.get("request"):
            by_ns += self.pin.cycle("request", state)
        elif not late:
            return  # nothing new
        if self.pin.last.get("request") == FLASH or load.follow_again is not None:
            must_ns = None
        from_ns = self.first_ns if what == "again" else at_ns
        licence = None if late else (what, from_ns, must_ns)
        self.pin.note("request", state, by_ns, licence)

    def _stay(self) -> None:
        if self.giving_up is not None:
            self.giving_up.cancel()
            self.giving_up = None

    # ---- what does not come ----

    def _watch(self, at_ns: int) -> None:
        if self.timer is not None:
            self.timer.cancel()
        self.timer = self.node.later(at_ns, self._stale)

    def _stale(self) -> None:
        now_ns = self.board.now_ns()
        if not any(name in self.last for name in self.watched):  # never heard since the start
            self._lost(now_ns, now_ns + self.load.reaction)
            return
        fresh_ns = min(self.last[name][0] for name in self.watched if name in self.last)
        self._lost(fresh_ns + self.maybe_ns, fresh_ns + self.surely_ns)

    def bus_off(self) -> None:
        self.since_ns = self.board.now_ns()
        if self.gone:
            return
        now_ns = self.board.now_ns()
        self._lost(now_ns, now_ns + self.load.reaction // 3)

    def _lost(self, from_ns: int, by_ns: int) -> None:
        """The link counts as lost, as it may from one instant on and must by another."""
        load, node = self.load, self.node
        if self.timer is not None:
            self.timer.cancel()
        self.away, self.row, self.latched, self.gone = True, 0, load.latch, True
        heard = bool(self.last) and by_ns - from_ns != load.reaction
        self._rest(load.on_stale, by_ns, ("stale", from_ns, by_ns if heard else None))
        if load.hold_for is not None and load.then is not None:
            early_ns = load.early if load.early is not None else max(2 * MS, load.hold_for // 50)
            then_ns = node.between(
                max(self.board.now_ns(), from_ns + load.hold_for - early_ns + node.loop_ns),
                by_ns + load.hold_for + load.reaction - node.loop_ns,
            )
            self._stay()
            licence = "then", from_ns + load.hold_for - early_ns, None
            if heard:
                licence = (*licence[:2], by_ns + load.hold_for + load.reaction)
            self.giving_up = node.later(then_ns, self._rest, load.then, 0, licence)

    def _rest(self, state, by_ns: int, licence) -> None:
        self.alone = state if isinstance(state, Condition) else None
        if state == "hold":
            self.pin.did(("hold", *licence[1:]))
            return
        if self.alone is not None:
            state = self.load.asked_state if self.pin.holds(self.alone) else OFF
        self.pin.note("request", state_of(state), by_ns, licence)

    def moved(self) -> None:
        """An input has moved; it may decide while the link is lost."""
        if self.alone is not None:
            value = self.load.asked_state if self.pin.holds(self.alone) else OFF
            if value != self.pin.last.get("request"):
                by_ns = self.board.now_ns() + self.pin.latency(value) - self.node.loop_ns
                self.pin.note("request", value, by_ns)


def state_of(state):
    """A state as a table has it, with a level as a number in percent."""
    if isinstance(state, Level):
        return OFF if state.percent <= 5 else float(state.percent)
    return state or OFF
