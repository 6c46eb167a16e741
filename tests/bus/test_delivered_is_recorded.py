"""What a controller hands to its program and what the record says it got are one and the same."""

from __future__ import annotations

from contextlib import suppress

import pytest

from linkloss.bus.controller import Controller, TransmitError
from linkloss.bus.frame import Frame
from linkloss.bus.medium import Bus
from linkloss.clock.queue import EventQueue

BIT_NS = 1_000
FRAME = Frame(0x123, bytes.fromhex("55a0"))
LONGEST_BITS = 90

FAULTS = {
    "unplug the sender": lambda bus, nodes: bus.unplug("a"),
    "unplug a receiver": lambda bus, nodes: bus.unplug("c"),
    "cut beside the sender": lambda bus, nodes: bus.cut("a", "b"),
    "cut between receivers": lambda bus, nodes: bus.cut("b", "c"),
    "bus-off of the sender": lambda bus, nodes: nodes["a"].force_bus_off(),
    "reset of the sender": lambda bus, nodes: nodes["a"].power_off(),
    "reset of a receiver": lambda bus, nodes: nodes["c"].power_off(),
    "unplug sender and receiver": lambda bus, nodes: (bus.unplug("a"), bus.unplug("c")),
    "bus-off and cut": lambda bus, nodes: (nodes["a"].force_bus_off(), bus.cut("b", "c")),
}


def send(node, frame):
    """Hand over a frame, unless the fault has made that impossible."""
    with suppress(TransmitError):
        node.send(frame)


def run(fault, at_ns, extra=()):
    """Four nodes, one frame, one fault. Returns who got a frame when, as told and as recorded."""
    queue = EventQueue()
    bus = Bus(queue, 1_000_000)
    nodes = {name: Controller(name) for name in "abcd"}
    told, recorded = [], []
    for name, node in nodes.items():
        bus.attach(node)

        def take(it, name=name):
            while (got := it.receive()) is not None:
                told.append((queue.now_ns, name, got[1]))

        node.on_receive = take
    bus.observers.append(
        lambda record: recorded.extend(
            (record.end_ns, name, record.frame) for name in record.receivers
        )
    )
    queue.at(0, send, nodes["a"], FRAME)
    for at, name, frame in extra:
        queue.at(at, send, nodes[name], frame)
    queue.at(at_ns, FAULTS[fault], bus, nodes)
    queue.run_until(5_000_000)
    return sorted(told, key=str), sorted(recorded, key=str)


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("part_ns", [0, 500, 999], ids=["begin", "sample", "end"])
def test_a_fault_in_any_bit_leaves_one_truth(fault, part_ns):
    differing = []
    for bit in range(LONGEST_BITS):
        told, recorded = run(fault, bit * BIT_NS + part_ns)
        if told != recorded:
            differing.append((bit, told, recorded))
    assert differing == []


@pytest.mark.parametrize("fault", FAULTS)
def test_so_it_is_with_frames_that_wait_behind(fault):
    extra = [(5_000, "c", Frame(0x200, b"\x01")), (9_000, "a", Frame(0x201, b"\x02"))]
    differing = []
    for bit in range(2 * LONGEST_BITS):
        told, recorded = run(fault, bit * BIT_NS + 300, extra)
        if told != recorded:
            differing.append((bit, told, recorded))
    assert differing == []


def test_the_sender_that_goes_in_the_end_of_frame_has_been_heard():
    """Its last bits are recessive as the idle bus is: receivers take the frame all the same."""
    heard = [run("bus-off of the sender", bit * BIT_NS)[0] for bit in range(LONGEST_BITS)]
    assert any(len(got) == 3 for got in heard)
