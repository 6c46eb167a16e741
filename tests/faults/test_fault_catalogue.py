"""What holds for every fault of the catalogue, those included that somebody adds later."""

from __future__ import annotations

import re
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_car import fault, run, small_vehicle, supplied_vehicle

from linkloss.bus import BusRecord, Frame
from linkloss.faults.base import Fault
from linkloss.faults.catalogue import FaultError, catalogue, make_fault
from linkloss.faults.frame_faults import Luck, last_sent, requests

KINDS = list(catalogue())
EVERY = [
    instance
    for form in catalogue().values()
    for instance in form.every(supplied_vehicle() if form.electrical else small_vehicle())
]


def car_for(instance):
    """Electrical faults need a car that says how it is supplied."""
    return supplied_vehicle() if instance.electrical else small_vehicle()


READABLE = {
    "ground_offset(front,2 V)",
    "short(dash,CAN_H-supply)",
    "short(dash,CAN_L-ground)",
    "unterminated(1)",
    "unterminated(3)",
}
"""Faults of the wiring that leave every bit readable: there the car must not notice anything."""


def of_a_fault(action):
    return action.__module__.startswith("linkloss.faults")


def cable_state(bus):
    with bus.rewiring() as cable:
        return (
            [segment.wiring for segment in bus.segments],
            list(cable.shorts),
            [*cable.swapped, *cable.stuck, *cable.dead],
            dict(cable.grounds),
            cable.line.terminators,
        )


def rig_state(session):
    """All that a fault may take hold of, as plain values."""
    bus = session.bus
    lines = [
        line for name in session.vehicle.inputs for line in session.inputs.lines(name).values()
    ]
    hosts = session.hosts.values()
    return {
        "hooks": [len(hook) for hook in (bus.transforms, bus.disturbances, bus.misses, bus.noises)],
        "cable": cable_state(bus),
        "bit rates": [controller.bit_rate for controller in bus.controllers],
        "segments": [tuple(c.name for c in segment.members) for segment in bus.segments],
        "controllers": [controller.name for controller in bus.controllers],
        "outgoing": [len(host.controller.outgoing) for host in hosts],
        "muted": [host.controller.muted for host in hosts],
        "slow": [host.slow for host in hosts],
        "nodes": [host.state for host in hosts],
        "stuck": [list(line._stuck) for line in lines],
        "edges": [line.edges for line in lines],
        "circuit": circuit_state(session.power),
        "to come": [event for event in session.queue.scheduled() if of_a_fault(event[3])],
    }


def circuit_state(power):
    """What a fault may change in the circuit."""
    if power is None:
        return None
    network = power.network
    return {
        "loads": [
            (channel.opened, channel.shorted, channel.fuse and channel.fuse.opened)
            for channel in network.channels.values()
        ],
        "welded": [getattr(c.switch, "welded", False) for c in network.channels.values()],
        "leads": [(t.feed_lost, t.ground_lost) for t in network.terminals.values()],
        "battery": network.battery.connected,
        "profiles": list(power._followed),
    }


@pytest.mark.parametrize("kind", KINDS)
def test_every_fault_says_what_it_is(kind):
    form = catalogue()[kind]
    assert form.kind == kind
    assert re.fullmatch(r"[a-z]+(_[a-z]+)*", kind)
    assert form.__module__.startswith("linkloss.faults.")
    assert form.__doc__
    assert form.__doc__ != Fault.__doc__
    assert form.group in ("cable", "frames", "node", "input", "output")


@pytest.mark.parametrize("kind", KINDS)
def test_a_check_of_a_vehicle_tries_every_fault(kind):
    assert [instance for instance in EVERY if instance.kind == kind]


@pytest.mark.parametrize("instance", EVERY, ids=lambda instance: instance.label())
def test_what_a_check_tries_fits_the_vehicle_and_can_be_described(instance):
    vehicle = car_for(instance)
    assert instance.problem(vehicle) == ""
    assert re.fullmatch(r"[a-z].*[^.\s]", instance.describe(), flags=re.IGNORECASE)
    assert instance.label().startswith(f"{instance.kind}(")
    assert set(instance.nodes()) <= set(vehicle.nodes)
    assert make_fault(instance.kind, instance.written(), vehicle) == instance


def test_labels_tell_instances_apart():
    labels = [instance.label() for instance in EVERY]
    assert len(set(labels)) == len(labels)


@pytest.mark.parametrize("instance", EVERY, ids=lambda instance: instance.label())
def test_a_cleared_fault_leaves_nothing_behind(instance):
    vehicle = car_for(instance)
    before = rig_state(run(lasts_ms=700, vehicle=vehicle).session)
    after = run((instance, 210, 400), lasts_ms=700, vehicle=vehicle).session
    assert rig_state(after) == before


