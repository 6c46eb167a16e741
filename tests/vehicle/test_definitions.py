"""From DBC files to the messages of a vehicle: several files, cycle times, names of values."""

from __future__ import annotations

import pytest
from written_car import WrittenCar

from linkloss.bus import BusRecord, Frame
from linkloss.judge import judge
from linkloss.judge.verdict import Outcome
from linkloss.live.view import decoded
from linkloss.logs.describe import describe
from linkloss.scenario import Scenario, TimedAction
from linkloss.session import simulate
from linkloss.vehicle.loading import Vehicle

MS = 1_000_000
MORE = """VERSION ""

BU_: dash rear

BO_ 768 Gear: 2 dash
 SG_ Selected : 0|8@1- (2,1) [-255|255] "" rear
 SG_ Odd : 8|8@1- (1,0) [-128|127] "" rear

BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_DEF_ "GenMsgCycleTime" 100;
VAL_ 768 Selected -1 "Reverse" 0 "Neutral" 1 "Drive" 2 "Spare" 3 "Spare" 4 "2nd gear";
VAL_ 768 Odd -1 "SNA" 1 "one";
"""
"""A second file of the car."""


@pytest.fixture
def two(car: WrittenCar) -> WrittenCar:
    car.write("more.dbc", MORE)
    return car.change('dbc = "written.dbc"', 'dbc = ["written.dbc", "more.dbc"]')


def test_a_vehicle_has_the_messages_of_all_its_files(two):
    vehicle = two.load()
    names = {"LampRequest", "Slow", "Foreign", "DashStatus", "RearStatus", "Gear"}
    assert set(vehicle.messages) == names
    assert {message.name for message in vehicle.database.messages} == names
    assert {node.name for node in vehicle.database.nodes} >= {"dash", "rear"}
    assert vehicle.dbc_paths == (two.folder / "written.dbc", two.folder / "more.dbc")
    assert vehicle.notes == ()


def test_a_list_of_one_file_is_that_file(car):
    assert len(car.change('dbc = "written.dbc"', 'dbc = ["written.dbc"]').load().messages) == 5


@pytest.mark.parametrize(
    ("files", "told"),
    [
        ('["written.dbc", "mor.dbc"]', "2: dbc[2]: there is no file '{folder}/mor.dbc'"),
        ("[]", "2: dbc: got []; expected the name of a file, or a list of names"),
        ("5", "2: dbc: got 5; expected the name of a file, or a list of names"),
        ('["written.dbc", 5]', "2: dbc: got ['written.dbc', 5]; expected the name of a file, or"),
        ('["written.dbc", "written.dbc"]', "2: dbc: names a file twice"),
    ],
)
def test_files_that_are_none(car, files, told):
    (problem,) = car.change('"written.dbc"', files).problems()
    assert problem.startswith(told.format(folder=car.folder))


def test_a_message_that_two_files_define_alike_is_one(two):
    two.change("BO_ 768 Gear", 'BO_ 513 RearStatus: 1 rear\n SG_ Alive : 0|1@1+ (1,0) [0|1] ""'
               " dash,elsewhere\n\nBO_ 768 Gear", "more.dbc")  # fmt: skip
    vehicle = two.load()
    assert [m.name for m in vehicle.database.messages].count("RearStatus") == 1
    assert vehicle.notes == ()


@pytest.mark.parametrize(
    ("message", "told"),
    [
        (
            "BO_ 513 RearStatus: 2 rear",
            "message 'RearStatus' on written.dbc:22 is another on more.dbc:5",
        ),
        (
            "BO_ 514 RearStatus: 1 rear",
            "message 'RearStatus' on written.dbc:22 is another on more.dbc:5",
        ),
        (
            "BO_ 513 Other: 1 rear",
            (
                "message 'RearStatus' on written.dbc:22 and message 'Other' on more.dbc:5 have the"
                " identifier 0x201"
            ),
        ),
    ],
)
def test_a_message_that_two_files_define_in_two_ways(two, message, told):
    two.change("BO_ 768 Gear", f"{message}\n\nBO_ 768 Gear", "more.dbc")
    assert two.problems() == [f"2: dbc: {told}"]


