"""A real node is judged by what it reports, with the time that the way takes, and no further.

The car: Wren. The dash sends BodyRequest every 50 ms, the real rear node RearStatus every 100 ms
with a report of its accessory socket: stale after 250 ms, reaction 20 ms, then off. A frame takes
up to 20 ms each way, so a report shows the socket off 250 + 20 + 100 + 2 * 20 = 410 ms after the
last request at the latest.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from serve_lab import Program, rear_status, reporting_car

from linkloss.campaign.run import judged_again, run
from linkloss.cli.living import Adapter
from linkloss.judge import Outcome
from linkloss.live.driven import LiveSession
from linkloss.live.opened import OpenBus, outside_of
from linkloss.live.real_node import caution, ensure_real, scope
from linkloss.problem import BadInput
from linkloss.recording import Outside, OutsideEvent
from linkloss.report.html import write_run_page
from linkloss.report.machine import run_json
from linkloss.scenario import Scenario, TimedAction, load_scenario, timed_fault
from linkloss.vehicle.loading import load_vehicle

MS = 1_000_000
CUT = "unplug(rear)@4s+2s"
LAST_NS = (
    3_998 * MS
)  # a request comes every 50 ms; the last one before the cut is found by the tests


@pytest.fixture(scope="module")
def vehicle(tmp_path_factory):
    return reporting_car(tmp_path_factory.mktemp("car"))


def ran(vehicle, socket, *, fault=CUT, silent=(), key_ms=500, doubt=""):
    """A run of 8 s; ``socket(ms)`` is what rear reports, but not within ``silent`` (from, to)."""
    events = [
        OutsideEvent(at * MS, "rear", rear_status(vehicle, count, socket_on=socket(at)))
        for count, at in enumerate(range(13, 8000, 100))
        if not (silent and silent[0] <= at < silent[1])
    ]
    scenario = Scenario(
        name="test",
        title="",
        vehicle=vehicle,
        situation="",
        inputs={},
        actions=(TimedAction(key_ms * MS, {"ignition": "accessory"}),),
        faults=(timed_fault(fault, vehicle),),
        lasts_ns=8000 * MS,
        outside=Outside(nodes=("rear",), events=tuple(events), delay_ns=20 * MS, doubt=doubt),
    )
    return run(scenario)


def verdict(result, subject, rule):
    (found,) = [v for v in result.verdicts if (v.subject, v.rule) == (subject, rule)]
    return found


def last_request_ms(result):
    return max(
        record.end_ns / MS
        for record in result.recording.frames
        if record.frame.identifier == 208 and "rear" in record.receivers and record.end_ns < 4e9
    )


def follows(off_ms, on_ms=6200):
    """On from the beginning, off at one instant of the cut, on again after it."""
    return lambda at: not off_ms <= at < on_ms


def test_a_node_that_obeys_keeps_stale_and_rejoin(vehicle):
    result = ran(vehicle, follows(4300))
    assert verdict(result, "accessory_socket", "stale").outcome is Outcome.KEPT
    assert verdict(result, "accessory_socket", "rejoin").outcome is Outcome.KEPT
    assert verdict(result, "rear", "rejoin").outcome is Outcome.KEPT
    assert not result.broken


def test_the_longest_way_is_allowed_and_the_next_report_is_not(vehicle):
    limit_ms = last_request_ms(ran(vehicle, follows(4300))) + 410
    in_time = max(at for at in range(13, 8000, 100) if at <= limit_ms)
    assert (
        verdict(ran(vehicle, follows(in_time)), "accessory_socket", "stale").outcome is Outcome.KEPT
    )
    late = verdict(ran(vehicle, follows(in_time + 100)), "accessory_socket", "stale")
    assert late.outcome is Outcome.BROKEN
    assert late.at_ns / MS == pytest.approx(limit_ms, abs=0.001)


def test_a_socket_that_stays_on_is_broken(vehicle):
    result = ran(vehicle, lambda _: True)
    broken = verdict(result, "accessory_socket", "stale")
    assert broken.outcome is Outcome.BROKEN
    assert result.exit_code == 1


def test_a_socket_that_does_not_come_back_is_broken(vehicle):
    result = ran(vehicle, follows(4300, 9000))
    assert verdict(result, "accessory_socket", "stale").outcome is Outcome.KEPT
    assert any(v.broken for v in result.verdicts if v.subject == "accessory_socket")


def test_where_no_report_came_nothing_is_judged(vehicle):
    """Whatever the socket did, also before and after: the gap is longer than three reports."""
    for lamp in (follows(4300), lambda _: True):
        result = ran(vehicle, lamp, silent=(4200, 4700))
        for rule in ("fresh", "stale", "rejoin"):
            found = verdict(result, "accessory_socket", rule)
            assert found.outcome is Outcome.NOT_EXERCISED
            assert "because no RearStatus came from 4.113 s on" in found.text


def test_two_lost_reports_are_no_gap(vehicle):
    result = ran(vehicle, follows(4300), silent=(5000, 5200))
    assert verdict(result, "accessory_socket", "stale").outcome is Outcome.KEPT


def test_a_socket_that_was_never_asked_for_is_not_exercised(vehicle):
    result = ran(vehicle, lambda _: False, key_ms=7900)
    assert verdict(result, "accessory_socket", "stale").outcome is Outcome.NOT_EXERCISED


def test_a_node_that_stays_silent_after_the_fault_is_broken(vehicle):
    result = ran(vehicle, follows(4300), silent=(5000, 9000))
    found = verdict(result, "rear", "rejoin")
    assert found.outcome is Outcome.BROKEN
    assert "sent no RearStatus although no fault was left" in found.text


def test_rules_that_cannot_be_seen_say_why(vehicle):
    result = ran(vehicle, follows(4300))
    found = verdict(result, "accessory_socket", "reset")
    assert found.outcome is Outcome.NOT_EXERCISED
    assert "cannot be seen from outside of a real node" in found.text
    unseen = verdict(result, "tail_left", "stale")
    assert unseen.outcome is Outcome.NOT_EXERCISED
    assert "no signal reports the load" in unseen.text


def test_the_other_nodes_are_judged_as_ever(vehicle):
    result = ran(vehicle, follows(4300), fault="unplug(front)@4s+2s")
    assert verdict(result, "position_front", "stale").outcome is Outcome.KEPT
    assert verdict(result, "front", "rejoin").outcome is Outcome.KEPT


def test_a_report_that_the_node_does_not_send_is_refused(tmp_path):
    reporting_car(tmp_path)
    path = tmp_path / "vehicle.toml"
    for wrong, said in [
        ("FrontStatus.LinkLost", "node 'rear' does not send 'FrontStatus'"),
        ("RearStatus.Socket", "unknown signal of message 'RearStatus' 'Socket'"),
    ]:
        reporting_car(tmp_path)
        path.write_text(path.read_text().replace("RearStatus.SocketOn", wrong))
        with pytest.raises(BadInput) as caught:
            load_vehicle(path)
        assert said in str(caught.value.problems[0])


def test_faults_inside_of_a_real_node_are_refused(vehicle):
    for elsewhere in (CUT, "reset(dash)@1s", "load_open(horn)@1s", "ground_lost(front)@1s+1s"):
        ensure_real(vehicle, "rear", [timed_fault(elsewhere, vehicle)])
    of_all = ("battery_off()@1s+1s", "brown_out(profile=momentary_drop)@1s+1s")
    at_its_loads = ("load_open(tail_left)@1s", "relay_welded(fuel_pump)@1s")
    for inside in ("reset(rear)@1s", "ground_lost(rear)@1s+1s", *of_all, *at_its_loads):
        with pytest.raises(BadInput, match="would happen inside of 'rear', which is real"):
            ensure_real(vehicle, "rear", [timed_fault(inside, vehicle)])
    with pytest.raises(BadInput, match="did you mean 'rear'"):
        ensure_real(vehicle, "raer", [])


def test_the_caution_names_the_loads_and_the_scope_what_is_not_seen(vehicle):
    assert "Wheels chocked" in caution(vehicle, "rear")
    assert "Fuel pump in the tank" in caution(vehicle, "rear")
    told = "\n".join(scope(vehicle, "rear"))
    assert "Not exercised on rear: " in told
    assert "Judged by what it reports, one sample for each message: accessory_socket" in told
    assert "not moved by the bench: ignition, hazard, brake_pedal" in told
    assert "because no signal reports them: low_beam_left" in "\n".join(scope(vehicle, "front"))


def test_the_json_of_a_run_is_judged_again_to_the_same_verdicts(vehicle, tmp_path):
    result = ran(vehicle, lambda _: True)
    path = tmp_path / "run.json"
    path.write_text(run_json(result))
    again = judged_again(path)
    assert again.recording == result.recording
    assert again.verdicts == result.verdicts
    assert again.exit_code == 1


def test_a_page_of_a_run_shows_what_there_is(vehicle, tmp_path):
    path = tmp_path / "run.html"
    write_run_page(ran(vehicle, lambda _: True), path)
    assert "accessory_socket" in path.read_text()


def test_nothing_can_be_expected_of_a_load_of_a_real_node(vehicle, tmp_path):
    (tmp_path / "frames.log").write_text("")
    path = tmp_path / "scenario.toml"
    path.write_text(
        f'title = "x"\nvehicle = "{vehicle.path}"\nlasts = "1 s"\n'
        'expect = [{ load = "tail_left", state = "on", at = "500 ms" }]\n'
        '[outside]\nlog = "frames.log"\nnodes = ["rear"]\n'
    )
    with pytest.raises(BadInput, match="its node is real"):
        load_scenario(path)


def test_where_the_bench_lost_frames_nothing_is_judged(vehicle):
    result = ran(vehicle, lambda _: True, doubt="because 3 frames did not get through")
    assert not result.broken
    found = verdict(result, "accessory_socket", "stale")
    assert (found.outcome, found.text) == (
        Outcome.NOT_EXERCISED,
        "because 3 frames did not get through",
    )


def test_a_bus_that_was_late_makes_the_way_longer_and_a_loss_makes_it_doubtful(vehicle):
    node = Program("rear")
    live = LiveSession(vehicle, outside=outside_of([], [node], 20 * MS))
    with OpenBus(live, [node]) as bus:
        outside = live.session.outsiders.outside
        assert bus.as_it_went(outside) == outside
        live.pacer.lateness.note(7 * MS)
        assert bus.as_it_went(outside).delay_ns == 27 * MS
        live.pacer.given_up_ns = 300 * MS
        assert bus.as_it_went(outside).doubt == "because the bus stood still for 300 ms"
        node.lose("x")
        assert (
            bus.as_it_went(outside).doubt == "because 1 frames did not get through to a real node"
        )
    live.session.end()
    live.session.loop.close()


def test_a_simulated_supply_that_fails_neither_resets_a_real_node_nor_excuses_it(vehicle):
    supply = "battery_off()@4s+1s"
    result = ran(vehicle, follows(4350, on_ms=5150), fault=supply)
    states = [change.state for change in result.recording.nodes["rear"]]
    assert states == ["reset", "running"]
    assert "off" in [change.state for change in result.recording.nodes["front"]]
    assert "rear" not in result.recording.volts
    tries = [r.end_ns for r in result.recording.frames if r.sender == "rear"]
    assert any(4_100 * MS < at_ns < 4_900 * MS for at_ns in tries)  # nobody else is there to hear
    assert not [v for v in result.broken if v.subject in ("rear", "accessory_socket")]


def test_a_real_node_that_keeps_its_load_on_after_a_simulated_loss_of_supply_is_broken(vehicle):
    result = ran(vehicle, lambda _: True, fault="battery_off()@4s+3s")  # the sender stays silent
    assert verdict(result, "accessory_socket", "stale").outcome is Outcome.BROKEN


def test_an_adapter_for_a_car_with_can_fd_is_opened_with_can_fd(vehicle):
    given = Adapter("rear", "virtual", "desk", None, None, checklist=False)
    (classical,) = given.endpoints(vehicle, [])
    assert classical.options == {"bitrate": 250_000}
    dash = vehicle.nodes["dash"].model_copy(update={"fd": True})
    ((name, bus),) = vehicle.file.bus.items()
    fast = {name: bus.model_copy(update={"data_bit_rate": 1_000_000})}
    file = vehicle.file.model_copy(update={"nodes": {**vehicle.nodes, "dash": dash}, "bus": fast})
    (flexible,) = given.endpoints(replace(vehicle, file=file), [])
    assert flexible.options == {"bitrate": 250_000, "fd": True, "data_bitrate": 1_000_000}
