"""The guided checklist, with a node and a person that the test plays; ten times as fast as life."""

from __future__ import annotations

import threading

import pytest
from serve_lab import SOON, Program, rear_status, reporting_car

from linkloss.clock.wallclock import wait_seconds
from linkloss.judge import Outcome
from linkloss.live.driven import LiveSession
from linkloss.live.opened import OpenBus, outside_of
from linkloss.live.real_node import HAND_NS, HANDWORK, Checklist, in_time

MS = 1_000_000
PLUG, SUPPLY = (work.rule for work in HANDWORK)


class Node(Program):
    """Sends its status every 100 ms of the car's time (10 ms of ours) unless it is silenced."""

    def __init__(self, vehicle):
        super().__init__("rear")
        self.there = threading.Event()
        self.there.set()
        self._vehicle = vehicle
        self._count = 0

    def read(self):
        self.closed.wait(0.01)
        if self.there.is_set():
            self._count += 1
            self.line.heard(rear_status(self._vehicle, self._count, socket_on=False))


class Person:
    """Answers by the words of the question; what it does happens before the answer."""

    def __init__(self, node, answers):
        self.node, self.answers, self.asked, self.told = node, answers, [], []

    def ask(self, question):
        self.asked.append(question)
        for words, answer in self.answers.items():
            if words in question:
                if isinstance(answer, type) and issubclass(answer, Exception):
                    raise answer
                return answer() if callable(answer) else answer
        return ""

    def pull(self):
        self.node.there.clear()
        return ""

    def put(self):
        self.node.there.set()
        return ""


@pytest.fixture
def walk(tmp_path):
    """Walks through the checklist with a person; returns verdicts by (subject, rule)."""
    vehicle = reporting_car(tmp_path)
    node = Node(vehicle)
    person = Person(node, {})
    live = LiveSession(vehicle, speed=10, outside=outside_of([], [node]))
    bus = OpenBus(live, [node])
    thread = threading.Thread(target=live.run)
    thread.start()

    def go(**answers):
        pull, put = person.pull, person.put
        usual = {"Type yes": "yes", "Pull": pull, "Switch off": pull, "again": put, "Is '": ""}
        told = {key.replace("_", " "): one for key, one in answers.items()}
        person.answers = {**told, **{key: usual[key] for key in usual if key not in told}}
        guide = Checklist(bus, "rear", person.ask, person.told.append, wait_seconds)
        found = guide.walk()
        return {(verdict.subject, verdict.rule): verdict for verdict in found}

    go.person, go.live, go.node = person, live, node
    yield go
    node.there.set()
    bus.close()
    live.end()
    thread.join(SOON)


def test_a_node_that_comes_back_at_once_is_kept(walk):
    found = walk()
    for rule in (PLUG, SUPPLY):
        assert found["rear", rule].outcome is Outcome.KEPT
        assert "was heard again" in found["rear", rule].text
    told = walk.live.excerpt().result(timeout=SOON).recording.faults
    assert [fault.text for fault in told] == [
        "the CAN plug of rear was pulled by hand",
        "the supply of rear was switched off by hand",
    ]
    assert all(fault.cleared_ns is not None for fault in told)
    # nobody looked at a load
    assert found["accessory_socket", PLUG].outcome is Outcome.NOT_EXERCISED


def test_the_caution_comes_first_and_without_a_yes_nothing_is_exercised(walk):
    found = walk(Type_yes="no")
    assert walk.person.told[0].startswith("Caution: 'rear' is real")
    assert len(walk.person.asked) == 1
    assert {verdict.outcome for verdict in found.values()} == {Outcome.NOT_EXERCISED}


def test_a_person_sees_what_a_load_does_while_the_plug_is_pulled(walk):
    found = walk(**{"Is 'Tail lamp, left": "n", "Is 'Tail lamp, right": "y", "Is 'Socket": "n"})
    broken = found["tail_left", PLUG]
    assert broken.outcome is Outcome.BROKEN
    assert broken.text == "was seen off with a lost link; expected: on"
    assert found["tail_right", PLUG].outcome is Outcome.KEPT
    assert found["accessory_socket", PLUG].outcome is Outcome.KEPT
    assert ("brake_lamps", PLUG) not in found  # its input is at the node


def test_a_node_that_comes_back_late_is_broken(walk):
    def later():
        threading.Timer(0.25, walk.node.there.set).start()  # 2.5 s of the car's time
        return ""

    found = walk(again=later)
    assert found["rear", PLUG].outcome is Outcome.BROKEN  # 1 s and the hand's 0.5 s


def test_what_is_left_out_or_does_not_happen_is_not_exercised(walk):
    found = walk(Pull="s", Switch_off=EOFError)
    assert found["rear", PLUG].outcome is Outcome.NOT_EXERCISED
    assert found["rear", SUPPLY].outcome is Outcome.NOT_EXERCISED
    assert walk.person.told[-1].startswith("nobody answers")
    assert walk.live.excerpt().result(timeout=SOON).recording.faults == []


@pytest.mark.parametrize(
    ("took_ms", "outcome"),
    [
        (0, Outcome.KEPT),
        (500, Outcome.KEPT),
        (501, Outcome.NOT_EXERCISED),
        (1500, Outcome.NOT_EXERCISED),
        (1501, Outcome.BROKEN),
        (-500, Outcome.KEPT),
        (-501, Outcome.NOT_EXERCISED),
    ],
)
def test_what_only_the_hand_decides_is_not_exercised(took_ms, outcome):
    assert HAND_NS == 500 * MS
    assert in_time(took_ms * MS, 1000 * MS)[0] is outcome
