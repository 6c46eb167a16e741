"""The circuit in time: thresholds to the microsecond, fuses, switches, grounds, determinism."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkloss.power.channel import Channel
from linkloss.power.consumers import Electronics, Filament, Heater, Motor, Solenoid
from linkloss.power.fuses import Fuse
from linkloss.power.network import Event, Network, Starter, Terminal
from linkloss.power.supply import Battery, NodeSupply, Piece, Profile, from_points, starting
from linkloss.power.switches import Direct, Relay, SolidState, Status

MS, S = 1_000_000, 1_000_000_000


def car(*channels: Channel, **terminals: Terminal) -> Network:
    terminals = terminals or {"node": Terminal(feed_ohm=0.02, ground_ohm=0.01)}
    network = Network(Battery(12.6, 0.01), terminals, channels)
    network.settle()
    return network


def ground_volts(network: Network, node: str) -> float:
    """A node's ground against the body, in V."""
    return network._circuit.volts[network.terminals[node].minus]


def heater(name: str = "load", node: str = "node", **more) -> Channel:
    return Channel(name, node, more.pop("switch", Direct(0.01)), Heater(12, 10), **more)


def run(network: Network, until_ns: int) -> list[Event]:
    """Everything that happens until then, by asking only for the next event."""
    found: list[Event] = []
    while network.next_ns is not None and network.next_ns <= until_ns:
        found += network.advance(network.next_ns)
    return [*found, *network.advance(until_ns)]


def test_voltages_of_one_load_stand_on_paper():
    """12.6 V; 0.01 battery, 0.02 feed, 0.01 switch, 0.05 lead, 1.2 ohm load to the body."""
    network = car(heater(lead_ohm=0.05))
    network.drive("load", 1.0)
    assert network.settle() == [Event(0, "fed", "load")]
    amps = 12.6 / 1.29
    assert network.amps("load") == pytest.approx(amps)
    assert network.feed_amps("node") == pytest.approx(amps)
    assert network.battery_volts == pytest.approx(12.6 - 0.01 * amps)
    assert network.volts("node") == pytest.approx(12.6 - 0.03 * amps)
    assert network.load_volts("load") == pytest.approx(1.2 * amps)
    assert network.next_ns is None


def test_a_load_that_ends_at_the_nodes_ground_lifts_it():
    network = car(heater(ground="node"))
    network.drive("load", 1.0)
    network.settle()
    assert ground_volts(network, "node") == pytest.approx(0.01 * network.amps("load"))


def supplied(**more) -> Network:
    return car(node=Terminal(feed_ohm=0.02, ground_ohm=0.01, supply=NodeSupply(6.5, 0.5, **more)))


def test_a_node_loses_power_when_the_ramp_crosses_its_threshold():
    network = supplied()
    network.follow(from_points("ramp", [(0, 12.0), (10 * MS, 2.0), (20 * MS, 12.0)]))
    network.settle()
    found = run(network, 30 * MS)
    assert [event.what for event in found] == ["power_lost", "power_back"]
    lost, back = (event.at_ns for event in found)  # 12 V - 1000 V/s to 6.5 V; 2 V + ... to 7.0 V
    assert lost == pytest.approx(5.5 * MS, abs=2_000)
    assert back == pytest.approx(15 * MS, abs=2_000)
    assert lost >= 5.5 * MS


def test_the_current_of_the_loads_brings_the_reset_nearer():
    network = car(
        heater(), node=Terminal(feed_ohm=0.2, ground_ohm=0.01, supply=NodeSupply(6.5, 0.5))
    )
    network.drive("load", 1.0)
    network.follow(from_points("ramp", [(0, 12.0), (10 * MS, 2.0)]))
    network.settle()
    (event,) = [e for e in run(network, 30 * MS) if e.what == "power_lost"]
    source = 6.5 * (1 + (0.2 + 0.01) / 1.21)  # 0.01: the profile's own
    assert event.at_ns == pytest.approx((12 - source) * MS, abs=2_000)


@pytest.mark.parametrize(("lowest", "resets"), [(6.501, False), (6.499, True)])
def test_a_dip_that_just_stays_above_the_threshold_resets_nothing(lowest, resets):
    network = supplied()
    network.follow(from_points("dip", [(0, 12.0), (5 * MS, lowest), (9 * MS, 12.0)]))
    network.settle()
    assert bool(run(network, 20 * MS)) is resets


