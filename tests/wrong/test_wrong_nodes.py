"""Home-built nodes with one well-known mistake each: the check of the demo car finds every one.

The car's file, the faults and the judge are the shipped ones. Only the node is another.
"""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
import wrong_commands as commands
import wrong_flash as flash
import wrong_limits as limits
import wrong_receive as receive
import wrong_reset as reset
import wrong_senders as senders
import wrong_starter as starter
import wrong_supply as supply
import wrong_timeouts as timeouts
import wrong_transmit as transmit
from base_power import HomeFront, HomeRear
from demo_cases import WREN, narrow, wren
from odd_gauge import OddGauge
from wrong_cars import Wrong, car

from bench.campaign.check import check
from bench.campaign.result import EXIT_BROKEN, EXIT_NOT_EXERCISED
from bench.model.electrical import NodeSupplyTable
from bench.model.load import FlashRule
from bench.model.vehicle import Action, SituationTable
from nodes.power import PowerNode

ROOT = Path(__file__).parents[2]
NODES = Path(__file__).parent / "nodes"
OLD_FRAMES = {"front": HomeFront}  # unlike the demo's, it obeys the first frame that comes back

THIN_FEED = NodeSupplyTable.model_validate(
    {
        "feed": {"size": "0.75 mm2", "length": "4.5 m"},
        "range": ["7 V", "16 V"],
        "brown_out": "5.6 V",
    }
)
"""The right program on a feed that a short pulls down, until the fuse of the shorted load blows."""

