"""Between a processor's least voltage and its brown-out threshold a right board is held in reset;
one without a brown-out detector runs wild.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from pydantic import ValidationError
from starving_cars import taken
from supply_car import MS, drive, supplied

from linkloss.faults.catalogue import FaultError, catalogue, make_fault
from linkloss.power.supply import NodeSupply
from linkloss.session import Session
from linkloss.vehicle.electrical import NodeSupplyTable
from linkloss.vehicle.loading import Vehicle

LIT = {"inputs": {"lights": "on"}}


def car(*, detector: bool, **more) -> Vehicle:
    """The small car whose node rear has a processor that lives down to 4.5 V; it resets at 6.5."""
    vehicle = supplied()
    rear = vehicle.nodes["rear"]
    told = {"least": 4.5, "brown_out_detector": detector, **more}
    supply = rear.supply.model_copy(update=told)
    nodes = {**vehicle.nodes, "rear": rear.model_copy(update={"supply": supply})}
    return replace(vehicle, file=vehicle.file.model_copy(update={"nodes": nodes}))


def sagged(detector, volts="5.5 V", until_ms=2500, lasts_ms=3500, **more):
    fault = ("brown_out", {"sags_to": volts}, 200, until_ms)
    return drive(fault, vehicle=car(detector=detector, **more), lasts_ms=lasts_ms, **LIT)


def test_a_right_board_is_held_in_reset_as_long_as_the_voltage_stays_there():
    run = sagged(True)
    states = [entry[1:] for entry in run.states("rear")]
    assert states == [
        ("reset", "power-up"),
        ("running", "boot"),
        ("off", "supply"),
        ("reset", "supply"),
        ("running", "boot"),
    ]
    assert taken(run.recording)["rear"] == {"fault"}
    assert run.volts("rear", 2000) == pytest.approx(5.5, abs=0.2)


def test_a_board_without_a_detector_runs_wild_once_and_stays_so():
    run = sagged(False)
    states = run.states("rear")
    assert [entry[1:] for entry in states] == [
        ("reset", "power-up"),
        ("running", "boot"),
        ("hung", "supply"),
    ]
    assert 4.5 < run.volts("rear", states[-1][0]) <= 6.5
    assert run.volts("rear", 3400) > 12  # the voltage is back, the program is not


def test_what_its_outputs_do_then_is_chance_and_the_same_each_time():
    def commands(seed):
        first = sagged(False).session.scenario
        recording = Session(replace(first, seed=seed)).run()
        at_ns = recording.nodes["rear"][-1].at_ns
        return tuple(
            recording.commands[load].values[-1]
            if recording.commands[load].times[-1] == at_ns
            else "stays"
            for load in ("lamp", "pump", "fan")
        )

    found = [commands(seed) for seed in range(8)]
    assert found == [commands(seed) for seed in range(8)]
    assert len(set(found)) > 2
    assert {what for each in found for what in each} == {"stays", 0.0, 1.0}


def test_below_its_least_voltage_it_stands_still_and_then_starts_like_any_other():
    run = sagged(False, volts="4 V")
    states = [entry[1:] for entry in run.states("rear")]
    assert states[2:] == [
        ("hung", "supply"),
        ("off", "supply"),
        ("reset", "supply"),
        ("running", "boot"),
    ]


def test_a_hang_that_ends_does_not_mend_a_wild_program():
    fault = ("brown_out", {"sags_to": "5.5 V"}, 200, 2500)
    hang = ("hang", {"node": "rear"}, 600, 3000)
    run = drive(fault, hang, vehicle=car(detector=False), lasts_ms=3500, **LIT)
    assert run.states("rear")[-1][1] == "hung"


def test_a_watchdog_starts_it_into_the_band_where_it_runs_wild_again_until_the_voltage_is_back():
    vehicle = car(detector=False)

    class Watched(vehicle.programs["rear"]):
        def start(self):
            super().start()
            self.board.start_watchdog(300 * MS)
            self.board.every(50 * MS, self.board.feed_watchdog)

    vehicle = replace(vehicle, programs={**vehicle.programs, "rear": Watched})
    run = drive(("brown_out", {"sags_to": "5.5 V"}, 200, 2500), vehicle=vehicle, lasts_ms=3500)
    states = [entry[1:] for entry in run.states("rear")]
    again = [("hung", "supply"), ("reset", "watchdog"), ("running", "boot")]
    turns = states.count(("hung", "supply"))
    assert states == [("reset", "power-up"), ("running", "boot"), *again * turns]
    assert turns in (5, 6)  # about one and a half seconds in the band, 320 ms each


def test_a_capacitor_carries_it_into_the_band_and_through_it():
    supply = NodeSupply(6.5, 0.5, hold_up=0.001, amps=0.1, least=4.5)
    assert supply.look(12.0)
    assert not supply.wild
    supply.advance(0.0, supply.next_s(0.0))
    supply.look(0.0)
    assert (supply.powered, supply.wild) == (True, True)
    assert supply.held == pytest.approx(6.5, abs=1e-3)
    supply.advance(0.0, supply.next_s(0.0))
    assert supply.look(0.0)
    assert (supply.powered, supply.wild) == (False, False)
    assert supply.held == pytest.approx(4.5, abs=1e-3)


def test_tables_that_make_no_sense_are_refused():
    with pytest.raises(ValidationError, match="'least' lies below 'brown_out'"):
        NodeSupplyTable.model_validate({"least": "7 V", "brown_out": "6.5 V"})
    with pytest.raises(ValidationError, match="'least' has to be said"):
        NodeSupplyTable.model_validate({"brown_out_detector": False})


def test_a_check_sags_to_the_middle_of_each_band():
    vehicle = car(detector=True)
    sags = [f for f in catalogue()["brown_out"].every(vehicle) if f.sags_to is not None]
    assert [(f.sags_to, f.label()) for f in sags] == [(5.5, "brown_out(sags_to=5.5 V)")]
    assert not [f for f in catalogue()["brown_out"].every(supplied()) if f.sags_to is not None]
    with pytest.raises(FaultError, match="expected one of"):
        make_fault("brown_out", {"sags_to": "5 V", "node": "rear"}, vehicle)