def test_hysteresis_keeps_a_node_off_until_the_voltage_is_well_back():
    network = supplied()
    points = [(0, 12.0), (5 * MS, 6.0), (10 * MS, 6.9), (20 * MS, 6.9), (30 * MS, 6.0)]
    network.follow(from_points("dip", points))
    network.settle()
    assert [event.what for event in run(network, 40 * MS)] == ["power_lost"]


def drop(lasts_ns: int) -> Profile:
    return from_points("drop", [(0, 12.0), (1_000, 0.0), (lasts_ns - 1_000, 0.0), (lasts_ns, 12.0)])


def test_a_capacitor_holds_for_as_long_as_it_is_large():
    """12 V to 6.5 V at 100 mA from 470 uF: C dV / I = 25.85 ms (arithmetic)."""
    whole_ns = round(470e-6 * 5.5 / 0.1 * 1e9)
    for lasts_ns, resets in ((whole_ns - 10_000, False), (whole_ns + 10_000, True)):
        network = supplied(hold_up=470e-6, amps=0.1)
        network.battery.volts = 12.0
        network.follow(drop(lasts_ns))
        network.settle()
        network.terminals["node"].supply.held = 12.0
        assert bool(run(network, 100 * MS)) is resets


def test_level_1_cranking_resets_nobody_and_level_2_does():
    for level, resets in ((1, False), (2, True)):
        network = supplied()
        network.follow(starting(level))
        network.settle()
        assert bool(run(network, 12 * S)) is resets


def shorted(switch: Direct | SolidState, rating: float) -> tuple[Network, list[Event]]:
    network = car(
        heater(switch=switch, fuse=Fuse(rating), lead_ohm=0.05),
        heater("other", switch=Direct(0.01)),
    )
    network.drive("load", 1.0)
    network.drive("other", 1.0)
    network.settle()
    network.advance(10 * MS)
    network.short_load("load")
    network.settle()
    return network, run(network, 5 * S)


def test_a_short_blows_its_own_fuse_and_the_neighbour_stays():
    network, found = shorted(Direct(0.01), 15)
    assert [(event.what, event.name) for event in found] == [
        ("fuse_opened", "load"),
        ("cut_off", "load"),
    ]
    amps = 12.6 / (0.01 + 0.02 + 0.01 + 0.0047 + 0.05 + 0.01)  # about 120 A, 8 times its rating
    expected = (0.03 * 0.1) ** 0.5 * (6 * 15 / amps) ** 2
    assert found[0].at_ns / 1e9 - 0.01 == pytest.approx(expected, rel=0.1)
    assert network.amps("load") == 0
    assert network.amps("other") > 10


def test_a_solid_state_switch_trips_before_the_fuse_and_latches():
    network, found = shorted(SolidState(limit=40.0, retries=3), 15)
    assert {event.what for event in found} == {"fed", "cut_off"}
    assert [event.what for event in found].count("cut_off") == 4
    assert network.status("load") is Status.LATCHED
    network.drive("load", 0.0)
    network.short_load("load", -1)
    network.settle()
    network.drive("load", 1.0)
    network.settle()
    assert network.status("load") is Status.OK
    assert network.amps("load") > 9


def test_two_loads_on_one_fuse_blow_it_together():
    fuse = Fuse(10)
    network = car(heater(fuse=fuse), heater("other", fuse=fuse))
    for name in ("load", "other"):
        network.drive(name, 1.0)
    network.settle()
    found = run(network, 100 * S)
    assert [(event.what, event.name) for event in found] == [
        ("fuse_opened", "load"),
        ("cut_off", "load"),
        ("cut_off", "other"),
    ]


def test_a_blown_fuse_is_replaced():
    network = car(heater(fuse=Fuse(15)))
    network.set_fuse("load", opened=True)
    network.drive("load", 1.0)
    assert network.settle() == [Event(0, "fuse_opened", "load")]
    assert network.fed("load") == 0
    network.set_fuse("load", opened=False)
    assert network.settle() == [Event(0, "fed", "load")]


