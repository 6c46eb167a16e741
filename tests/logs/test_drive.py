"""A logged drive on a vehicle: who is played, what the driver did, what a fault changes."""

from __future__ import annotations

import gzip
from dataclasses import replace

import pytest
from replay_lab import DRIVE, MS, S, wren

from linkloss.campaign.run import judged, run
from linkloss.judge import Outcome, judge
from linkloss.logs.drive import Drive, Selection
from linkloss.problem import BadInput
from linkloss.recording import REST
from linkloss.scenario import timed_fault
from linkloss.session import simulate

NIGHT = (237 * S, 257 * S)
"""Of the bundled drive: engine running, lamps on and off."""


@pytest.fixture(scope="module")
def drive() -> Drive:
    return Drive(DRIVE, wren(), Selection())


@pytest.fixture(scope="module")
def plain(drive):
    return run(drive.scenario(from_ns=NIGHT[0], to_ns=NIGHT[1]))


def test_the_nodes_that_drive_no_load_are_played_and_the_others_left_out(drive):
    assert drive.nodes == ("dash",)
    assert set(drive.contents.played) == {"dash"}
    assert set(drive.contents.left_out) == {"front", "engine", "gauge", "rear"}
    assert sum(drive.contents.played.values()) == 45_103


def test_a_played_node_sends_what_was_logged_when_it_was_logged(drive):
    ran = simulate(drive.scenario(to_ns=5 * S))
    sent = [(r.end_ns, r.frame) for r in ran.frames if r.sender == "dash" and r.error is None]
    logged = {(entry.at_ns, entry.frame) for entry in drive.frames(0, 5 * S)}
    assert len(logged & set(sent)) > 0.8 * len(sent)


def test_what_the_driver_did_is_read_off_the_messages(drive):
    inputs, actions = drive.driver(*NIGHT)
    assert inputs["ignition"] == "on"
    assert inputs["lights"] == "off"
    seen = [(a.at_ns, a.values["lights"]) for a in actions if "lights" in a.values]
    order = ["position", "dipped", "off"]
    assert [value for _, value in seen] == order
    turned_ns = 248_026 * MS  # when the seeded driver turned the switch
    first_ns = 60_364_000 - drive.lead_ns  # of the log's first frame, from which a replay counts
    late_ns = seen[0][0] + NIGHT[0] + first_ns - turned_ns
    assert 0 < late_ns < 100 * MS


def test_what_no_message_shows_is_said_and_stays_at_rest(drive):
    assert drive.contents.unseen == ["brake_pedal", "reverse_gear", "crash"]
    inputs, actions = drive.driver(0, drive.contents.length_ns)
    assert "brake_pedal" not in inputs
    assert not any("brake_pedal" in action.values for action in actions)


def test_rules_are_judged_over_the_drive(plain):
    kept = {(v.subject, v.rule) for v in plain.verdicts if v.outcome is Outcome.KEPT}
    assert {("low_beam_left", "fresh"), ("tail_left", "fresh"), ("rear", "foreign")} <= kept
    assert not plain.broken


def test_nothing_is_said_of_the_program_requests_and_inputs_of_a_played_node(plain):
    spoken = {(v.subject, v.rule) for v in plain.verdicts}
    assert ("dash", "rejoin") not in spoken
    assert ("LampRequest.Position", "control") not in spoken
    assert ("tail_left", "end to end") not in spoken
    assert ("rear_lost", "notice") not in spoken
    assert ("overheat_lamp", "end to end") in spoken  # the engine node is simulated


def test_a_cut_trips_the_fail_safe_state_in_the_middle_of_the_drive(drive):
    fault = timed_fault("cut(gauge,rear)@247s+2s", wren())
    ran = run(drive.scenario(from_ns=NIGHT[0], to_ns=NIGHT[1], faults=[fault]))
    kept = {(v.subject, v.rule) for v in ran.verdicts if v.outcome is Outcome.KEPT}
    assert {("tail_left", "stale"), ("tail_left", "rejoin"), ("accessory_socket", "stale")} <= kept
    assert not ran.broken
    tail = ran.recording.outputs["tail_left"]
    assert tail.at(10 * S) == 0.0
    assert tail.at(11 * S) == 1.0


def test_a_load_that_ignores_the_loss_is_found_out_on_the_drive(drive):
    """Teeth: the same rules, a rear node whose tail lamps stay dark."""
    fault = timed_fault("cut(gauge,rear)@247s+2s", wren())
    scenario = drive.scenario(from_ns=NIGHT[0], to_ns=NIGHT[1], faults=[fault])
    recording = simulate(scenario)
    for shown in (recording.commands, recording.outputs):
        shown["tail_left"] = shown["indicator_rear_left"]
    broken = {(v.subject, v.rule) for v in judged(scenario, recording).broken}
    assert ("tail_left", "stale") in broken