WRONG = [
    Wrong(transmit.NeverRecovers, "rear", "bus_off", "night_drive", "rear", "rejoin"),
    Wrong(transmit.NotRestarted, "rear", "bus_off", "night_drive", "rear", "rejoin"),
    Wrong(transmit.CrashesInBusOff, "rear", "bus_off", "night_drive", "rear", "program"),
    Wrong(
        transmit.IgnoresFullMailboxes, "dash", "none", "night_drive", "link_lamp", "rejoin",
        hardware={"mailboxes": 3},
    ),
    Wrong(
        transmit.OldFramesWait, "dash", "unplug", "night_drive", "LampRequest.DippedBeam",
        "control", beside=OLD_FRAMES,
    ),
    Wrong(transmit.ReplaysQueue, "dash", "unplug", "reversing", "horn", "end to end"),
    Wrong(transmit.SendsOnlyChanges, "dash", "none", "night_drive", "low_beam_left", "rejoin"),
    Wrong(transmit.ChattersInFifo, "dash", "none", "rain", "BodyRequest.Wiper", "control"),
    Wrong(transmit.RestartsWithoutLink, "rear", "unplug", "night_drive", "rear", "program"),
    Wrong(
        transmit.OldFramesWait, "dash", "unplug", "night_drive", "LampRequest.MainBeam", "control",
    ),
    Wrong(senders.EveryThreeMs, "dash", "none", "night_drive", "LampRequest", "cycle"),
    Wrong(senders.OnChangeOrRarely, "dash", "none", "night_drive", "LampRequest", "cycle"),
    Wrong(senders.ThreeTimes, "dash", "none", "parked", "LampRequest", "cycle"),
    Wrong(senders.CounterAtRest, "rear", "none", "parked", "RearStatus", "cycle"),
    Wrong(senders.Babbles, "rear", "none", "parked", "rear", "foreign"),
    Wrong(senders.SendsForFront, "rear", "none", "parked", "rear", "foreign"),
    Wrong(senders.SwappedBytes, "engine", "none", "idle", "EngineData.Speed", "sensor"),
    Wrong(senders.NoOffset, "engine", "none", "idle", "EngineData.CoolantTemperature", "sensor"),
    Wrong(
        senders.TenTimesTheSupply, "rear", "none", "parked", "RearStatus.SupplyVoltage", "sensor"
    ),
    Wrong(senders.BackAtOnce, "dash", "corrupt", "night_drive", "dash", "quiet recovery"),
    Wrong(
        senders.BackAtOnce, "dash", "corrupt", "night_drive", "dash", "quiet recovery",
        hardware={"returns": 1000, "failed_share": 0.1},  # by what its failures take of the wire
    ),
    Wrong(receive.AnyFrameRefreshes, "rear", "drop", "braking", "tail_left", "stale"),
    Wrong(
        receive.RefusedFrameRefreshes, "rear", "alter", "hazards_ignition_off", "tail_left", "stale"
    ),
    Wrong(receive.IgnoresCounter, "rear", "freeze", "rain", "accessory_socket", "stale"),
    Wrong(receive.IgnoresChecksum, "rear", "alter", "rain", "tail_left", "fresh"),
    Wrong(
        receive.IgnoresKind, "rear", "none", "parked", "tail_left", "end to end",
        beside={"gauge": OddGauge},
    ),
    Wrong(receive.PollsTooSlowly, "rear", "none", "braking", "brake_lamps", "local"),
    Wrong(
        receive.TwoReceiveBuffers, "rear", "none", "overheating", "accessory_socket", "end to end",
        hardware={"receive_depth": 2},
    ),
    Wrong(receive.OverflowNeverCleared, "rear", "flood", "braking", "tail_left", "rejoin"),
    Wrong(timeouts.NoTimeout, "rear", "unplug", "braking", "tail_left", "stale"),
    Wrong(timeouts.OneMissTrips, "rear", "corrupt", "parked", "tail_left", "fresh"),
    Wrong(timeouts.RollsOver, "rear", "none", "idle", "tail_left", "end to end"),
    Wrong(timeouts.ZerosBeforeFirstFrame, "rear", "unplug+reset", "braking", "tail_left", "reset"),
    Wrong(timeouts.NeverReturns, "rear", "unplug", "parked", "tail_left", "rejoin"),
    Wrong(timeouts.TimeoutOnArrival, "rear", "unplug", "braking", "tail_left", "stale"),
    Wrong(timeouts.EdgeCommands, "rear", "unplug", "night_drive", "accessory_socket", "rejoin"),
    Wrong(timeouts.ToggleCommands, "rear", "drop", "parked", "tail_left", "rejoin"),
    Wrong(reset.PinsHighAtBoot, "engine", "reset", "cranking", "starter", "reset"),
    Wrong(reset.ResetDropsAll, "front", "unplug+reset", "night_drive", "low_beam_left", "reset"),
    Wrong(reset.RestoresStarter, "engine", "reset", "cranking", "starter", "reset"),
    Wrong(reset.NoWatchdog, "rear", "hang", "braking", "brake_lamps", "stopped"),
    Wrong(reset.FeedsFromInterrupt, "rear", "hang", "braking", "brake_lamps", "stopped"),
    Wrong(reset.BitesItself, "rear", "none", "idle", "rear", "program"),
    Wrong(
        reset.GuessesForHalfASecond, "dash", "reset", "shutting_down", "LampRequest.DippedBeam",
        "control",
    ),
    Wrong(
        flash.RestartedByFrames, "front", "none", "hazards_ignition_off", "indicator_front_left",
        "flash",
    ),
    Wrong(
        flash.OwnPhase, "front", "none", "hazards_ignition_off", "indicator_front_left", "in step"
    ),
    Wrong(commands.PumpChatters, "rear", "unplug", "idle", "fuel_pump", "stale"),
    Wrong(commands.ReverseFlickers, "rear", "none", "reversing", "reverse_lamps", "local"),
    Wrong(commands.PulseAtBoot, "rear", "none", "parked", "accessory_socket", "reset"),
    Wrong(commands.BarelyLit, "rear", "none", "night_drive", "tail_left", "fresh"),
    Wrong(commands.SlowStarter, "rear", "none", "night_drive", "accessory_socket", "fresh"),
    Wrong(commands.SkipsFirstFlash, "front", "none", "turning", "indicator_front_left", "flash"),
    Wrong(limits.PumpsAfterACrash, "rear", "none", "braking", "fuel_pump", "trip"),
    Wrong(limits.MainBeamAlone, "front", "none", "night_drive", "high_beam", "never"),
    Wrong(limits.SoundsForEver, "front", "none", "horn_stuck", "horn", "longest_on"),
    Wrong(limits.CranksTooSoon, "engine", "none", "false_start", "starter", "shortest_off"),
    Wrong(limits.FadesHalfWay, "rear", "none", "parked", "interior_lamp", "fresh"),
    Wrong(starter.CranksOn, "engine", "unplug", "false_start", "starter", "stale"),
    Wrong(starter.NoLockOut, "engine", "reset", "cranking", "starter", "fresh"),
    Wrong(starter.CranksRunningEngine, "engine", "impostor", "cranking", "starter", "never"),
    Wrong(reset.PinsHighAtBoot, "engine", "brown_out", "cranking", "starter", "reset"),
    Wrong(reset.RestoresStarter, "engine", "brown_out", "cranking", "starter", "reset"),
    Wrong(
        supply.ShedsWithoutHysteresis, "front", "brown_out", "night_drive", "low_beam_left", "fresh"
    ),
    Wrong(supply.RestartsAtLowVoltage, "rear", "brown_out", "braking", "rear", "program"),
    Wrong(
        supply.WaitsForTheBattery, "front", "brown_out", "night_drive", "low_beam_left", "back"
    ),
    Wrong(supply.FollowsEdgesOnly, "rear", "brown_out", "braking", "brake_lamps", "back"),
    Wrong(supply.NeverTells, "front", "fuse_blown", "night_drive", "low_beam_left", "notice"),
    Wrong(supply.TellsTooSoon, "front", "brown_out", "night_drive", "load_failed", "notice"),
    Wrong(supply.TellsTooFast, "front", "none", "horn_stuck", "load_failed", "notice"),
    Wrong(
        supply.GivesUpAFailedLoad, "front", "fuse_blown", "night_drive", "low_beam_left", "fresh"
    ),
    Wrong(
        supply.GoesDownWithItsLoad, "rear", "load_short", "shutting_down", "plate_lamp", "fresh"
    ),
    Wrong(
        PowerNode, "rear", "load_short", "horn_stuck", "rear", "neighbours",
        hardware={"supply": THIN_FEED},
    ),
]  # fmt: skip


