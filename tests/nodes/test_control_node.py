"""The control node with the settings of a whole car: what its messages say, and when."""

from __future__ import annotations

import pytest
from fake_board import FakeBoard, Speaker

from linkloss_nodes.control import ControlNode

REST = {
    "ignition": "on",
    "start_button": "released",
    "clutch": "released",
    "lights": "off",
    "high_beam": "off",
    "indicator": "off",
    "hazard": "off",
    "horn_button": "released",
    "wiper_switch": "off",
    "door": "closed",
    "panel_dimmer": 10.0,
}


class Dash:
    """The dash on its board, with what it has sent decoded."""

    def __init__(self, messages, wren, **inputs):
        self.board = FakeBoard(
            "dash", wren["nodes"]["dash"]["settings"], messages, inputs=REST | inputs
        )
        self.log = []
        self.board.bus.to.append(self.note)
        self.board.boot(ControlNode)
        self.engine = Speaker(self.board, "EngineData")

    def note(self, message):
        definition = self.board.messages.get_message_by_frame_id(message.arbitration_id)
        values = definition.decode(message.data, decode_choices=False)
        for signal, value in values.items():
            self.log.append((self.board.queue.now_ns / 1e6, f"{definition.name}.{signal}", value))

    def says(self, reference):
        return next(value for _, name, value in reversed(self.log) if name == reference)

    def changes(self, reference):
        found = []
        for at, name, value in self.log:
            if name == reference and (not found or found[-1][1] != value):
                found.append((at, value))
        return found


@pytest.fixture
def dash(messages, wren):
    return Dash(messages, wren)


def test_it_is_silent_until_its_switches_have_settled(dash):
    dash.board.run(19)
    assert dash.log == []
    dash.board.run(20)
    assert dash.log[0][0] == 20


def test_the_first_message_after_a_reset_already_asks_for_what_the_switches_say(dash):
    dash.board.run(100)
    dash.board.set(lights="dipped")
    dash.board.run(100)
    dash.log.clear()
    dash.board.boot(ControlNode)
    dash.board.run(200)
    assert dash.changes("LampRequest.DippedBeam") == [(223, 1)]
    assert dash.changes("LampRequest.Position") == [(223, 1)]


def test_a_switch_is_passed_on_at_once_when_it_has_settled(dash):
    dash.board.run(100)
    dash.board.set(lights="position")
    dash.board.run(100)
    assert dash.changes("LampRequest.Position")[-1] == (120, 1)


def test_an_edge_that_the_program_missed_is_found_soon(dash):
    dash.board.run(100)
    dash.board.inputs["lights"] = "position"
    dash.board.run(125)
    assert dash.says("LampRequest.Position") == 1


def test_a_program_that_was_stuck_looks_at_its_switches_before_it_goes_on(dash):
    dash.board.run(100)
    dash.board.queue.now_ns += 60_000_000  # its timers are late now, and an edge was missed
    dash.board.inputs["lights"] = "position"
    dash.board.run(21)
    assert dash.says("LampRequest.Position") == 1


def test_the_headlamps_stay_on_for_their_delay(dash):
    dash.board.run(100)
    dash.board.set(lights="dipped")
    dash.board.run(900)
    dash.board.set(lights="off")
    dash.board.run(2000)
    (_, _), (on, _), (off, _) = dash.changes("LampRequest.DippedBeam")
    assert on == 120
    assert 2020 <= off <= 2030


def test_the_interior_lamp_stays_on_after_the_door_has_closed(dash):
    dash.board.run(100)
    dash.board.set(door="open")
    dash.board.run(500)
    dash.board.set(door="closed")
    dash.board.run(3000)
    assert [value for _, value in dash.changes("BodyRequest.InteriorLamp")] == [0, 1, 0]
    assert 2120 <= dash.changes("BodyRequest.InteriorLamp")[-1][0] <= 2130


def test_a_touch_of_the_stalk_asks_for_three_flashes(dash):
    dash.board.run(100)
    dash.board.set(indicator="left")
    dash.board.run(200)
    dash.board.set(indicator="off")
    dash.board.run(3000)
    _, (on, _), (off, _) = dash.changes("LampRequest.IndicatorLeft")
    assert (on, off) == (120, 1920)
    assert 2 * 660 + 330 < off - on < 3 * 660


def test_hazards_work_with_the_ignition_off_and_indicators_do_not(messages, wren):
    dash = Dash(messages, wren, ignition="off", indicator="left")
    dash.board.run(200)
    assert dash.says("LampRequest.IndicatorLeft") == 0
    dash.board.set(hazard="on")
    dash.board.run(200)
    assert dash.says("LampRequest.IndicatorLeft") == 1
    assert dash.says("LampRequest.IndicatorRight") == 1
    assert dash.says("LampRequest.Hazard") == 1


def test_the_time_in_the_flash_cycle_runs_while_something_flashes(dash):
    dash.board.run(100)
    assert dash.says("LampRequest.FlashTime") == 1275
    dash.board.set(indicator="left")
    dash.board.run(1500)
    times = [
        (at, value) for at, name, value in dash.log if name == "LampRequest.FlashTime" and at >= 120
    ]
    assert all(abs((at - 120) % 660 - value) < 5 for at, value in times)
    dash.board.set(indicator="off")
    dash.board.run(100)
    assert dash.says("LampRequest.FlashTime") == 1275


