"""How many frames per second the bus moves, as a ratio to python-can's `virtual` interface."""

from __future__ import annotations

import time

import can
import pytest

from linkloss.bus.controller import Controller
from linkloss.bus.frame import Frame
from linkloss.bus.medium import Bus
from linkloss.clock.queue import EventQueue

FRAMES = 5_000
NODES = 5


def _payload(node: int, number: int) -> bytes:
    return (node << 56 | number * 0x9E3779B97F4A7C15 & 0xFF_FFFF_FFFF_FFFF).to_bytes(8, "big")


class _Babbler:
    """Keeps its mailboxes filled with frames that are all different, and reads what it hears."""

    def __init__(self, node: int, bus: Bus) -> None:
        self.node = node
        self.number = 0
        self.heard = 0
        self.controller = Controller(f"node {node}", receive_depth=1_000)
        self.controller.on_sent = self.refill
        bus.attach(self.controller)
        for _ in range(3):
            self.refill()

    def refill(self, _sent: Frame | None = None) -> None:
        self.number += 1
        identifier = 0x100 + self.number % 0x100 * NODES + self.node  # no node has another's
        self.controller.send(Frame(identifier, _payload(self.node, self.number)))

    def read(self) -> None:
        while self.controller.receive() is not None:
            self.heard += 1


def _saturate() -> list[_Babbler]:
    queue = EventQueue()
    bus = Bus(queue, 500_000)
    babblers = [_Babbler(node, bus) for node in range(NODES)]
    while sum(babbler.controller.sent for babbler in babblers) < FRAMES:
        queue.run_until(queue.now_ns + 100_000_000)
        for babbler in babblers:
            babbler.read()
    return babblers


def _python_can_seconds_per_frame(frames: int = 2_000) -> float:
    buses = [can.Bus(interface="virtual", channel="bus speed") for _ in range(NODES)]
    sender, *receivers = buses
    heard = 0
    begin = time.perf_counter()  # noqa: TID251 (measures the bench itself)
    for number in range(frames):
        sender.send(
            can.Message(arbitration_id=0x123, data=_payload(0, number), is_extended_id=False)
        )
        for receiver in receivers:
            heard += receiver.recv(0) is not None
    took = time.perf_counter() - begin  # noqa: TID251
    for bus in buses:
        bus.shutdown()
    assert heard == frames * len(receivers)
    return took / frames


@pytest.mark.benchmark(group="bus")
def test_five_saturating_controllers_against_python_can_virtual(benchmark):
    theirs = min(_python_can_seconds_per_frame() for _ in range(3))

    babblers = benchmark.pedantic(_saturate, rounds=5, warmup_rounds=1)

    sent = sum(babbler.controller.sent for babbler in babblers)
    assert sent >= FRAMES
    assert sum(babbler.heard for babbler in babblers) == sent * (NODES - 1)
    if benchmark.stats is not None:
        ours = benchmark.stats.stats.min / sent
        benchmark.extra_info["ratio"] = ratio = theirs / ours
        print(f"\n{ours * 1e6:.2f} us, python-can virtual {theirs * 1e6:.2f} us: x{ratio:.2f}")