def found(report):
    return {(finding.verdict.subject, finding.verdict.rule): finding for finding in report.findings}


@pytest.mark.parametrize("wrong", WRONG, ids=lambda wrong: wrong.name)
def test_the_check_finds_the_wrong_node(wrong, catches):
    report = wrong.check()
    assert report.exit_code == EXIT_BROKEN
    assert (wrong.subject, wrong.rule) in found(report), sorted(found(report))
    finding = found(report)[wrong.subject, wrong.rule]
    assert finding.case.fault == wrong.kind
    catches.append((wrong.name, wrong.node, wrong.kind, wrong.subject, wrong.rule))


def test_the_same_cases_find_nothing_in_the_demo_car():
    for kind, situation in sorted({(wrong.kind, wrong.situation) for wrong in WRONG}):
        if kind in ("none", "corrupt", "alter", "hang", "flood"):
            assert found(narrow(wren(), [kind], [situation])) == {}, (kind, situation)


def test_a_foreign_extended_message_disturbs_no_node_that_looks_at_the_kind():
    vehicle = car({"gauge": OddGauge, "rear": HomeRear}, {"also_sends": ("0xA0x",)})
    assert found(narrow(vehicle, ["none"], ["parked"])) == {}


def test_a_request_that_nobody_describes_is_not_judged_in_silence():
    """A pump request turned round, in a car without its entry in [requests], breaks no rule of
    control: the check says that there is none.
    """
    vehicle = car({"engine": senders.PumpTurnedRound})
    assert ("EngineRequest.FuelPump", "control") in found(narrow(vehicle, ["none"], ["idle"]))
    requests = {k: v for k, v in vehicle.requests.items() if k != "EngineRequest.FuelPump"}
    vehicle = replace(vehicle, file=vehicle.file.model_copy(update={"requests": requests}))
    report = narrow(vehicle, ["none"], ["idle"])
    assert [entry.what for entry in report.silent] == ["EngineRequest.FuelPump"]
    assert report.exit_code == EXIT_NOT_EXERCISED


def hazards_over_indicator(vehicle):
    """The demo car with one more situation, and with left and right flashing in step."""
    lasts = SituationTable.model_validate({"inputs": {"ignition": "on"}, "lasts": "6 s"})
    actions = (
        Action.model_validate({"at": "700 ms", "set": {"indicator": "left"}}),
        Action.model_validate({"at": "2200 ms", "set": {"hazard": "on"}}),
    )
    right = vehicle.loads["indicator_front_right"]
    together = right.model_copy(update={"flash": FlashRule(in_step_with="indicator_front_left")})
    update = {
        "loads": {**vehicle.loads, "indicator_front_right": together},
        "situations": {"both": lasts.model_copy(update={"actions": actions})},
    }
    return vehicle.file.model_copy(update=update)


@pytest.mark.parametrize("program", [flash.TwoPhases, HomeFront])
def test_hazards_on_top_of_an_indicator_need_a_situation_of_their_own(program, catches):
    vehicle = car({"front": program})
    report = check(replace(vehicle, file=hazards_over_indicator(vehicle)), only=["none"], jobs=1)
    out_of_step = ("indicator_front_right", "in step") in found(report)
    assert out_of_step is (program is flash.TwoPhases), sorted(found(report))
    if out_of_step:
        row = (program.__name__, "front", "none (own situation)", "indicator_front_right")
        catches.append((*row, "in step"))


def test_the_command_line_finds_a_wrong_node_in_a_file(tmp_path):
    text = WREN.read_text(encoding="utf-8")
    text = text.replace("../../dbc/wren.dbc", (ROOT / "dbc" / "wren.dbc").as_posix())
    place = f'python = "{(NODES / "wrong_reset.py").as_posix()}:NoWatchdog"'
    before, after = text.split("[nodes.rear]")
    after = after.replace('python = "nodes.power:PowerNode"', place, 1)
    vehicle = tmp_path / "vehicle.toml"
    vehicle.write_text(f"{before}[nodes.rear]{after}", encoding="utf-8")
    command = [sys.executable, "-m", "bench.cli", "check", str(vehicle), "--only", "hang"]
    done = subprocess.run(
        [*command, "--situation", "braking", "--jobs", "1", "--no-shrink", "-q"],
        check=False,
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), str(NODES)])},
    )
    assert done.returncode == EXIT_BROKEN, done.stderr
    assert "brake_lamps" in done.stdout
    assert "node rear was not restarted within 250 ms" in " ".join(done.stdout.split())
