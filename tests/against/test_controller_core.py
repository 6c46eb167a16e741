"""Held against an independent controller core, bit by bit: what is driven, counted, sent, received.

``controller_core/episodes.jsonl.gz`` holds 1,367 episodes of three controllers on one bus, made by
simulating an open CAN 2.0B controller core in a hardware description language; ``README.md`` beside
it tells the fields.
"""

from __future__ import annotations

import gzip
import json
from pathlib import Path

import pytest

from linkloss.bus.cable import Wiring
from linkloss.bus.controller import Controller
from linkloss.bus.frame import Frame
from linkloss.bus.medium import Bus
from linkloss.clock.queue import EventQueue

EPISODES = Path(__file__).parent / "controller_core" / "episodes.jsonl.gz"
BIT_NS = 1_000
IDLE_BITS = 20
"""Of idle bus before bit 0 of an episode."""
NAMES = "abc"


class Inverting(Wiring):
    """A bus on which some nodes read the opposite in some bits."""

    def __init__(self, queue, inverted) -> None:
        super().__init__(lambda driven: driven, forced=1)  # so that every bit is gone through
        self.queue = queue
        self.inverted = {}
        for bit, nodes in inverted:
            mask = sum(1 << NAMES.index(name) for name in nodes)
            self.inverted[bit] = self.inverted.get(bit, 0) ^ mask

    def seen(self, driven, *, fast=False):
        bit = bit_at(self.queue.now_ns) - 1
        return (0b111 if driven else 0) ^ self.inverted.get(bit, 0)


def bit_at(at_ns):
    """The bit of an episode that begins at an instant."""
    return at_ns // BIT_NS - IDLE_BITS


def frame(entry):
    data = b"" if entry["remote"] else bytes.fromhex(entry["data"])
    return Frame(entry["id"], data, entry["extended"], entry["remote"], entry["dlc"])


def ours(episode):
    """What our controllers do in an episode, in the fields of the core."""
    queue = EventQueue()
    bus = Bus(queue, 1_000_000_000 // BIT_NS)
    found = {
        name: {"dominant": [], "tec": [], "rec": [], "sent": [], "received": 0} for name in NAMES
    }
    nodes = {name: Controller(name, mailboxes=16, order="fifo") for name in NAMES}
    for name, node in nodes.items():
        bus.attach(node)
        begin = episode["begin"][name]
        node.tec, node.rec = begin["tec"], begin["rec"]
        node.refresh_state()
        told = found[name]
        told["tec"].append([0, node.tec])
        told["rec"].append([0, node.rec])

        def sent(_, told=told):
            told["sent"].append(bit_at(queue.now_ns) - 1)

        def receive(it, told=told):
            while it.receive() is not None:
                told["received"] += 1

        node.on_sent, node.on_receive = sent, receive

    def count(bit):
        """The counters after a bit."""
        for name, node in nodes.items():
            for key, value in (("tec", node.tec), ("rec", node.rec)):
                told = found[name][key]
                if told[-1][1] != value:
                    if told[-1][0] == bit:  # bit 0 has one entry: what it ends with
                        told.pop()
                    told.append([bit, value])

    def look(record):
        bit = bit_at(record.start_ns)
        count(bit - 1)
        for place, name in enumerate(NAMES):
            if record.driven >> place & 1:
                runs = found[name]["dominant"]
                if runs and sum(runs[-1]) == bit:
                    runs[-1][1] += 1
                else:
                    runs.append([bit, 1])

    bus.bit_observers.append(look)
    bus.segments[0].wiring = Inverting(queue, episode["inverted"])
    bus.segments[0].follow()
    for entry in episode["send"]:
        queue.at((IDLE_BITS + entry["at"]) * BIT_NS, nodes[entry["node"]].send, frame(entry))
    queue.run_until((IDLE_BITS + episode["bits"]) * BIT_NS)
    count(episode["bits"] - 1)
    return found


def episodes():
    with gzip.open(EPISODES, "rt") as lines:
        return [json.loads(line) for line in lines]


KINDS = {"single": 700, "several": 277, "runs": 140, "arbitration": 250}


@pytest.mark.parametrize("kind", KINDS)
def test_every_bit_and_counter_agrees_with_the_core(kind):
    chosen = [(n, e) for n, e in enumerate(episodes()) if e["kind"] == kind]
    assert len(chosen) == KINDS[kind]
    assert [n for n, episode in chosen if ours(episode) != episode["core"]] == []


def test_the_comparison_has_teeth():
    """Without its wrong bit an episode goes another way."""
    chosen = [e for e in episodes() if e["kind"] == "single"][:40]
    assert sum(ours({**e, "inverted": []}) != e["core"] for e in chosen) >= 30