def test_the_fuse_of_a_feed_takes_the_whole_node():
    supply = NodeSupply(6.5, 0.5)
    network = car(
        Channel("load", "node", Direct(0.001), Heater(12, 60)),
        node=Terminal(feed_ohm=0.01, feed_fuse=Fuse(20), supply=supply),
    )
    network.drive("load", 1.0)
    network.settle()
    found = run(network, 10 * S)
    assert [(e.what, e.name) for e in found] == [
        ("fuse_opened", "feed of node"),
        ("power_lost", "node"),
    ]
    assert network.volts("node") == pytest.approx(0, abs=1e-6)


def two_nodes(link: bool) -> Network:
    return car(
        heater(node="rear", ground="rear"),
        front=Terminal(0.01, 0.01, amps=0.1, supply=NodeSupply(6.5, 0.5)),
        rear=Terminal(
            0.02, 0.01, link=("front", 0.3) if link else None, amps=0.1, supply=NodeSupply(6.5, 0.5)
        ),
    )


def test_a_lost_ground_returns_through_a_link_to_another_node():
    network = two_nodes(link=True)
    network.lose_ground("rear")
    network.drive("load", 1.0)
    assert "power_lost" not in [event.what for event in network.settle()]
    back = network.amps("load") + 0.1
    assert ground_volts(network, "rear") == pytest.approx(
        0.3 * back + 0.01 * (back + 0.1), rel=1e-3
    )
    network.lose_ground("rear", -1)
    network.settle()
    assert ground_volts(network, "rear") < 0.11


def test_a_lost_ground_without_a_link_takes_the_node_down():
    network = two_nodes(link=False)
    network.lose_ground("rear")
    assert network.settle() == [Event(0, "power_lost", "rear")]
    assert network.powered("front")


def test_a_battery_that_comes_off_takes_everybody_down_without_an_alternator():
    network = two_nodes(link=False)
    network.connect_battery(connected=False)
    assert {event.name for event in network.settle()} == {"front", "rear"}


def test_a_relay_falls_off_when_its_nodes_voltage_is_too_low():
    relay = Relay(drop_out=3.0, pull_in=7.5, closes_ns=8 * MS, opens_ns=4 * MS)
    network = car(heater(switch=relay))
    network.drive("load", 1.0)
    network.settle()
    assert [e.at_ns for e in run(network, 20 * MS)] == [8 * MS]
    network.follow(from_points("dip", [(0, 12.0), (10 * MS, 2.0), (20 * MS, 12.0)]))
    network.settle()
    opened, closed = (event.at_ns - 20 * MS for event in run(network, 60 * MS))
    ratio = 1 + (0.01 + 0.02 + 0.01) / 1.21
    assert opened == pytest.approx((12 - 3.0 * ratio + 4) * MS, abs=0.1 * MS)
    assert closed == pytest.approx((10 + 7.5 - 2 + 8) * MS, abs=0.1 * MS)


def test_a_welded_relay_feeds_its_load_unasked():
    network = car(heater(switch=Relay()))
    network.weld("load", welded=True)
    assert network.settle() == [Event(0, "fed", "load")]
    with pytest.raises(KeyError):
        car(heater()).weld("load", welded=True)


def test_an_open_lead_is_told_by_the_switch():
    network = car(heater(switch=SolidState(open_load=0.1, open_load_off=True)))
    network.open_load("load")
    network.settle()
    assert network.status("load") is Status.OPEN_LOAD
    network.open_load("load", -1)
    network.settle()
    assert network.status("load") is Status.OK


def test_the_starter_motor_follows_its_solenoid_and_pulls_the_battery_down():
    coil = Channel("coil", "node", Direct(), Solenoid(12, 10, 40, 0.03))
    motor = Channel("starter motor", "", Direct(), Motor(12, 130, 450, 0.06), 0.002)
    network = Network(
        Battery(12.6, 0.01), {"node": Terminal(0.02)}, [coil], starter=Starter("coil", motor)
    )
    network.settle()
    network.drive("coil", 1.0)
    network.settle()
    assert network.battery_volts > 12
    network.advance(29 * MS)
    assert network.battery_volts > 12
    network.advance(31 * MS)
    assert network.battery_volts < 10
    run(network, 2 * S)
    assert network.battery_volts == pytest.approx(12.6 - 0.01 * 140, abs=0.05)
    network.drive("coil", 0.0)
    network.settle()
    assert network.battery_volts == pytest.approx(12.6)