def test_up_to_a_fault_the_records_are_the_same_to_the_byte(drive, plain):
    fault = timed_fault("cut(gauge,rear)@247s+2s", wren())
    broken = simulate(drive.scenario(from_ns=NIGHT[0], to_ns=NIGHT[1], faults=[fault]))
    at_ns = 10 * S

    def before(recording):
        frames = [record for record in recording.frames if record.end_ns < at_ns]
        outputs = {
            name: [change for change in series.changes() if change[0] < at_ns]
            for name, series in recording.outputs.items()
        }
        return repr((frames, outputs)).encode()

    assert before(broken) == before(plain.recording)
    assert broken.frames != plain.recording.frames


def test_the_same_replay_twice_is_the_same_recording(drive, plain):
    again = simulate(drive.scenario(from_ns=NIGHT[0], to_ns=NIGHT[1]))
    assert again == plain.recording


def test_all_nodes_may_be_played(drive):
    every = Drive(DRIVE, wren(), Selection(nodes=tuple(wren().nodes)))
    ran = run(every.scenario(to_ns=5 * S))
    good = [record for record in ran.recording.frames if record.error is None]
    assert len(good) == sum(1 for _ in every.frames(0, 5 * S))
    assert ran.verdicts == ()
    assert ran.exit_code == 3


def test_a_fault_of_a_played_node_silences_its_frames(drive):
    faults = [timed_fault("hang(dash)@239s+1s", wren()), timed_fault("reset(dash)@243s", wren())]
    ran = simulate(drive.scenario(from_ns=NIGHT[0], to_ns=NIGHT[1], faults=faults))
    sent = [record.end_ns for record in ran.frames if record.sender == "dash"]
    assert not [at for at in sent if 2 * S + 50 * MS < at < 3 * S]
    assert not [at for at in sent if 6 * S < at < 6 * S + 80 * MS]
    assert ran.shift.silenced > 50
    states = [(change.state, change.cause) for change in ran.nodes["dash"]]
    assert states == [
        ("reset", "power-up"), ("running", "boot"), ("hung", "fault"), ("running", "fault"),
        ("reset", "fault"), ("running", "boot"),
    ]  # fmt: skip


def test_a_gap_in_the_log_itself_is_no_broken_rule_of_anybody(tmp_path, drive):
    """Two seconds of a drive are missing: the loads must be in their fail-safe states meanwhile,
    and nobody is blamed for the silence.
    """
    kept = []
    for line in gzip.decompress(DRIVE.read_bytes()).decode().splitlines(keepends=True):
        at_s = float(line[1 : line.index(")")])
        if at_s > 12:
            break
        if not 6 < at_s < 8:
            kept.append(line)
    path = tmp_path / "gap.log"
    path.write_text("".join(kept))
    ran = run(Drive(path, wren(), Selection()).scenario())
    assert not ran.broken
    kept_rules = {(v.subject, v.rule) for v in ran.verdicts if v.outcome is Outcome.KEPT}
    assert ("tail_left", "stale") in kept_rules


def test_frames_of_nobody_are_played_beside_the_car(tmp_path):
    path = tmp_path / "d.log"
    path.write_text("(0.0) can0 555#01\n(0.5) can0 12345678#02\n(1.0) can0 555#01\n")
    found = Drive(path, wren(), Selection())
    assert found.contents.played == {REST: 3}
    assert sorted(found.contents.unknown) == [(0x555, False), (0x12345678, True)]
    ran = simulate(found.scenario())
    assert [r.frame.identifier for r in ran.frames if r.sender == REST and r.error is None]


def test_identifiers_can_be_left_out(tmp_path):
    path = tmp_path / "d.log"
    path.write_text("(0.0) can0 555#01\n(0.5) can0 556#02\n")
    found = Drive(path, wren(), Selection(left_out=frozenset({0x555})))
    assert [entry.frame.identifier for entry in found.frames()] == [0x556]


def test_a_part_that_the_drive_does_not_have_is_refused(drive):
    with pytest.raises(BadInput, match="none of it lies between --from and --to"):
        drive.scenario(from_ns=700 * S)
    fault = timed_fault("reset(rear)@10s", wren())
    with pytest.raises(BadInput, match="begins outside the part that is replayed"):
        drive.scenario(from_ns=20 * S, faults=[fault])


def test_a_node_that_does_not_exist_is_refused():
    with pytest.raises(BadInput, match=r"unknown node 'dsh'.*did you mean 'dash'"):
        Drive(DRIVE, wren(), Selection(nodes=("dsh",)))


def test_a_recording_with_played_nodes_is_judged_like_one_without_for_the_others(drive, plain):
    """The judge leaves out what the played node would have to answer for, and nothing else."""
    unlogged = replace_logged(plain.recording)
    spoken = {(v.subject, v.rule) for v in judge(wren(), unlogged)}
    left_out = spoken - {(v.subject, v.rule) for v in plain.verdicts}
    of_a_node = {"control", "notice", "rejoin", "stopped", "cycle", "foreign", "quiet recovery"}
    assert {rule for _, rule in left_out} <= of_a_node | {"end to end", "sensor", "fed"}
    assert {s for s, rule in left_out if rule in ("rejoin", "stopped")} == {"dash"}


def replace_logged(recording):
    return replace(recording, logged=())