def test_an_extended_identifier_is_another(two):
    two.change("BO_ 768 Gear", "BO_ 2147484161 Other: 1 rear\n\nBO_ 768 Gear", "more.dbc")
    assert len(two.load().messages) == 7


def test_the_vehicle_file_says_how_often(car):
    car.change("[inputs.lights]", '[messages.LampRequest]\ncycle = "20 ms"\n\n[inputs.lights]')
    vehicle = car.load()
    assert vehicle.messages["LampRequest"].period_ns == 20 * MS
    assert vehicle.database.get_message_by_name("LampRequest").cycle_time == 20
    assert vehicle.notes == ("LampRequest: every 20 ms, in the DBC 50 ms; the vehicle file wins.",)


def test_a_cycle_where_the_dbc_has_none_is_no_news(car):
    car.change("[inputs.lights]", '[messages.Slow]\ncycle = "12.5 ms"\n\n[inputs.lights]')
    car.change('request = "LampRequest.Tail"', 'request = "Slow.Never"')
    vehicle = car.load()
    assert vehicle.messages["Slow"].period_ns == 12_500_000
    assert vehicle.database.get_message_by_name("Slow").cycle_time == 12.5
    assert vehicle.notes == ()


@pytest.mark.parametrize(
    ("table", "told"),
    [
        (
            '[messages.LampRequst]\ncycle = "20 ms"',
            (
                "messages.LampRequst: unknown message 'LampRequst'; expected one of: DashStatus,"
                " Foreign, LampRequest, RearStatus, Slow (did you mean 'LampRequest'?)"
            ),
        ),
        (
            '[messages.LampRequest]\ncycel = "20 ms"',
            (
                "messages.LampRequest.cycel: unknown key 'cycel'; expected one of: cycle, deadline,"
                " jitter, min_gap, on_change, page_cycle (did you mean 'cycle'?)"
            ),
        ),
        (
            '[messages.LampRequest]\ncycle = "0 ms"',
            "messages.LampRequest.cycle: input should be greater than 0, got '0 ms'",
        ),
        (
            '[messages.LampRequest]\ncycle = "20 ms"\nmin_gap = "30 ms"',
            "messages.LampRequest.min_gap: 30 ms is longer than 'cycle', 20 ms",
        ),
    ],
)
def test_a_cycle_that_makes_no_sense(car, table, told):
    (problem,) = car.change("[inputs.lights]", f"{table}\n\n[inputs.lights]").problems()
    assert problem.partition(": ")[2] == told


def test_a_cycle_that_the_stale_time_does_not_bear(car):
    car.change("[inputs.lights]", '[messages.LampRequest]\ncycle = "200 ms"\n\n[inputs.lights]')
    (problem,) = car.problems()
    assert "250 ms is shorter than two periods of 'LampRequest' (400 ms)" in problem


REQUEST = 'request = "LampRequest.Tail"'


@pytest.mark.parametrize(
    ("condition", "numbers"),
    [
        ("Gear.Selected == Reverse", (-1.0,)),
        ("Gear.Selected in [Reverse, Drive]", (-1.0, 3.0)),
        ("Gear.Selected == '2nd gear'", (9.0,)),
        ("Gear.Odd == SNA", (-1.0,)),
    ],
)
def test_a_condition_names_a_value_of_a_signal(two, condition, numbers):
    table = two.change(REQUEST, f'request = "{condition}"').load().loads["tail"]
    (name,) = table.request.names
    assert table.request.numbers[name] == numbers
    assert table.request.positions == {}
    assert [table.request({name: number}) for number in numbers] == [True] * len(numbers)
    assert not table.request({name: 5.0})


@pytest.mark.parametrize(
    ("condition", "told"),
    [
        (
            "Gear.Selected == Revers",
            (
                "unknown value of 'Gear.Selected' 'Revers'; expected one of: 2nd gear, Drive,"
                " Neutral, Reverse, Spare (did you mean 'Reverse'?)"
            ),
        ),
        (
            "Gear.Selected == Spare",
            "'Spare' names several values of 'Gear.Selected', 5 and 7; expected the number",
        ),
        ("LampRequest.Tail == lit", "'LampRequest.Tail' is a signal; 'lit' is no number"),
    ],
)
def test_a_name_that_stands_for_no_value(two, condition, told):
    (problem,) = two.change(REQUEST, f'request = "{condition}"').problems()
    assert problem.endswith(f"loads.tail.request: {told}")


