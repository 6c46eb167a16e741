"""What holds on any bus, whatever the nodes send and whatever breaks."""

from __future__ import annotations

import itertools
import random
from collections import Counter

from hypothesis import example, given, settings
from hypothesis import strategies as st

from linkloss.bus.cable import Short
from linkloss.bus.controller import NOTHING, Controller, ErrorState, TransmitError
from linkloss.bus.frame import Frame, arbitration_word, length_bits
from linkloss.bus.medium import Bus
from linkloss.bus.record import BitError, Noise
from linkloss.clock.queue import EventQueue

NAMES = "abcd"
SPAN_NS = 3_000_000

frames = st.builds(
    lambda identifier, data, extended, remote: Frame(
        identifier << 18 if extended else identifier, b"" if remote else data, extended, remote
    ),
    st.integers(0x100, 0x107),  # few identifiers, so that they meet
    st.binary(max_size=3),
    st.booleans(),
    st.sampled_from([False, False, False, True]),
)
sends = st.lists(
    st.tuples(st.integers(0, SPAN_NS // 10_000), st.sampled_from(NAMES), frames), max_size=40
)
CABLE = ("cut", "mend", "unplug", "plug", "half_cut", "half_mend", "half_open", "half_closed")
NODE = ("off", "on", "bus_off", "mute", "unmute", "abort", "listen", "hear")
WIRING = ("short", "swap", "stick", "release", "rate")
breakages = st.lists(
    st.tuples(
        st.integers(0, SPAN_NS),
        st.sampled_from((*CABLE, *NODE, *WIRING)),
        st.integers(0, 3),
    ),
    max_size=12,
)
common = settings(max_examples=60, deadline=None)


def _of(name, frame):
    """The same frame with an identifier that only this node sends."""
    shift = NAMES.index(name) * 8 << (18 if frame.extended else 0)
    return Frame(frame.identifier + shift, frame.data, frame.extended, frame.remote)


class Run:
    """Four nodes, a scripted load, optional breakages and disturbances at random bits."""

    def __init__(self, sends, breakages=(), disturbed=0.0, seed=0):
        self.queue = EventQueue()
        self.bus = Bus(self.queue, 500_000)
        self.records = []
        self.bus.observers.append(self.records.append)
        self.nodes = {name: Controller(name, auto_recovery=name < "c") for name in NAMES}
        for node in self.nodes.values():
            self.bus.attach(node)
        self.accepted = Counter()
        for slot, name, frame in sends:
            self.queue.at(slot * 10_000, self._send, self.nodes[name], frame)
        for at_ns, what, number in breakages:
            self.queue.at(at_ns, self._break, what, number)
        if disturbed:
            rng = random.Random(seed)
            self.bus.disturbances.append(
                lambda _s, _f, length: (
                    [BitError(rng.randrange(length))] if rng.random() < disturbed else []
                )
            )

    def _send(self, node, frame):
        try:
            node.send(frame)
        except TransmitError:
            return
        self.accepted[node.name] += 1

    def _break(self, what, number):
        name = NAMES[number]
        node = self.nodes[name]
        left, right = NAMES[min(number, 2)], NAMES[min(number, 2) + 1]
        match what:
            case "cut":
                self.bus.cut(left, right)
            case "mend":
                self.bus.mend(left, right)
            case "unplug":
                self.bus.unplug(name)
            case "plug":
                self.bus.plug(name)
            case "off":
                node.power_off()
            case "on":
                node.power_on()
            case "bus_off":
                node.force_bus_off()
            case "mute" | "unmute":
                node.muted = what == "mute"
            case "half_cut":
                self.bus.cut(left, right, "CAN_H")
            case "half_mend":
                self.bus.mend(left, right, "CAN_H")
            case "half_open":
                self.bus.unplug(name, "CAN_L")
            case "half_closed":
                self.bus.plug(name, "CAN_L")
            case "listen" | "hear":
                node.listen(only=what == "listen")
            case "short" | "swap" | "stick" | "release" | "rate":
                self._rewire(what, node)
            case _:
                node.abort_pending()

    def _rewire(self, what, node):
        """Something is wrong with the wiring; the second time it is right again."""
        with self.bus.rewiring(node.name) as cable:
            if what == "rate":
                node.bit_rate = 250_000 if node.bit_rate is None else None
            elif what == "short":
                cable.shorts = [] if cable.shorts else [Short(node.name, "CAN_H-CAN_L")]
            elif what == "swap":
                cable.swapped = [] if cable.swapped else [node.name]
            else:
                cable.stuck = [node.name] if what == "stick" else []

    def finish(self):
        self.queue.run_until(10 * SPAN_NS)
        return self

    def check_counters(self):
        for node in self.nodes.values():
            assert 0 <= node.tec <= 263
            assert 0 <= node.rec <= 135
            if node.tec >= 256:
                assert node.state is ErrorState.BUS_OFF
            elif node.tec >= 128 or node.rec >= 128:
                assert node.state is ErrorState.PASSIVE
            else:
                assert node.state is ErrorState.ACTIVE

    def check_accounts(self):
        for node in self.nodes.values():
            assert node.accepted == self.accepted[node.name]
            kept = node.sent + node.aborted + node.lost + node.delayed + node.pending()
            assert node.accepted == kept


@given(sends, breakages, st.sampled_from([0.0, 0.2]), st.integers(0, 100))
@common
def test_every_frame_is_accounted_for_and_counters_agree_with_states(
    sends, breakages, disturbed, seed
):
    run = Run(sends, breakages, disturbed, seed)
    while run.queue.now_ns < 2 * SPAN_NS and run.queue.step():
        run.check_counters()
        run.check_accounts()


@given(sends, st.sampled_from([0.0, 0.3]), st.integers(0, 100))
@common
def test_no_two_frames_overlap_and_an_intermission_lies_between(sends, disturbed, seed):
    run = Run(sends, disturbed=disturbed, seed=seed).finish()
    for earlier, later in itertools.pairwise(run.records):
        if later.start_ns == earlier.start_ns:  # of several senders one failed first
            assert earlier.error is not None
        else:
            # a dominant third bit of intermission is a start of frame; after an error only a
            # passive flag may lie between
            gap = 0 if earlier.error else 2 if disturbed else 3
            assert later.start_ns >= earlier.end_ns + gap * 2_000


# b sends the identifier of a with other data until it is error-passive: its passive error flag
# leaves the frame of a whole, so both begin at one start of frame and only one of them fails
SAME_IDENTIFIER = [
    *[(0, "a", Frame(0x100, b""))] * 17,
    (0, "a", Frame(0x100 << 18, b"", True)),
    (0, "b", Frame(0x100, b"\0")),
]


@given(sends, breakages)
@example(SAME_IDENTIFIER, [])
@example([(0, "a", Frame(0x100, b""))], [(76_000, "cut", 1)])  # in the midst of a frame
@example([(0, "a", Frame(0x100, b""))], [(76_000, "cut", 0)])
@example([(0, "a", Frame(0x100, b""))], [(0, "rate", 0), (0, "rate", 1)])
@common
def test_no_node_hears_two_frames_at_once_however_the_cable_is_cut(sends, breakages):
    run = Run(sends, breakages).finish()
    for name in NAMES:
        heard = [r for r in run.records if name in r.receivers or name == _sender(r)]
        heard.sort()
        for earlier, later in itertools.pairwise(heard):
            assert later.start_ns >= earlier.end_ns or _one_frame(earlier, later)


def _one_frame(earlier, later):
    """At another bit rate a receiver may have the frame a bit before its sender is through: then
    each of the two has a record of its own, and only the sender is in both.
    """
    same = (earlier.start_ns, earlier.sender, earlier.frame)
    receivers = {*earlier.receivers}
    return (
        same == (later.start_ns, later.sender, later.frame)
        and later.end_ns - earlier.end_ns <= 4_000
        and receivers
        and receivers.isdisjoint(later.receivers)
    )


def _sender(record):
    """The node that sends until the record ends: a rest behind a cut has none."""
    return None if record.error == "broken_off" else record.sender


@given(sends, st.sampled_from([0.0, 0.3]), st.integers(0, 100))
@common
def test_the_records_say_what_each_receiver_got(sends, disturbed, seed):
    run = Run(sends, disturbed=disturbed, seed=seed).finish()
    for name, node in run.nodes.items():
        expected = [
            (record.end_ns, record.frame) for record in run.records if name in record.receivers
        ]
        assert list(node.inbox) == expected[:64]


@given(sends, st.sampled_from([0.0, 0.3]), st.integers(0, 100))
@common
def test_all_who_only_listen_to_an_error_that_all_see_get_the_same(sends, disturbed, seed):
    # c and d send nothing, and what disturbs the bus disturbs them alike
    sends = [send for send in sends if send[1] in "ab"]
    run = Run(sends, disturbed=disturbed, seed=seed).finish()
    for record in run.records:
        assert ("c" in record.receivers) == ("d" in record.receivers)
        if record.error is None:
            assert "c" in record.receivers
    assert list(run.nodes["c"].inbox) == list(run.nodes["d"].inbox)


@given(sends)
@common
def test_without_a_disturbance_every_frame_reaches_all_others(sends):
    # one sender for each identifier, so that no two different frames collide
    run = Run([(slot, name, _of(name, frame)) for slot, name, frame in sends]).finish()
    for record in run.records:
        assert record.error is None
        assert set(record.receivers) | {record.sender} == set(NAMES)


@given(sends, st.integers(0, 1_000))
@common
def test_who_sees_every_bit_rightly_gets_what_others_get_who_do(sends, seed):
    # b alone reads one bit in fifty wrongly; c and d send nothing
    sends = [send for send in sends if send[1] in "ab"]
    run = Run(sends)
    run.bus.noises.append(Noise(0.02, random.Random(seed), "b"))
    run.finish()
    assert list(run.nodes["c"].inbox) == list(run.nodes["d"].inbox)
    assert [run.nodes[name].state for name in "cd"] == [run.nodes["c"].state] * 2


@given(sends)
@common
def test_every_good_frame_takes_its_exact_length(sends):
    for record in Run(sends).finish().records:
        if record.error is None:
            assert record.end_ns - record.start_ns == 2_000 * length_bits(record.frame)


@given(sends)
@example(SAME_IDENTIFIER)
@common
def test_arbitration_never_inverts_priority(sends):
    run = Run(sends)
    waiting = {}

    def watch(sender, frame):
        # asked of each node that starts, the losers too; an error-passive node that has just
        # sent may not start yet (suspend transmission)
        others = (n for n in run.nodes.values() if n is not sender)
        words = [n.next_word for n in others if n.state is not ErrorState.PASSIVE]
        start_ns = run.queue.now_ns
        waiting[start_ns] = min(waiting.get(start_ns, NOTHING), *words, NOTHING)
        return frame

    run.bus.transforms.append(watch)
    run.finish()
    won = [record for record in run.records if record.error is None]
    assert all(arbitration_word(record.frame) <= waiting[record.start_ns] for record in won)


@given(sends, breakages, st.integers(0, 100))
@settings(max_examples=20, deadline=None)
def test_the_same_input_gives_the_same_records(sends, breakages, seed):
    first = Run(sends, breakages, 0.2, seed).finish()
    second = Run(sends, breakages, 0.2, seed).finish()
    assert first.records == second.records