def busy() -> Network:
    soft = SolidState(0.01, limit=60, soft_ns=40 * MS)
    return car(
        Channel("lamp", "node", soft, Filament(12, 9.2), 0.05, Fuse(15)),
        Channel("fan", "node", Relay(bounces=2), Motor(12, 18, 80, 0.3), 0.03, Fuse(30)),
        Channel("radio", "node", Direct(), Electronics(5.0)),
        node=Terminal(0.02, 0.01, amps=0.08, supply=NodeSupply(6.5, 0.5, 200e-6)),
    )  # fmt: skip


CHANGES = st.lists(
    st.tuples(st.integers(0, 300 * MS), st.sampled_from(["lamp", "fan", "radio"]), st.booleans()),
    max_size=8,
)


def story(
    changes: list[tuple[int, str, bool]], looks: list[int]
) -> tuple[list[Event], list[float]]:
    network = busy()
    network.follow(starting(4))
    found = network.settle()
    stops = sorted({*looks, *(at_ns for at_ns, *_ in changes), 400 * MS})
    for stop_ns in stops:
        found += run(network, stop_ns)
        for at_ns, name, on in changes:
            if at_ns == stop_ns:
                network.drive(name, float(on))
        if any(at_ns == stop_ns for at_ns, *_ in changes):
            found += network.settle()
    return found, [network.amps(name) for name in network.channels]


@settings(max_examples=25)
@given(CHANGES)
def test_the_same_story_twice_is_the_same_to_the_last_bit(changes):
    assert story(changes, []) == story(changes, [])


@settings(max_examples=25)
@given(CHANGES, st.lists(st.integers(0, 400 * MS), max_size=5))
def test_looking_in_between_changes_no_verdict(changes, looks):
    """To look is to advance: last digits may differ, events come where they came."""
    plain, looked = story(changes, []), story(changes, looks)
    assert [event[1:] for event in plain[0]] == [event[1:] for event in looked[0]]
    for one, other in zip(plain[0], looked[0], strict=True):
        assert one.at_ns == pytest.approx(other.at_ns, abs=50_000)
    assert plain[1] == pytest.approx(looked[1], rel=0.02, abs=0.02)


def test_a_quiet_car_wants_nothing():
    network = busy()
    assert network.next_ns is None
    network.advance(3600 * S)
    assert network.now_ns == 3600 * S


def test_pieces_behind_each_other_end_where_the_last_one_does():
    profile = Profile("two", "", (Piece(10, 12.0, 10.0), Piece(10, 8.0, 9.0)))
    assert [profile.volts(t) for t in (0, 5, 10, 15, 20, 99)] == [12.0, 11.0, 8.0, 8.5, 9.0, 9.0]
    assert profile.next_ns(20) is None


def test_to_settle_twice_is_to_settle_once():
    network = busy()
    network.drive("lamp", 1.0)
    assert network.settle()
    solved = network.volts("node")
    network.battery.volts = 6.0  # behind its back: it has no reason to look again
    assert network.settle() == []
    assert network.volts("node") == solved
    network.advance(1_000)
    network.settle()
    assert network.volts("node") < 7


@pytest.mark.parametrize(("share", "trips"), [(1.03, False), (0.97, True)])
@pytest.mark.parametrize("blanking_ms", [5, 20, 50])
def test_a_trip_at_the_end_of_blanking_looks_at_the_current_of_that_instant(
    blanking_ms, share, trips
):
    """A lamp that warms up: the current of the event before is a quarter larger."""

    def lit(trip: float) -> Network:
        switch = SolidState(trip=trip, blanking_ns=blanking_ms * MS)
        network = Network(
            Battery(12.6, 0.005),
            {"node": Terminal(feed_ohm=0.01)},
            [Channel("lamp", "node", switch, Filament(12, 4.25), 0.02)],
        )
        network.settle()
        network.drive("lamp", 1.0)
        network.settle()
        return network

    fine = lit(1000.0)
    for step in range(1, 10 * blanking_ms + 1):
        fine.advance(step * MS // 10)
        fine.settle()
    network = lit(share * fine.amps("lamp"))
    network.advance((blanking_ms + 1) * MS)
    assert (network.status("lamp") is not Status.OK) == trips
