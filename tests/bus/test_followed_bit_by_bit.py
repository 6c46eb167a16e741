"""Whole frames and bits are two ways to work out the same: where nothing goes wrong, both agree."""

from __future__ import annotations

from hypothesis import example, given, settings
from hypothesis import strategies as st

from linkloss.bus.cable import Wiring
from linkloss.bus.controller import Controller, TransmitError
from linkloss.bus.frame import Frame
from linkloss.bus.medium import Bus
from linkloss.clock.queue import EventQueue

NAMES = "abcd"
frames = st.builds(
    lambda identifier, data, extended, remote: Frame(
        identifier << 18 if extended else identifier, b"" if remote else data, extended, remote
    ),
    st.integers(0x0F0, 0x107),
    st.binary(max_size=8),
    st.booleans(),
    st.sampled_from([False, False, False, True]),
)
events = st.lists(
    st.tuples(
        st.integers(0, 3_000),
        st.sampled_from(NAMES),
        st.one_of(frames, frames, frames, st.sampled_from(["bus_off", "abort", "recover"])),
    ),
    max_size=30,
)


class Run:
    """Four nodes at 1 Mbit/s; by bits if asked for, as if the wiring were something special."""

    def __init__(self, events, *, by_bits, passive=(), off=()):
        self.queue = EventQueue()
        self.bus = Bus(self.queue, 1_000_000)
        self.records = []
        self.states = []
        self.bus.observers.append(self.records.append)
        self.nodes = {name: Controller(name, mailboxes=8) for name in NAMES}
        for node in self.nodes.values():
            self.bus.attach(node)
            node.on_state = lambda it: self.states.append((self.queue.now_ns, it.name, it.state))
            if node.name in passive:
                node.tec = 130
                node.refresh_state()
        for name in off:
            self.nodes[name].power_off()
        if by_bits:
            everyone = (1 << len(NAMES)) - 1
            self.bus.segments[0].wiring = Wiring(lambda driven: everyone if driven else 0)
        for at_bits, name, what in events:
            self.queue.at(at_bits * 1_000, self._do, self.nodes[name], what)
        self.queue.run_until(10_000_000)

    def _do(self, node, what):
        try:
            if what == "bus_off":
                node.force_bus_off()
            elif what == "recover":
                node.request_recovery()
            elif what == "abort":
                node.abort_pending()
            else:
                node.send(what)
        except TransmitError:
            pass

    def outcome(self):
        return (
            self.records,
            self.states,
            [list(node.inbox) for node in self.nodes.values()],
            [(node.tec, node.rec, node.sent, node.losses) for node in self.nodes.values()],
        )


LAMP = Frame(0x0F0)
TWO_GROUPS_A_FRAME = [
    *((0, "a", what) for what in (LAMP, "bus_off", "recover")),
    *((0, name, "bus_off") for name in "cd"),
    (0, "b", LAMP),
]
"""Nobody acknowledges what ``b`` sends: behind each passive error flag there are 22 recessive bits
and more, so that ``a`` is back sooner.
"""


@example(TWO_GROUPS_A_FRAME, "")
@example(TWO_GROUPS_A_FRAME, "abcd")
@example([*TWO_GROUPS_A_FRAME[:2], *TWO_GROUPS_A_FRAME[3:], (1_010, "a", "recover")], "abcd")
@example([(0, "a", "bus_off"), (11, "b", LAMP), (64, "a", "recover")], "")
@given(events, st.sampled_from(["", "a", "abcd"]))
@settings(max_examples=60, deadline=None)
def test_whole_frames_and_bits_agree(events, passive):
    whole = Run(events, by_bits=False, passive=passive).outcome()
    assert Run(events, by_bits=True, passive=passive).outcome() == whole


@given(st.lists(st.tuples(st.integers(0, 3_000), st.just("a"), frames), max_size=4), st.booleans())
@settings(max_examples=20, deadline=None)
def test_both_agree_on_a_node_that_nobody_hears(events, passive):
    off, known = "bcd", "a" if passive else ""
    whole = Run(events, by_bits=False, passive=known, off=off).outcome()
    assert Run(events, by_bits=True, passive=known, off=off).outcome() == whole


def test_the_two_ways_are_two_ways():
    events = [(0, "a", Frame(0x100))]
    followed = Run(events, by_bits=True)
    assert followed.bus.segments[0].wiring is not None
    bits = []
    followed.bus.bit_observers.append(bits.append)
    followed.nodes["b"].send(Frame(0x101))
    followed.queue.run_until(20_000_000)
    assert len(bits) >= 46