@pytest.mark.parametrize("instance", EVERY, ids=lambda instance: instance.label())
def test_a_fault_makes_a_difference_and_the_same_one_each_time(instance):
    lights = [(230, "on"), (330, "off")]
    pressed = [(220, "pressed"), (320, "released")]
    actions = {"lights": lights, "brake_pedal": pressed, "oil_pressure": [(250, 5.0)]}
    if instance.kind == "noise":  # else half a second may well pass without a hit
        instance = instance.model_copy(update={"share": 0.02})
    actions["vehicle"] = car_for(instance)
    without = run(lasts_ms=500, **actions).recording
    once = run((instance, 210, 400), lasts_ms=500, **actions).recording
    again = run((instance, 210, 400), lasts_ms=500, **actions).recording
    assert once == again
    once.faults = []
    assert (once == without) is (instance.label() in READABLE)


def test_an_unknown_fault_is_refused_with_the_nearest_name():
    with pytest.raises(FaultError, match=r"unknown fault 'droop'.*did you mean 'drop'\?"):
        make_fault("droop", {}, small_vehicle())


def test_an_unknown_or_missing_parameter_is_named():
    with pytest.raises(FaultError, match=r"unknown parameter of 'drop' 'massage'") as caught:
        make_fault(
            "drop", {"massage": "x", "message": "LampRequest", "receiver": "rear"}, small_vehicle()
        )
    assert caught.value.key == "massage"
    with pytest.raises(FaultError, match="'drop' needs the parameter 'receiver'"):
        make_fault("drop", {"message": "LampRequest"}, small_vehicle())


@pytest.mark.parametrize(
    ("kind", "parameters"),
    [
        ("drop", {"message": "LampRequest", "receiver": "rear", "share": 0}),
        ("drop", {"message": "LampRequest", "receiver": "rear", "count": 0}),
        ("corrupt", {"message": "LampRequest", "share": 1.5}),
        ("delay", {"message": "LampRequest", "by": "0 ms"}),
        ("delay", {"message": "LampRequest", "by": "80"}),
        ("flood", {"node": "rear", "identifier": 0x800}),
        ("reset", {"node": "rear", "period": "0 s"}),
        ("bounce", {"input": "lights", "settles_in": "0 ms"}),
    ],
)
def test_a_parameter_out_of_range_is_refused(kind, parameters):
    with pytest.raises(FaultError):
        make_fault(kind, parameters, small_vehicle())


def test_labels_show_what_differs_from_the_default_in_words_of_the_user():
    assert fault("delay", message="LampRequest", by="0.12 s").label() == (
        "delay(LampRequest,by=120 ms)"
    )
    assert fault("drop", message="LampRequest", receiver="rear", count=2).label() == (
        "drop(LampRequest,rear,count=2)"
    )
    assert fault("stuck", input="oil_pressure", value=3.0).label() == "stuck(oil_pressure,value=3)"


def test_requests_are_the_messages_that_ask_something_of_a_load():
    assert requests(small_vehicle()) == {"LampRequest": ("front", "rear")}


def record(frame, sender="dash", error=None):
    return BusRecord(0, 1, sender, frame, error=error)


@pytest.mark.parametrize(
    "other",
    [
        record(Frame(256, b"\2"), error="ack"),
        record(Frame(256, b"\2"), sender="impostor at rear"),
        record(Frame(256, b"\2", extended=True)),
        record(Frame(256, remote=True, dlc=1)),
        record(Frame(257, b"\2")),
    ],
)
def test_the_last_frame_of_a_message_is_a_good_one_of_its_own_sender(other):
    wanted = record(Frame(256, b"\1"))
    rig = SimpleNamespace(frames=[record(Frame(256, b"\0")), wanted, other])
    assert last_sent(rig, small_vehicle().messages["LampRequest"]) is wanted
    assert last_sent(rig, small_vehicle().messages["RearStatus"]) is None


class Draws:
    """A stand-in for a generator that counts how often it was asked."""

    def __init__(self) -> None:
        self.asked = 0

    def random(self) -> float:
        self.asked += 1
        return 0.4


@given(st.integers(1, 20), st.integers(0, 40))
def test_luck_never_hits_more_than_the_count(count, offered):
    luck = Luck(count, 1.0, Draws())
    assert sum(luck.hits() for _ in range(offered)) == min(count, offered)


def test_luck_asks_for_chance_only_when_there_is_something_to_decide():
    draws = Draws()
    luck = Luck(None, 1.0, draws)
    assert luck.hits()
    assert draws.asked == 0
    assert Luck(None, 0.5, draws).hits()
    assert not Luck(None, 0.3, draws).hits()
    assert draws.asked == 2