def test_hazards_on_top_of_an_indicator_keep_its_cycle(dash):
    dash.board.run(100)
    dash.board.set(indicator="left")
    dash.board.run(500)
    dash.board.set(hazard="on")
    dash.board.run(500)
    at, _, value = next(entry for entry in reversed(dash.log) if "FlashTime" in entry[1])
    assert abs((at - 120) % 660 - value) < 5


def crank(dash, **engine):
    dash.board.set(clutch="pressed")
    dash.engine.talk(200, **engine)
    dash.board.set(start_button="pressed")
    dash.engine.talk(200)


def test_the_starter_is_asked_for_with_the_engine_at_rest(dash):
    crank(dash, Running=0)
    assert dash.says("StartRequest.Starter") == 1


def test_no_start_without_the_clutch(dash):
    dash.board.set(start_button="pressed")
    dash.engine.talk(400, Running=0)
    assert dash.says("StartRequest.Starter") == 0


def test_no_start_while_the_engine_runs(dash):
    crank(dash, Running=1)
    assert dash.says("StartRequest.Starter") == 0


def test_no_start_without_word_from_the_engine(dash):
    dash.board.set(clutch="pressed", start_button="pressed")
    dash.board.run(400)
    assert dash.says("StartRequest.Starter") == 0


def test_the_starter_is_let_go_as_soon_as_the_engine_runs(dash):
    crank(dash, Running=0)
    started = dash.board.queue.now_ns / 1e6
    dash.engine.talk(200, Running=1)
    at, value = dash.changes("StartRequest.Starter")[-1]
    assert value == 0
    assert at <= started + 10


def test_the_starter_is_let_go_when_the_engine_is_not_heard(dash):
    crank(dash, Running=0)
    silent = dash.board.queue.now_ns / 1e6
    dash.board.run(400)
    at, value = dash.changes("StartRequest.Starter")[-1]
    assert value == 0
    assert silent + 190 <= at <= silent + 260


def test_a_lost_node_is_told_and_taken_back(dash):
    speakers = [
        Speaker(dash.board, f"{name}Status") for name in ("Front", "Rear", "Engine", "Gauge")
    ]

    def talk(ms, *silent):
        for _ in range(ms // 100):
            for speaker in speakers:
                if speaker.definition.name not in silent:
                    speaker.say()
            dash.board.run(100)

    talk(1000)
    assert [value for _, value in dash.changes("DashNotices.RearLost")] == [0]
    assert dash.says("DashNotices.LinkWarning") == 0
    gone = dash.board.queue.now_ns / 1e6
    talk(1000, "RearStatus")
    at, value = dash.changes("DashNotices.RearLost")[-1]
    assert value == 1
    assert gone + 390 <= at <= gone + 520
    assert dash.says("DashNotices.FrontLost") == 0
    assert dash.says("DashNotices.LinkWarning") == 1
    talk(200)
    assert dash.says("DashNotices.RearLost") == 0
    assert dash.says("DashNotices.LinkWarning") == 0


def test_a_horn_button_that_does_not_come_up_is_told(dash):
    dash.board.run(100)
    dash.board.set(horn_button="pressed")
    dash.board.run(2900)
    assert dash.says("DashNotices.HornStuck") == 0
    dash.board.run(200)
    assert dash.says("DashNotices.HornStuck") == 1
    dash.board.set(horn_button="released")
    dash.board.run(200)
    assert dash.says("DashNotices.HornStuck") == 0


def test_short_hoots_are_no_stuck_button(dash):
    for _ in range(5):
        dash.board.set(horn_button="pressed")
        dash.board.run(1000)
        dash.board.set(horn_button="released")
        dash.board.run(200)
    assert [value for _, value in dash.changes("DashNotices.HornStuck")] == [0]


def test_a_failed_load_elsewhere_is_passed_on_while_any_node_tells_of_one(dash):
    front, rear = Speaker(dash.board, "FrontStatus"), Speaker(dash.board, "RearStatus")
    front.say(LoadFailed=1)
    rear.say(LoadFailed=1)
    dash.board.run(150)
    assert dash.says("DashNotices.LoadFailed") == 1
    front.say(LoadFailed=0)
    dash.board.run(150)
    assert dash.says("DashNotices.LoadFailed") == 1
    rear.say(LoadFailed=0)
    dash.board.run(150)
    assert dash.says("DashNotices.LoadFailed") == 0


def test_what_a_lost_node_told_no_longer_counts(dash):
    Speaker(dash.board, "FrontStatus").say(LoadFailed=1)
    dash.board.run(150)
    assert dash.says("DashNotices.LoadFailed") == 1
    dash.board.run(600)
    assert dash.says("DashNotices.FrontLost") == 1
    assert dash.says("DashNotices.LoadFailed") == 0


def test_a_sensor_goes_out_as_it_is_with_the_next_message_and_never_by_one_of_its_own(dash):
    dash.board.run(200)
    assert dash.says("LampRequest.PanelLevel") == 10
    before = [at for at, name, _ in dash.log if name == "LampRequest.PanelLevel"]
    dash.board.set(panel_dimmer=64.0)
    dash.board.run(100)
    later = [at for at, name, _ in dash.log if name == "LampRequest.PanelLevel"][len(before) :]
    assert dash.says("LampRequest.PanelLevel") == 64
    assert later == [before[-1] + 50, before[-1] + 100]
