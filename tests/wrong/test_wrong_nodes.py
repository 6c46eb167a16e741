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
from demo_cases import WREN, narrow, some_cases, wren
from odd_gauge import OddGauge
from wrong_cars import Wrong, car

from linkloss.campaign.check import check
from linkloss.judge import Outcome
from linkloss.problem import EXIT_BROKEN, EXIT_NOT_EXERCISED
from linkloss.vehicle.electrical import NodeSupplyTable
from linkloss.vehicle.load import FlashRule, NeverRule
from linkloss.vehicle.tables import Action, SituationTable
from linkloss.vehicle.toml import condition_of
from linkloss_nodes.power import PowerNode

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
    Wrong(
        transmit.NeverRecovers, "rear", "bus_off", "night_drive", "rear", "rejoin",
        "sent no RearStatus although no fault was left",
    ),
    Wrong(
        transmit.NotRestarted, "rear", "bus_off", "night_drive", "rear", "rejoin",
        "sent no RearStatus although no fault was left",
    ),
    Wrong(
        transmit.CrashesInBusOff, "rear", "bus_off", "night_drive", "rear", "program",
        "the program failed at",
    ),
    Wrong(
        transmit.IgnoresFullMailboxes, "dash", "none", "night_drive", "link_lamp", "rejoin",
        "message DashNotices did not reach node gauge", hardware={"mailboxes": 3},
    ),
    Wrong(
        transmit.OldFramesWait, "dash", "unplug", "night_drive", "LampRequest.DippedBeam",
        "control", "asked for off with content 1.4", beside=OLD_FRAMES,
    ),
    Wrong(
        transmit.ReplaysQueue, "dash", "unplug", "reversing", "horn", "end to end",
        "was on while its inputs ask for off",
    ),
    Wrong(
        transmit.SendsOnlyChanges, "dash", "none", "night_drive", "low_beam_left", "rejoin",
        "message LampRequest did not reach node front",
    ),
    Wrong(
        transmit.ChattersInFifo, "dash", "none", "rain", "BodyRequest.Wiper", "control",
        "asked for on while its inputs ask for off",
    ),
    Wrong(
        transmit.RestartsWithoutLink, "rear", "unplug", "night_drive", "rear", "program",
        "was reset by its own program",
    ),
    Wrong(
        transmit.OldFramesWait, "dash", "unplug", "night_drive", "LampRequest.MainBeam",
        "control", "asked for off with content 1.4", at="dash",
    ),
    Wrong(
        senders.EveryThreeMs, "dash", "none", "night_drive", "LampRequest", "cycle",
        "came 3 ms after the one before",
    ),
    Wrong(
        senders.OnChangeOrRarely, "dash", "none", "night_drive", "LampRequest", "cycle",
        "was not handed over within 75 ms",
    ),
    Wrong(
        senders.ThreeTimes, "dash", "none", "parked", "LampRequest", "cycle",
        "Counter went from 0 to 0",
    ),
    Wrong(
        senders.CounterAtRest, "rear", "none", "parked", "RearStatus", "cycle",
        "Counter went from 0 to 0",
    ),
    Wrong(
        senders.Babbles, "rear", "none", "parked", "rear", "foreign", "handed over a frame 0x001",
    ),
    Wrong(
        senders.SendsForFront, "rear", "none", "parked", "rear", "foreign",
        "handed over a frame 0x201, FrontStatus, which front sends",
    ),
    Wrong(
        senders.SwappedBytes, "engine", "none", "idle", "EngineData.Speed", "sensor",
        "showed 4611.25 rpm while input engine_speed was 850 rpm",
    ),
    Wrong(
        senders.NoOffset, "engine", "none", "idle", "EngineData.CoolantTemperature", "sensor",
        "showed -25 degC while input coolant_temperature was 15 degC",
    ),
    Wrong(
        senders.TenTimesTheSupply, "rear", "none", "parked", "RearStatus.SupplyVoltage", "sensor",
        "showed 25.5 V while the supply of rear was 12.",
    ),
    Wrong(
        senders.BackAtOnce, "dash", "corrupt", "night_drive", "dash", "quiet recovery",
        "came back from bus-off 21 times within a second",
    ),
    Wrong(
        senders.BackAtOnce, "dash", "corrupt", "night_drive", "dash", "quiet recovery",
        "its failed attempts took more than 10%", hardware={"returns": 1000, "failed_share": 0.1},
    ),
    Wrong(
        receive.AnyFrameRefreshes, "rear", "drop", "braking", "tail_left", "stale",
        "was off instead of on",
    ),
    Wrong(
        receive.RefusedFrameRefreshes, "rear", "alter", "hazards_ignition_off", "tail_left",
        "stale", "was off instead of on",
    ),
    Wrong(
        receive.IgnoresCounter, "rear", "freeze", "rain", "accessory_socket", "stale",
        "was on instead of off",
    ),
    Wrong(
        receive.IgnoresChecksum, "rear", "alter", "rain", "accessory_socket", "fresh",
        "went off without cause",
    ),
    Wrong(
        receive.IgnoresKind, "rear", "none", "parked", "tail_left", "end to end",
        "was on while its inputs ask for off", beside={"gauge": OddGauge},
    ),
    Wrong(
        receive.PollsTooSlowly, "rear", "none", "braking", "brake_lamps", "local",
        "was off instead of on",
    ),
    Wrong(
        receive.TwoReceiveBuffers, "rear", "none", "overheating", "accessory_socket",
        "end to end", "was off while its inputs ask for on", hardware={"receive_depth": 2},
    ),
    Wrong(
        receive.OverflowNeverCleared, "rear", "flood", "braking", "tail_left", "rejoin",
        "was on instead of off",
    ),
    Wrong(
        timeouts.NoTimeout, "rear", "unplug", "braking", "tail_left", "stale",
        "was off instead of on",
    ),
    Wrong(
        timeouts.OneMissTrips, "rear", "corrupt", "parked", "tail_left", "fresh",
        "went on without cause",
    ),
    Wrong(
        timeouts.RollsOver, "rear", "none", "idle", "tail_left", "end to end",
        "was on while its inputs ask for off",
    ),
    Wrong(
        timeouts.ZerosBeforeFirstFrame, "rear", "unplug+reset", "braking", "tail_left", "reset",
        "was off instead of on",
    ),
    Wrong(
        timeouts.NeverReturns, "rear", "unplug", "parked", "tail_left", "rejoin",
        "was on instead of off",
    ),
    Wrong(
        timeouts.TimeoutOnArrival, "rear", "unplug", "braking", "tail_left", "stale",
        "was off instead of on",
    ),
    Wrong(
        timeouts.EdgeCommands, "rear", "unplug", "night_drive", "accessory_socket", "rejoin",
        "was off instead of on",
    ),
    Wrong(
        timeouts.ToggleCommands, "rear", "drop", "parked", "tail_left", "rejoin",
        "was on instead of off",
    ),
    Wrong(
        reset.PinsHighAtBoot, "engine", "reset", "cranking", "starter", "reset",
        "went on without cause",
    ),
    Wrong(
        reset.ResetDropsAll, "front", "unplug+reset", "night_drive", "low_beam_left", "reset",
        "went off without cause",
    ),
    Wrong(
        reset.RestoresStarter, "engine", "reset", "cranking", "starter", "reset",
        "went on without cause", at="engine",
    ),
    Wrong(
        reset.NoWatchdog, "rear", "hang", "braking", "brake_lamps", "stopped",
        "was not restarted within 250 ms",
    ),
    Wrong(
        reset.FeedsFromInterrupt, "rear", "hang", "braking", "brake_lamps", "stopped",
        "was not restarted within 250 ms",
    ),
    Wrong(
        reset.BitesItself, "rear", "none", "idle", "rear", "program", "was reset by its watchdog",
    ),
    Wrong(
        reset.GuessesForHalfASecond, "dash", "reset", "shutting_down", "LampRequest.DippedBeam",
        "control", "asked for off while its inputs ask for on",
    ),
    Wrong(
        flash.RestartedByFrames, "front", "none", "hazards_ignition_off", "indicator_front_left",
        "flash", "did not light up again within 1 s",
    ),
    Wrong(
        flash.OwnPhase, "front", "none", "hazards_ignition_off", "indicator_front_left",
        "in step", "; indicator_front_left left the rhythm of LampRequest.FlashTime",
    ),
    Wrong(
        commands.PumpChatters, "rear", "unplug", "idle", "fuel_pump", "stale",
        "went off without cause; right: on (19 more such changes)",
    ),
    Wrong(
        commands.HighBeamChatters, "front", "unplug", "night_drive", "high_beam", "stale",
        "went on without cause; right: off (19 more such changes)", at="front",
    ),
    Wrong(
        commands.ReverseFlickers, "rear", "none", "reversing", "reverse_lamps", "local",
        "went off without cause; right: on (14 more such changes)",
    ),
    Wrong(
        commands.PulseAtBoot, "rear", "none", "parked", "accessory_socket", "reset",
        "went on without cause; right: off; wrong for 3 ms",
    ),
    Wrong(
        commands.BarelyLit, "rear", "none", "night_drive", "tail_left", "fresh",
        "went dim at 2 % without cause",
    ),
    Wrong(
        commands.SlowStarter, "rear", "none", "night_drive", "accessory_socket", "fresh",
        "was off instead of on",
    ),
    Wrong(
        commands.LateHorn, "front", "none", "horn_stuck", "horn", "fresh", "was off instead of on",
    ),
    Wrong(
        commands.NotANumber, "rear", "none", "night_drive", "tail_left", "fresh",
        "was off instead of on",
    ),
    Wrong(
        commands.SkipsFirstFlash, "front", "none", "turning", "indicator_front_left", "flash",
        "did not light up again within 1 s",
    ),
    Wrong(
        limits.PumpsAfterACrash, "rear", "none", "braking", "fuel_pump", "trip",
        "went on without cause",
    ),
    Wrong(
        limits.MainBeamAlone, "front", "none", "night_drive", "high_beam", "never",
        "was on while low_beam_left is off and low_beam_right is off",
    ),
    Wrong(
        limits.SoundsForEver, "front", "none", "horn_stuck", "horn", "longest_on",
        "was on instead of off",
    ),
    Wrong(
        limits.CranksTooSoon, "engine", "none", "false_start", "starter", "shortest_off",
        "went on without cause",
    ),
    Wrong(
        limits.FadesHalfWay, "rear", "none", "parked", "interior_lamp", "fresh",
        "went dim at 20 % without cause",
    ),
    Wrong(
        starter.CranksOn, "engine", "unplug", "false_start", "starter", "stale",
        "was on instead of off", at="engine",
    ),
    Wrong(
        starter.NoLockOut, "engine", "reset", "cranking", "starter", "fresh",
        "went on without cause", at="engine",
    ),
    Wrong(
        starter.CranksRunningEngine, "engine", "impostor", "cranking", "starter", "never",
        "was on while engine_speed > 500", at="StartRequest",
    ),
    Wrong(
        reset.PinsHighAtBoot, "engine", "brown_out", "cranking", "starter", "reset",
        "went on without cause",
    ),
    Wrong(
        reset.RestoresStarter, "engine", "brown_out", "cranking", "starter", "reset",
        "went on without cause",
    ),
    Wrong(
        supply.ShedsWithoutHysteresis, "front", "brown_out", "night_drive", "low_beam_left",
        "fresh", "went off without cause",
    ),
    Wrong(
        supply.RestartsAtLowVoltage, "rear", "brown_out", "braking", "rear", "program",
        "was reset by its own program",
    ),
    Wrong(
        supply.WaitsForTheBattery, "front", "brown_out", "night_drive", "low_beam_left", "back",
        "was off 1 s after its supply was back",
    ),
    Wrong(
        supply.FollowsEdgesOnly, "rear", "brown_out", "braking", "brake_lamps", "back",
        "was off 300 ms after its supply was back",
    ),
    Wrong(
        supply.NeverTells, "front", "fuse_blown", "night_drive", "low_beam_left", "notice",
        "was not told as failed",
    ),
    Wrong(
        supply.WatchesOneFeed, "front", "fuse_blown", "night_drive", "low_beam_right", "notice",
        "was not told as failed",
    ),
    Wrong(
        supply.TellsTooSoon, "front", "brown_out", "night_drive", "load_failed", "notice",
        "was given without cause",
    ),
    Wrong(
        supply.TellsTooFast, "front", "none", "horn_stuck", "load_failed", "notice",
        "was given without cause",
    ),
    Wrong(
        supply.GivesUpAFailedLoad, "front", "fuse_blown", "night_drive", "low_beam_left", "fresh",
        "went off without cause",
    ),
    Wrong(
        supply.GoesDownWithItsLoad, "rear", "load_short", "shutting_down", "plate_lamp", "fresh",
        "went off without cause",
    ),
    Wrong(
        PowerNode, "rear", "load_short", "horn_stuck", "rear", "neighbours",
        "the short of fuel_pump took the supply of node rear",
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
    case, text = finding.case.name, finding.verdict.text
    catches(wrong.name, wrong.node, case, wrong.subject, wrong.rule, text, wrong.cause)


def test_the_notice_of_one_load_is_not_kept_by_that_of_another():
    """A node that looks at one feed tells of it; of the others it does not."""
    report = narrow(car({"front": supply.WatchesOneFeed}), ["fuse_blown"], ["night_drive"])
    told = {
        (verdict.subject, verdict.outcome)
        for case in report.cases
        for verdict in case.verdicts
        if verdict.rule == "notice" and verdict.subject.startswith("low_beam")
    }
    assert ("low_beam_left", Outcome.KEPT) in told
    assert ("low_beam_left", Outcome.BROKEN) not in told
    assert ("low_beam_right", Outcome.BROKEN) in told
    assert ("low_beam_right", Outcome.KEPT) not in told


def test_the_same_cases_find_nothing_in_the_demo_car():
    for kind, situation in sorted({(wrong.kind, wrong.situation) for wrong in WRONG}):
        if kind in ("none", "corrupt", "alter", "hang", "flood"):
            assert found(narrow(wren(), [kind], [situation], every=2)) == {}, (kind, situation)


def test_a_foreign_extended_message_disturbs_no_node_that_looks_at_the_kind():
    vehicle = car({"gauge": OddGauge, "rear": HomeRear}, {"also_sends": ("0xA0x",)})
    assert found(narrow(vehicle, ["none"], ["parked"])) == {}


def test_a_request_that_nobody_describes_is_not_judged_in_silence(catches):
    """A pump request turned round, in a car without its entry in [requests], breaks no rule of
    control: the check says that there is none.
    """
    vehicle = car({"engine": senders.PumpTurnedRound})
    row = ("EngineRequest.FuelPump", "control")
    told = found(narrow(vehicle, ["none"], ["idle"]))[row].verdict.text
    catches("PumpTurnedRound", "engine", "idle/none", *row, told, "asked for off while its inputs")
    requests = {k: v for k, v in vehicle.requests.items() if k != "EngineRequest.FuelPump"}
    vehicle = replace(vehicle, file=vehicle.file.model_copy(update={"requests": requests}))
    report = narrow(vehicle, ["none"], ["idle"])
    assert [entry.what for entry in report.silent] == ["EngineRequest.FuelPump"]
    assert report.exit_code == EXIT_NOT_EXERCISED
    cause = 'no [requests."EngineRequest.FuelPump"] says when'
    row = ("EngineRequest.FuelPump", "unjudged", report.silent[0].reason, cause)
    catches("(the same, no entry)", "engine", "idle/none", *row)


def hazards_over_indicator(vehicle):
    """The demo car with one more situation, and with left and right flashing in step."""
    lasts = SituationTable.model_validate({"inputs": {"ignition": "on"}, "lasts": "6 s"})
    actions = (
        Action.model_validate({"at": "700 ms", "set": {"indicator": "left"}}),
        Action.model_validate({"at": "2200 ms", "set": {"hazard": "on"}}),
    )
    right = vehicle.loads["indicator_front_right"]
    together = right.model_copy(
        update={
            "flash": FlashRule(rhythm="LampRequest.FlashTime", in_step_with="indicator_front_left")
        }
    )
    update = {
        "loads": {**vehicle.loads, "indicator_front_right": together},
        "situations": {"both": lasts.model_copy(update={"actions": actions})},
    }
    return vehicle.file.model_copy(update=update)


def with_load(vehicle, name, **update):
    """The car with other rules declared for a load."""
    loads = {**vehicle.loads, name: vehicle.loads[name].model_copy(update=update)}
    return replace(vehicle, file=vehicle.file.model_copy(update={"loads": loads}))


@pytest.mark.parametrize(
    ("program", "text"),
    [(commands.SkipsOneFlash, "did not begin to flash with a lit phase"), (HomeFront, "")],
)
def test_a_first_flash_that_is_dropped_shows_where_a_lamp_has_a_rhythm_of_its_own(
    program, text, catches
):
    """Where a signal carries the rhythm the lamp may wait for it."""
    vehicle = with_load(car({"front": program}), "indicator_front_left", flash=FlashRule())
    broken = found(narrow(vehicle, ["none"], ["turning"]))
    assert set(broken) == ({("indicator_front_left", "flash")} if text else set())
    if text:
        finding = broken["indicator_front_left", "flash"]
        row = (program.__name__, "front", finding.case.name, "indicator_front_left", "flash")
        catches(*row, finding.verdict.text, text)


STALLS = SituationTable.model_validate(
    {
        "inputs": {"ignition": "on", "engine_speed": 850},
        "actions": [{"at": "2503 ms", "set": {"engine_speed": 0}}],
        "lasts": "5 s",
    }
)
RUNNING = NeverRule(state="off", when=condition_of("engine_speed > 500"), within=2_000_000_000)


@pytest.mark.parametrize("never", [(), (RUNNING,)])
@pytest.mark.parametrize("program", [commands.PumpRunsOn, HomeRear])
def test_a_never_rule_excuses_no_other(program, never, catches):
    """The engine's speed is no input of the rear: it is told of it, and may take that time."""
    vehicle = with_load(car({"rear": program}), "fuel_pump", never=never)
    update = {"situations": {"stalls": STALLS}}
    vehicle = replace(vehicle, file=vehicle.file.model_copy(update=update))
    broken = found(check(vehicle, case="stalls/none", jobs=1))
    late = program is commands.PumpRunsOn
    assert (("fuel_pump", "fresh") in broken) is late
    assert late or not broken
    if late and never:
        finding = broken["fuel_pump", "fresh"]
        row = (program.__name__, "rear", finding.case.name, "fuel_pump", "fresh")
        catches(*row, finding.verdict.text, "was on instead of off")


@pytest.mark.parametrize("program", [flash.TwoPhases, HomeFront])
def test_hazards_on_top_of_an_indicator_need_a_situation_of_their_own(program, catches):
    vehicle = car({"front": program})
    vehicle = replace(vehicle, file=hazards_over_indicator(vehicle))
    report = check(vehicle, case="both/none", jobs=1)
    row = ("indicator_front_right", "in step")
    out_of_step = found(report).get(row)
    assert (out_of_step is not None) is (program is flash.TwoPhases), sorted(found(report))
    if out_of_step:
        cause = "left the rhythm of LampRequest.FlashTime"
        case, text = out_of_step.case.name, out_of_step.verdict.text
        catches(program.__name__, "front", case, *row, text, cause)


def test_the_command_line_finds_a_wrong_node_in_a_file(tmp_path):
    text = WREN.read_text(encoding="utf-8")
    text = text.replace("../../dbc/wren.dbc", (ROOT / "dbc" / "wren.dbc").as_posix())
    place = f'python = "{(NODES / "wrong_reset.py").as_posix()}:NoWatchdog"'
    before, after = text.split("[nodes.rear]")
    after = after.replace('python = "linkloss_nodes.power:PowerNode"', place, 1)
    vehicle = tmp_path / "vehicle.toml"
    vehicle.write_text(f"{before}[nodes.rear]{after}", encoding="utf-8")
    case = some_cases(["hang"], ["braking"], "rear")[0].name
    command = [sys.executable, "-m", "linkloss.cli", "check", str(vehicle), "--case", case]
    done = subprocess.run(
        [*command, "--no-shrink", "--verbose"],
        check=False,
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(NODES)},
    )
    assert done.returncode == EXIT_BROKEN, done.stderr
    assert "brake_lamps" in done.stdout
    assert "node rear was not restarted within 250 ms" in " ".join(done.stdout.split())
