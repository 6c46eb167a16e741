"""What a vehicle file may say about a node's controller: profiles, properties, filters, CAN FD."""

from __future__ import annotations

import pytest
from written_car import DBC

from linkloss.report.schemas import vehicle_schema
from linkloss.vehicle.tables import PROFILES, NodeTable

REAR = 'python = "programs.py:Rear"'
NODE = {"python": "programs.py:Rear", "boot": 1}
FD_DBC = DBC.replace(
    'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;\n',
    'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;\n'
    'BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG",'
    '"r4","r5","r6","r7","r8","r9","r10","r11","r12","r13","StandardCAN_FD","ExtendedCAN_FD";\n'
    'BA_DEF_DEF_ "VFrameFormat" "StandardCAN";\n',
)


@pytest.mark.parametrize("name", PROFILES)
def test_a_profile_sets_its_properties_and_nothing_else(name):
    profile = PROFILES[name].properties
    node, plain = NodeTable(**NODE, controller=name), NodeTable(**NODE)
    for key in NodeTable.model_fields:
        if key != "controller":
            assert getattr(node, key) == profile.get(key, getattr(plain, key))


def test_a_property_beside_a_profile_overrides_it(car):
    car.change(REAR, f'{REAR}\ncontroller = "two_buffers"\nreceive_depth = 7')
    node = car.load().nodes["rear"]
    assert (node.receive_depth, node.mailboxes, node.auto_recovery) == (7, 3, True)


def test_an_unknown_profile_is_told_with_the_nearest_one(car):
    (problem,) = car.change(REAR, f'{REAR}\ncontroller = "two_bufers"').problems()
    assert problem.endswith(
        "nodes.rear.controller: unknown controller 'two_bufers'; expected one of: one_mailbox,"
        " shared_mailboxes, two_buffers (did you mean 'two_buffers'?)"
    )


def test_the_schema_lists_the_profiles_and_what_they_are():
    shown = vehicle_schema()["$defs"]["NodeTable"]["properties"]["controller"]
    assert shown["enum"] == list(PROFILES)
    for name, profile in PROFILES.items():
        assert f"{name}: {profile.about}" in shown["description"]


def test_filters_name_messages_or_identifiers(car):
    car.change(
        REAR, f'{REAR}\nfilters = ["LampRequest", {{ id = 0x18DAF100, mask = 0x1FFFFF00, extended'
        " = true }]",
    )  # fmt: skip
    named, masked = car.load().nodes["rear"].filters
    assert named.message == "LampRequest"
    assert (masked.id, masked.mask, masked.extended) == (0x18DAF100, 0x1FFFFF00, True)


@pytest.mark.parametrize(
    ("filters", "place", "text"),
    [
        ('["LampReqest"]', "filters[1]", "unknown message 'LampReqest'"),
        ("[{ mask = 1 }]", "filters[1]", "expected either 'message' or 'id'"),
        (
            '[{ message = "Slow", mask = 1 }]', "filters[1]",
            "a filter for a 'message' has neither 'mask' nor 'extended'",
        ),
        (
            "[{ id = 0x800 }]", "filters[1]",
            "'id' is 0x800; expected 0x0 to 0x7ff of a base frame, or 'extended = true'",
        ),
        (
            "[{ id = 1, mask = 0xFFFF }]", "filters[1]",
            "'mask' is 0xffff; expected 0x0 to 0x7ff of a base frame, or 'extended = true'",
        ),
        ("[{ id = -1 }]", "filters[1].id", "input should be greater than or equal to 0"),
        ("[{ idd = 1 }]", "filters[1].idd", "unknown key 'idd'"),
    ],
)  # fmt: skip
def test_a_filter_that_does_not_fit_is_told(car, filters, place, text):
    problem = car.change(REAR, f"{REAR}\nfilters = {filters}").problems()[0]
    assert f"nodes.rear.{place}: {text}" in problem


# ---- CAN FD


def fd_car(car, *messages: int, length: int = 2):
    """The car with some messages of CAN FD."""
    text = FD_DBC.replace("LampRequest: 2 dash", f"LampRequest: {length} dash")
    text += "".join(f'BA_ "VFrameFormat" BO_ {message} 14;\n' for message in messages)
    car.write("written.dbc", text)
    return car


def test_a_vehicle_with_a_message_of_can_fd(car):
    fd_car(car, 256, length=64).change('"250 kbit/s"', '"250 kbit/s"\ndata_bit_rate = "2 Mbit/s"')
    car.change('python = "programs.py:Dash"', 'python = "programs.py:Dash"\nfd = true')
    vehicle = car.load()
    assert vehicle.buses[0].data_bit_rate == 2_000_000
    assert [m.name for m in vehicle.messages.values() if m.fd] == ["LampRequest"]
    assert vehicle.fd
    assert [name for name, node in vehicle.nodes.items() if node.fd] == ["dash"]


def test_a_classical_node_that_should_send_it_is_told(car):
    (problem,) = fd_car(car, 256).problems()
    assert problem.endswith(
        "nodes.dash.fd: it sends 'LampRequest', a CAN FD message; expected 'fd = true'"
    )


def test_a_length_that_can_fd_does_not_have_is_told_with_the_next_one(car):
    fd_car(car, 256, length=10)
    car.change('python = "programs.py:Dash"', 'python = "programs.py:Dash"\nfd = true')
    (problem,) = car.problems()
    assert problem.endswith(
        "message 'LampRequest' has 10 bytes, which no CAN FD frame holds; the next length is 12"
    )


@pytest.mark.parametrize(
    ("rate", "text"),
    [
        ("125 kbit/s", "the data goes slower than the 'bit_rate' of 250000 bit/s"),
        ("12 Mbit/s", "'12 Mbit/s' is out of range; CAN FD runs its data at up to 8 Mbit/s"),
        ("2 MHz", "'MHz' is no unit of bit rate"),
    ],
)
def test_a_data_bit_rate_that_does_not_fit_is_told(car, rate, text):
    (problem,) = car.change('"250 kbit/s"', f'"250 kbit/s"\ndata_bit_rate = "{rate}"').problems()
    assert f"bus.data_bit_rate: {text}" in problem


def test_a_program_in_c_has_no_can_fd(car):
    car.write("rear.c", "void setup(void) {}\nvoid loop(void) {}\n")
    (problem,) = car.change(REAR, 'c = ["rear.c"]\nfd = true').problems()
    assert "nodes.rear: a program in C knows classical CAN only; expected no 'fd'" in problem


def test_a_classical_message_that_is_too_long_is_told(car):
    (problem,) = fd_car(car, length=12).problems()
    assert problem.endswith(
        "message 'LampRequest' has 12 bytes, a classical frame 8 at most; expected"
        " 'StandardCAN_FD' or 'ExtendedCAN_FD' as VFrameFormat"
    )
