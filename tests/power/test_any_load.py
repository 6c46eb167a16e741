"""Whatever a vehicle file may say of a load: the circuit comes to rest, in not too many events,
with voltages that a battery can make.
"""

from __future__ import annotations

from math import isfinite

from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from linkloss.power.network import Network
from linkloss.power.supply import PROFILES
from linkloss.vehicle.electrical import (
    ElectricalTable,
    LeadTable,
    NodeSupplyTable,
    RelayTable,
    SolidStateTable,
    SupplyTable,
)
from linkloss.vehicle.load import LoadTable
from linkloss.vehicle.tables import NodeTable
from linkloss.vehicle.wiring import build_network

MS, S = 1_000_000, 1_000_000_000
KINDS = ["filament", "led", "motor", "solenoid", "heater", "electronics"]

leads = st.builds(
    LeadTable, size=st.sampled_from(["0.35 mm2", "1.5 mm2", "14 AWG"]), length=st.floats(0.01, 20)
)
relays = st.builds(
    RelayTable,
    closes_in=st.integers(MS // 10, 20 * MS),
    opens_in=st.integers(MS // 10, 20 * MS),
    bounces=st.integers(0, 5),
    pull_in=st.floats(6, 11),
)
solid_states = st.builds(
    SolidStateTable,
    limit=st.none() | st.floats(1, 100),
    trip=st.none() | st.floats(0.1, 50),
    blanking=st.integers(0, 200 * MS),
    retry_after=st.integers(MS, 500 * MS),
    retries=st.integers(0, 10),
    thermal=st.floats(0.5, 100),
    thermal_time=st.integers(MS // 10, 500 * MS),
)
switches = st.one_of(
    st.just({}),
    st.fixed_dictionaries({"relay": relays}),
    st.fixed_dictionaries({"solid_state": solid_states, "soft_start": st.integers(0, 300 * MS)}),
)


@st.composite
def tables(draw) -> ElectricalTable:
    kind = draw(st.sampled_from(KINDS))
    amps = draw(st.floats(0.01, 60))
    more = dict(draw(switches))
    if kind in ("motor", "solenoid"):
        more["start"] = amps * draw(st.floats(1, 15))
    try:
        return ElectricalTable(
            kind=kind,
            amps=amps,
            cold=draw(st.floats(0.02, 0.9)),
            start_time=draw(st.integers(MS // 10, 500 * MS)),
            lead=draw(st.none() | leads),
            back=draw(st.none() | leads),
            ground=draw(st.sampled_from(["body", "one", "two"])),
            **more,
        )
    except ValidationError:
        assume(False)
        raise


nodes = st.builds(
    NodeSupplyTable,
    ground=st.none() | leads,
    hold_up=st.sampled_from([0.0, 1e-4, 1e-3]),
    brown_out=st.floats(3, 8),
)


def network_of(supplies: list[NodeSupplyTable], electrical: list[ElectricalTable]) -> Network:
    loads = {
        f"load{place}": LoadTable(node="one", fuse=10.0, electrical=table)
        for place, table in enumerate(electrical)
    }
    made = build_network(
        SupplyTable(),
        {
            name: NodeTable(python="x:Y", boot=MS, supply=supply)
            for name, supply in zip(("one", "two"), supplies, strict=True)
        },
        loads,
    )
    assert made is not None
    return made


@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(nodes, min_size=2, max_size=2),
    st.lists(tables(), min_size=1, max_size=4),
    st.sampled_from(
        [None, "starting_1", "starting_3", "jump_start", "load_dump", "momentary_drop"]
    ),
    st.sampled_from(["", "ground", "short", "battery"]),
)
def test_whatever_the_file_says_the_circuit_comes_to_rest(supplies, electrical, profile, broken):
    network = network_of(supplies, electrical)
    network.settle()
    if profile is not None:
        network.follow(PROFILES[profile]())
    for name in network.channels:
        network.drive(name, 1.0)
    network.settle()
    looks = 0
    for stop_ns in (300 * MS, 900 * MS):
        while network.next_ns is not None and network.next_ns <= stop_ns:
            network.advance(network.next_ns)
            looks += 1
            for node in network.terminals:
                assert isfinite(network.volts(node))
                assert -1e-3 < network.battery_volts < 102
        network.advance(stop_ns)
        if broken == "ground":
            network.lose_ground("one")
        elif broken == "short":
            network.short_load("load0")
        elif broken == "battery":
            network.connect_battery(connected=False)
        network.settle()
    assert looks < 6000