@pytest.mark.parametrize(
    ("data", "shown"),
    [
        (b"\xff\xff", "Selected Reverse, Odd SNA"),
        (b"\x00\x01", "Selected Neutral, Odd one"),
        (b"\xfe\x02", "Selected -3, Odd 2"),
    ],
)
def test_a_frame_is_shown_by_the_names_of_its_values(two, data, shown):
    record = BusRecord(frame=Frame(768, data), sender="dash", start_ns=0, end_ns=1)
    assert decoded(two.load().messages["Gear"], record) == shown


def test_a_value_with_the_other_sign_is_the_same_bits(two):
    two.change('VAL_ 768 Odd -1 "SNA" 1 "one";', 'VAL_ 768 Odd 255 "SNA" 300 "none";', "more.dbc")
    vehicle = two.load()
    assert vehicle.messages["Gear"].signals["Odd"].choices == {-1: "SNA"}
    told = "VAL_ names 255 (read as -1), 300; it has 8 bits, signed"
    assert vehicle.notes == (f"more.dbc:12: message Gear, signal Odd: {told}.",)


def test_a_log_is_described_with_its_negative_values(two):
    log = two.folder / "drive.log"
    rows = ((0.0, "FF01"), (0.1, "0001"), (0.2, "04FF"))
    log.write_text("".join(f"({at:.6f}) can0 300#{data}\n" for at, data in rows))
    (gear,) = describe(log, vehicle=two.load()).seen
    assert gear.all_ranges() == {"Selected": (-1.0, 9.0), "Odd": (-1.0, 1.0)}


PROGRAMS = """import can

from linkloss_nodes import MS, Node


class Dash(Node):
    def start(self):
        self.board.every({every} * MS, self.send, first_ns=1 * MS)

    def send(self):
        raw = -1 if self.board.read("lights") == "dipped" else 1
        data = [raw & 0xFF, 0]
        self.board.bus.send(can.Message(arbitration_id=768, data=data, is_extended_id=False))


class Rear(Node):
    def start(self):
        self.board.write("tail", 1.0)

    def on_frame(self, message):
        if message.arbitration_id == 768:
            self.board.write("tail", float(message.data[0] == {reverse}))
"""


def geared(two: WrittenCar, *, every=20, reverse=0xFF) -> Vehicle:
    """A car whose lamp follows a negative value that has a name, and whose message comes more often
    than the DBC has it.
    """
    two.change(REQUEST, 'request = "Gear.Selected == Reverse"')
    two.change('[requests."LampRequest.Tail"]\nfollows = "lights in [position, dipped]"\n', "")
    two.change("[inputs.lights]", '[messages.Gear]\ncycle = "20 ms"\n\n[inputs.lights]')
    two.write("programs.py", PROGRAMS.format(every=every, reverse=reverse))
    return two.load()


def outcomes(vehicle: Vehicle) -> dict[tuple[str, str], Outcome]:
    actions = tuple(
        TimedAction(at * MS, {"lights": value})
        for at, value in ((300, "dipped"), (900, "off"), (1500, "dipped"))
    )
    case = Scenario(
        name="gear", title="", vehicle=vehicle, situation="night", inputs={}, actions=actions,
        faults=(), lasts_ns=2_000 * MS,
    )  # fmt: skip
    found = judge(vehicle, simulate(case))
    return {(verdict.subject, verdict.rule): verdict.outcome for verdict in found}


def test_a_right_car_keeps_its_rules_by_name_and_by_the_cycle_of_its_file(two):
    found = outcomes(geared(two))
    assert found["tail", "fresh"] is Outcome.KEPT
    assert found["Gear", "cycle"] is Outcome.KEPT


def test_a_wrong_car_takes_another_value_for_the_name(two):
    assert outcomes(geared(two, reverse=1))["tail", "fresh"] is Outcome.BROKEN


def test_a_wrong_car_keeps_to_the_cycle_of_the_dbc(two):
    found = outcomes(geared(two, every=100))
    assert found["Gear", "cycle"] is Outcome.BROKEN
