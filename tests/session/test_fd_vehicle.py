"""A whole car on CAN FD, and one with a classical node among the others."""

from __future__ import annotations

import pytest
from demo_cases import narrow
from fd_car import fd_car

from linkloss.bus.frame import FdFrame
from linkloss.logs.describe import describe
from linkloss.logs.drive import Drive, Selection
from linkloss.report.export import write_log
from linkloss.scenario import Scenario
from linkloss.session import simulate
from linkloss.sizing.analysis import analyse
from linkloss.sizing.message_plan import plan_of

MS = 1_000_000


@pytest.fixture(scope="module")
def car(tmp_path_factory):
    return fd_car(tmp_path_factory.mktemp("fd"))


def night(vehicle, lasts_ms=1_000):
    situation = vehicle.situations["night_drive"]
    return Scenario(
        name="night", title="", vehicle=vehicle, situation="night_drive",
        inputs=dict(situation.inputs), actions=(), faults=(), lasts_ns=lasts_ms * MS,
    )  # fmt: skip


def test_every_frame_is_a_can_fd_frame_and_switches(car):
    recording = simulate(night(car))
    assert len(recording.frames) > 50
    assert all(isinstance(record.frame, FdFrame) for record in recording.frames)
    assert all(record.frame.bit_rate_switch for record in recording.frames)
    assert {record.error for record in recording.frames} == {None}


def test_the_car_keeps_its_rules(car):
    report = narrow(car, ["none", "cut", "corrupt"], ["night_drive"], "LampRequest")
    assert report.findings == ()


def test_a_classical_node_disturbs_until_it_is_error_passive(tmp_path):
    vehicle = fd_car(tmp_path, classical="gauge")
    recording = simulate(night(vehicle))
    states = [change.state for change in recording.controllers["gauge"]]
    assert "PASSIVE" in states
    errors = [record for record in recording.frames if record.error is not None]
    assert len(errors) >= 15
    heard = [r.frame for r in recording.frames if "gauge" in r.receivers]
    assert not any(frame.fd for frame in heard)


def test_no_bound_is_given_and_the_reason_said(car):
    analysis = analyse(plan_of(car))
    assert {bound.response for bound in analysis.bounds} == {None}
    assert analysis.bounds[0].why.endswith("is a CAN FD message: only classical frames are covered")
    assert len(analysis.load.left_out) == len(analysis.bounds)


@pytest.mark.parametrize("suffix", [".log", ".blf"])
def test_a_logged_drive_is_played_with_its_can_fd_frames(car, tmp_path, suffix):
    path = tmp_path / f"drive{suffix}"
    before = simulate(night(car))
    write_log(before, "car", path)
    drive = Drive(path, car, Selection())
    assert not any("CAN FD" in note for note in drive.contents.notes)
    after = simulate(drive.scenario())
    # the first frames meet nobody who is up yet; from then on each comes as it was logged
    played = [r.frame for r in after.frames if r.sender == "dash" and r.error is None]
    logged = [r.frame for r in before.frames if r.sender == "dash"]
    assert len(logged) > 40
    assert played[-20:] == logged[-20:]


def test_a_description_counts_the_faster_part_by_its_time(car, tmp_path):
    path = tmp_path / "drive.log"
    recording = simulate(night(car))
    write_log(recording, "car", path)
    found = describe(path, vehicle=car)
    assert found.frames == len(recording.frames)
    busy_ns = sum(record.end_ns - record.start_ns + 12_000 for record in recording.frames)
    assert found.load.total_bits == pytest.approx(busy_ns * 250_000 / 1e9, rel=0.01)
