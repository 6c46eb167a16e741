"""What is wrong with a DBC file: a note where the vehicle does not use the message, and a mistake
with file, line and message where it does.

Each flaw is put into two messages of a file of our own: ``Used``, which asks for the lamp, and
``Other``, which no node of the vehicle sends or receives.
"""

from __future__ import annotations

import io
from pathlib import Path

import cantools
import pytest
from cantools.database import Database
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from linkloss.campaign.result import CheckReport
from linkloss.problem import BadInput
from linkloss.report.screen import make_console
from linkloss.report.terminal import show_check
from linkloss.vehicle.dbc import read_dbc
from linkloss.vehicle.loading import Vehicle, load_vehicle

DBC = """VERSION ""

NS_ :
\tBA_
\tVAL_
\tSG_MUL_VAL_

BS_:

BU_: dash rear

BO_ {id} {name}: 8 {sender}
 SG_ Lamp : 0|8@1+ (1,0) [0|255] "" {receiver}
 SG_ Level : 8|8@1- (0.5,0) [-64|63.5] "V" {receiver}

BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_ BO_ "ChecksumKind" STRING;
BA_DEF_ SG_ "LinkRole" ENUM "payload","counter","checksum";
BA_DEF_DEF_ "GenMsgCycleTime" 50;
BA_DEF_DEF_ "LinkRole" "payload";
CM_ BO_ {id} "BO_ 1 NoMessage: 8 x";
"""
LINE = 12
"""Where the message stands; its signals follow."""

VEHICLE = """title = "Flaws"
dbc = "flaws.dbc"

[bus]
bit_rate = "250 kbit/s"
cable = ["dash", "rear"]

[nodes.dash]
python = "programs.py:Dash"
boot = "60 ms"

[nodes.rear]
python = "programs.py:Rear"
boot = "60 ms"
watchdog = "200 ms"

[inputs.brake]
wired_to = ["rear"]
positions = ["released", "pressed"]

[loads.stop]
node = "rear"
local = "brake == pressed"
"""
REQUESTED = """
[loads.lamp]
node = "rear"
request = "Used.Lamp"
stale_after = "250 ms"
on_stale = "on"
on_reset = "on"
"""
PROGRAMS = """from linkloss_nodes import Node


class Dash(Node):
    pass


class Rear(Node):
    pass
"""


def vehicle(folder: Path, dbc: str | bytes, more: str = "") -> Vehicle:
    data = dbc if isinstance(dbc, bytes) else dbc.encode()
    (folder / "flaws.dbc").write_bytes(data)
    (folder / "programs.py").write_text(PROGRAMS)
    (folder / "vehicle.toml").write_text(VEHICLE + more)
    return load_vehicle(folder / "vehicle.toml")


def text(used: bool, *, head: str = "", signals: str = "", more: str = "") -> str:
    """The file with one message; ``signals`` stand behind its own, ``more`` at the end."""
    names = ("Used", "dash", "rear") if used else ("Other", "Vector__XXX", "Vector__XXX")
    name, sender, receiver = names
    whole = DBC
    if head:
        whole = whole.replace("BO_ {id} {name}: 8 {sender}", head)
    whole = whole.replace('"V" {receiver}\n', '"V" {receiver}\n' + signals)
    whole = (whole + more).replace("{id}", "291").replace("{name}", name)
    return whole.replace("{sender}", sender).replace("{receiver}", receiver)


def here(lines: int) -> int:
    return LINE + lines


SIGNAL = '(1,0) [0|1] "" {receiver}\n'
FLAWS = {
    "an identifier above 11 bits": (
        {"head": "BO_ 4096 {name}: 8 {sender}"},
        LINE,
        (
            "message {}: identifier 0x1000 is above 0x7ff, the last of a base frame; read as that"
            " of an extended frame"
        ),
    ),
    "an identifier above 29 bits": (
        {"head": "BO_ 3758096384 {name}: 8 {sender}"},
        LINE,
        "message {}: identifier 0x60000000; expected at most 0x1fffffff; left out",
    ),
    "an identifier above 32 bits": (
        {"head": "BO_ 99999999999 {name}: 8 {sender}"},
        LINE,
        "message {}: identifier 0x174876e7ff; expected at most 0x1fffffff; left out",
    ),
    "too many bytes": (
        {"head": "BO_ 291 {name}: 90000000 {sender}"},
        LINE,
        "message {}: 90000000 bytes; expected at most 1785; left out",
    ),
    "signals that overlap": (
        {"signals": " SG_ Late : 4|8@1+ " + SIGNAL},
        LINE,
        "message {}: signals Late and Lamp overlap",
    ),
    "a signal that does not fit": (
        {"signals": " SG_ Late : 60|8@1+ " + SIGNAL},
        here(3),
        "message {}, signal Late: 8 bits from bit 60 on do not fit into 8 bytes; left out",
    ),
    "a big-endian signal that does not fit": (
        {"signals": " SG_ Late : 56|2@0+ " + SIGNAL},
        here(3),
        "message {}, signal Late: 2 bits from bit 56 on do not fit into 8 bytes; left out",
    ),
    "a start bit of many digits": (
        {"signals": " SG_ Late : 80000000|4@1+ " + SIGNAL},
        here(3),
        "message {}, signal Late: 4 bits from bit 80000000 on do not fit into 8 bytes; left out",
    ),
    "a start bit below 0": (
        {"signals": " SG_ Late : -8|4@1+ " + SIGNAL},
        here(3),
        "message {}, signal Late: starts at bit -8; expected 0 or more; left out",
    ),
    "a signal without bits": (
        {"signals": " SG_ Late : 16|0@1+ " + SIGNAL},
        here(3),
        "message {}, signal Late: 0 bits; expected 1 or more; left out",
    ),
    "two signals of one name": (
        {"signals": " SG_ Lamp : 16|8@1+ " + SIGNAL},
        here(3),
        "message {}, signal Lamp: line 13 has a signal of this name; left out",
    ),
    "a factor of 0": (
        {"signals": ' SG_ Late : 16|8@1+ (0,0) [0|1] "" {receiver}\n'},
        here(3),
        "message {}, signal Late: its factor is 0, so its value never changes",
    ),
    "a signal that cannot be read": (
        {"signals": ' SG_ Late : 16|8@1+ (1,0) "" {receiver}\n'},
        here(3),
        (
            "message {}: 'SG_ Late : 16|8@1+ (1,0) \"\" {receiver}' cannot be read, and is left"
            " out; expected like 'SG_ Name : 0|8@1+ (1,0) [0|255] \"unit\" Receiver'"
        ),
    ),
    "a range upside down": (
        {"signals": ' SG_ Late : 16|8@1+ (1,0) [9|-1] "" {receiver}\n'},
        here(3),
        "message {}, signal Late: its range is given as 9 to -1; read as -1 to 9",
    ),
    "a VAL_ entry that cannot be read": (
        {"more": 'VAL_ 291 Lamp 1.5 "lit";\n'},
        here(10),
        "message {}: 'VAL_ 291 Lamp 1.5 \"lit\";' cannot be read, and is left out",
    ),
    "an attribute that nothing defines": (
        {"more": 'BA_ "Colour" BO_ 291 5;\n'},
        here(10),
        "message {}: attribute Colour: no BA_DEF_ says what it is; left out",
    ),
    "a mark that is none": (
        {"signals": " SG_ Late x3 : 16|8@1+ " + SIGNAL},
        here(3),
        (
            "message {}, signal Late: its mark 'x3' cannot be read; expected 'M' of a multiplexer"
            " or like 'm3'"
        ),
    ),
    "a multiplexer that is missing": (
        {"signals": " SG_ Late m3 : 16|8@1+ " + SIGNAL},
        here(3),
        (
            "message {}, signal Late: it is multiplexed, and no signal of the message is its"
            " multiplexer"
        ),
    ),
    "one multiplexer too many": (
        {
            "signals": " SG_ A M : 16|8@1+ "
            + SIGNAL
            + " SG_ B M : 24|8@1+ "
            + SIGNAL
            + " SG_ Late m3 : 32|8@1+ "
            + SIGNAL
        },
        here(5),
        "message {}, signal Late: which of A, B selects it is not said",
    ),
    "multiplexers that select each other": (
        {
            "signals": " SG_ A m0M : 16|8@1+ " + SIGNAL + " SG_ B m0M : 24|8@1+ " + SIGNAL,
            "more": "SG_MUL_VAL_ 291 A B 0-0;\nSG_MUL_VAL_ 291 B A 0-0;\n",
        },
        here(13),
        "message {}, signal B: SG_MUL_VAL_: its multiplexers select each other; left out",
    ),
    "a floating-point number of 8 bits": (
        {"more": "SIG_VALTYPE_ 291 Lamp : 1;\n"},
        here(10),
        "message {}, signal Lamp: a floating-point number of 8 bits; expected 32 or 64",
    ),
    "a floating-point number that is missing": (
        {"more": "SIG_VALTYPE_ 291 Lampe : 1;\n"},
        here(10),
        "message {}: SIG_VALTYPE_ 291 Lampe: the message has no signal 'Lampe'; left out",
    ),
    "a cycle time in words": (
        {"more": 'BA_ "GenMsgCycleTime" BO_ 291 "often";\n'},
        here(10),
        'message {}: attribute GenMsgCycleTime: "often" is no number; left out',
    ),
    "a cycle time below 0": (
        {"more": 'BA_ "GenMsgCycleTime" BO_ 291 -5;\n'},
        LINE,
        "message {}: GenMsgCycleTime is '-5'; expected milliseconds, 0 or more",
    ),
    "a role that is none": (
        {"more": 'BA_ "LinkRole" SG_ 291 Lamp 3;\n'},
        here(10),
        "message {}: attribute LinkRole: 3 is none of its 3 choices; left out",
    ),
    "a role of a signal that is missing": (
        {"more": 'BA_ "LinkRole" SG_ 291 Lampe 1;\n'},
        here(10),
        "message {}: attribute LinkRole: the message has no signal 'Lampe'; left out",
    ),
    "a role of a message": (
        {"more": 'BA_ "LinkRole" BO_ 291 1;\n'},
        here(10),
        (
            "message {}: attribute LinkRole: it is given to no signal; expected 'SG_' and its"
            " identifier; left out"
        ),
    ),
    "a role by another name": (
        {
            "more": 'BA_DEF_ SG_ "LinkRole" ENUM "payload","Counter","crc";\n'
            'BA_ "LinkRole" SG_ 291 Lamp 2;\n'
        },
        LINE,
        (
            "message {}: signal Lamp: unknown LinkRole 'crc'; expected one of: payload, counter,"
            " checksum"
        ),
    ),
    "a cycle time of a signal": (
        {"more": 'BA_ "GenMsgCycleTime" SG_ 291 Lamp 20;\n'},
        here(10),
        (
            "message {}: attribute GenMsgCycleTime: it is given to no message; expected 'BO_' and"
            " its identifier; left out"
        ),
    ),
    "two counters": (
        {"more": 'BA_ "LinkRole" SG_ 291 Lamp 1;\nBA_ "LinkRole" SG_ 291 Level 1;\n'},
        LINE,
        "message {}: several signals are its counter: Lamp, Level",
    ),
    "an unknown checksum": (
        {"more": 'BA_ "LinkRole" SG_ 291 Lamp 2;\nBA_ "ChecksumKind" BO_ 291 "crc9";\n'},
        LINE,
        "message {}: unknown ChecksumKind 'crc9'; expected one of: crc8, xor, sum",
    ),
}

HARMLESS = {
    "a VAL_ entry without a signal": (
        {"more": 'VAL_ 291 Lampe 1 "lit";\n'},
        here(10),
        "message {}: VAL_ 291 Lampe: the message has no signal 'Lampe'; left out",
    ),
    "a VAL_ entry without a message": (
        {"more": 'VAL_ 292 Lamp 1 "lit";\n'},
        here(10),
        "VAL_ 292 Lamp: no message has the identifier 292; left out",
    ),
    "a VAL_ entry with the other sign": (
        {"more": 'VAL_ 291 Level 255 "low" 700 "high";\n'},
        here(10),
        "message {}, signal Level: VAL_ names 255 (read as -1), 700; it has 8 bits, signed",
    ),
    "a VAL_ entry without its end": (
        {"more": 'VAL_ 291 Lamp 1 "lit"\n'},
        here(10),
        "message {}, signal Lamp: VAL_ has no ';' at its end",
    ),
    "quotation marks in a comment": (
        {"more": 'CM_ BO_ 291 "the "best" message";\n'},
        here(10),
        '\'CM_ BO_ 291 "the "best" message";\' cannot be read, and is left out',
    ),
    "a signal without a receiver": (
        {"signals": ' SG_ Late : 16|8@1+ (1,0) [0|1] ""\n'},
        here(3),
        "message {}, signal Late: no receiver; read as 'Vector__XXX'",
    ),
    "a name that begins with a digit": (
        {"signals": " SG_ 2nd : 16|8@1+ " + SIGNAL, "more": 'VAL_ 291 2nd 1 "on";\n'},
        here(3),
        "the name '2nd' is read as '_2nd'; expected letters, digits and '_', no digit first",
    ),
    "a name with an umlaut": (
        {"signals": " SG_ R\u00e4der : 16|8@1+ " + SIGNAL},
        here(3),
        (
            "the name 'R\u00e4der' is read as 'R_der'; expected letters, digits and '_', no digit"
            " first"
        ),
    ),
    "a cycle time of no message": (
        {"more": 'BA_ "GenMsgCycleTime" BO_ 292 5;\n'},
        here(10),
        "attribute GenMsgCycleTime: no message has the identifier 292; left out",
    ),
    "a signal of no message": (
        {"more": " SG_ Late : 16|8@1+ " + SIGNAL},
        here(10),
        "signal Late belongs to no message; left out",
    ),
}


@pytest.mark.parametrize("flaw", FLAWS)
def test_a_flaw_of_a_message_that_is_not_used_is_a_note(tmp_path, flaw):
    parts, line, told = FLAWS[flaw]
    notes = vehicle(tmp_path, text(used=False, **parts)).notes
    told = told.replace("{receiver}", "Vector__XXX").replace("{}", "Other")
    assert notes.count(f"flaws.dbc:{line}: {told}.") == 1


def test_a_flaw_of_a_message_that_is_not_used_ends_only_the_output_that_asks_for_everything(
    tmp_path,
):
    parts, line, _ = FLAWS["too many bytes"]
    car = vehicle(tmp_path, text(used=False, **parts))
    assert len(car.notes) == 1
    assert car.brief_notes == ()
    report = CheckReport(car, 0, (), [])
    for verbose in (False, True):
        stream = io.StringIO()
        show_check(make_console(stream, 300), report, verbose=verbose)
        assert (f"flaws.dbc:{line}: " in stream.getvalue()) is verbose


@pytest.mark.parametrize("flaw", FLAWS)
def test_a_flaw_of_a_message_that_is_used_is_a_mistake(tmp_path, flaw):
    parts, line, told = FLAWS[flaw]
    with pytest.raises(BadInput) as caught:
        vehicle(tmp_path, text(used=True, **parts), REQUESTED)
    told = told.replace("{receiver}", "rear").replace("{}", "Used")
    assert f"{tmp_path / 'flaws.dbc'}:{line}: {told}" in str(caught.value).splitlines()


@pytest.mark.parametrize("used", [False, True])
@pytest.mark.parametrize("flaw", HARMLESS)
def test_what_is_harmless_is_a_note_of_any_message(tmp_path, flaw, used):
    parts, line, told = HARMLESS[flaw]
    found = vehicle(tmp_path, text(used=used, **parts), REQUESTED if used else "")
    told = told.replace("{}", "Used" if used else "Other")
    assert found.notes == (f"flaws.dbc:{line}: {told}.",)


def test_two_messages_with_one_identifier_and_two_with_one_name(tmp_path):
    more = """BO_ 291 Twin: 8 Vector__XXX

BO_ 292 Pair: 8 Vector__XXX

BO_ 293 Pair: 8 Vector__XXX
"""
    assert vehicle(tmp_path, text(used=False, more=more)).notes == (
        "flaws.dbc:12: message Other: message Twin on line 22 has its identifier too.",
        "flaws.dbc:22: message Twin: message Other on line 12 has its identifier; left out.",
        "flaws.dbc:24: message Pair: a message on line 26 has its name too.",
        "flaws.dbc:26: message Pair: a message on line 24 has its name.",
    )
    with pytest.raises(BadInput) as caught:
        vehicle(tmp_path, text(used=True, more=more), REQUESTED)
    told = "12: message Used: message Twin on line 22 has its identifier too"
    assert str(caught.value) == f"{tmp_path / 'flaws.dbc'}:{told}"


def test_a_message_whose_line_cannot_be_read_is_a_mistake_only_where_one_is_missing(tmp_path):
    parts = {"head": "BO_ 291 {name} 8 {sender}"}
    shown = "cannot be read, and is left out; expected like 'BO_ 291 Name: 8 Sender'"
    notes = vehicle(tmp_path, text(used=False, **parts)).notes
    assert notes == (f"flaws.dbc:12: 'BO_ 291 Other 8 Vector__XXX' {shown}.",)
    with pytest.raises(BadInput) as caught:
        vehicle(tmp_path, text(used=True, **parts), REQUESTED)
    first, second = str(caught.value).splitlines()
    assert first == f"{tmp_path / 'flaws.dbc'}:12: 'BO_ 291 Used 8 dash' {shown}"
    assert second.endswith("unknown message 'Used'; expected one of: none are declared")


USES = {
    "a condition": '[loads.x]\nnode = "rear"\nlocal = "brake == pressed"\n'
    'never = [{ state = "on", when = "Other.Lamp == 1", within = "1 s" }]\n',
    "a filter": '[[nodes.rear.filters]]\nmessage = "Other"\n',
    "a message": '[messages.Other]\njitter = "1 ms"\n',
    "a notice": '[notices.x]\nsignal = "Other.Lamp"\nlost = "rear"\nwithin = "1 s"\n',
    "a setting": '[nodes.dash.settings]\nfollow = ["this", "Other"]\n',
    "a word of a setting": '[nodes.dash.settings.x]\nwhen = "Other.Lamp == 1"\n',
    "a status": '[nodes.dash.supply]\nlogged = "Other.Lamp"\n',
}


@pytest.mark.parametrize("where", USES)
def test_a_vehicle_uses_what_it_names(tmp_path, where):
    late = text(used=False, signals=" SG_ Late : 4|8@1+ " + SIGNAL)
    with pytest.raises(BadInput) as caught:
        vehicle(tmp_path, late, USES[where])
    told = "12: message Other: signals Late and Lamp overlap"
    assert str(caught.value).splitlines()[0] == f"{tmp_path / 'flaws.dbc'}:{told}"


@pytest.mark.parametrize("place", ["sender", "receiver", "more"])
def test_a_vehicle_uses_what_its_nodes_send_or_receive(tmp_path, place):
    late = text(used=False, signals=" SG_ Late : 4|8@1+ " + SIGNAL)
    if place == "sender":
        late = late.replace("Other: 8 Vector__XXX", "Other: 8 dash")
    elif place == "receiver":
        late = late.replace('"V" Vector__XXX', '"V" elsewhere,rear')
    else:
        late += "BO_TX_BU_ 291 : elsewhere,dash;\n"
    with pytest.raises(BadInput, match="12: message Other: signals Late and Lamp overlap"):
        vehicle(tmp_path, late)


def test_the_name_of_an_input_is_no_message(tmp_path):
    more = '[inputs.Other]\nwired_to = ["rear"]\npositions = ["off", "Other"]\n'
    late = text(used=False, signals=" SG_ Late : 4|8@1+ " + SIGNAL)
    assert len(vehicle(tmp_path, late, more + '[situations.x]\nlasts = "1 s"\n').notes) == 1


def test_of_many_flaws_the_first_are_told(tmp_path):
    late = "".join(f" SG_ Late{n} : 60|8@1+ {SIGNAL}" for n in range(20))
    notes = vehicle(tmp_path, text(used=False, signals=late)).notes
    assert len(notes) == 9
    assert notes[-1] == "flaws.dbc: 12 more flaws like these."


@pytest.mark.parametrize("code", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_a_file_in_any_usual_code(tmp_path, code):
    whole = text(used=True, more='VAL_ 291 Lamp 1 "hei\u00df";\n').replace('"V"', '"\u00b0C"')
    found = vehicle(tmp_path, whole.encode(code), REQUESTED)
    signals = found.messages["Used"].signals
    assert (signals["Level"].unit, signals["Lamp"].choices) == ("\u00b0C", {1: "hei\u00df"})
    assert found.notes == ()


def test_an_identifier_that_is_read_as_extended_keeps_what_is_said_of_it(tmp_path):
    more = """BA_ "GenMsgCycleTime" BO_ 4096 20;
BA_ "LinkRole" SG_ 4096 Level 1;
VAL_ 4096 Lamp 1 "lit";
BO_TX_BU_ 4096 : elsewhere;
"""
    whole = text(used=False, more=more, head="BO_ 4096 {name}: 8 {sender}")
    message = vehicle(tmp_path, whole).messages["Other"]
    assert (message.identifier, message.extended) == (4096, True)
    assert (message.period_ns, message.senders) == (20_000_000, ("Vector__XXX", "elsewhere"))
    assert message.counter is message.signals["Level"]
    assert message.signals["Lamp"].choices == {1: "lit"}


def test_what_belongs_to_no_message_is_nothing_to_tell(tmp_path):
    more = """BO_ 3221225472 VECTOR__INDEPENDENT_SIG_MSG: 0 Vector__XXX
 SG_ Loose : 0|8@1+ (1,0) [0|1] "" Vector__XXX

VAL_ 3221225472 Loose 1 "on";
"""
    found = vehicle(tmp_path, text(used=True, more=more), REQUESTED)
    assert (list(found.messages), found.notes) == (["Used"], ())


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        (
            'BA_DEF_ BO_ "GenMsgCycleTime" INT 0;',
            "attribute GenMsgCycleTime: its limits are not two",
        ),
        ('BA_DEF_DEF_ "GenMsgCycleTime" "x";', 'attribute GenMsgCycleTime: its default "x" is no'),
        ('BA_DEF_DEF_ "VFrameFormat" "x";', "attribute VFrameFormat: no BA_DEF_ says what it is"),
        ('BA_ "LinkRole" SG_ 292 Lamp 1;', "attribute LinkRole: no message has the identifier 292"),
        ('BA_ "LinkRole" 1;', "attribute LinkRole: it is given to no signal"),
        ('BA_ "ChecksumKind" BO_ 292 "xor";', "attribute ChecksumKind: no message has the"),
        ('BA_DEF_DEF_ "Gen 5;', "'BA_DEF_DEF_ \"Gen 5;' cannot be read"),
        ("SIG_VALTYPE_ Lamp : 1;", "'SIG_VALTYPE_ Lamp : 1;' cannot be read"),
        ('CM_ BO_ 291 "left open;', "'CM_ BO_ 291 \"left open;' cannot be read"),
        ('CM_ BO_ 291 "left BA_ open" x";', '\'CM_ BO_ 291 "left BA_ open" x";\' cannot be read'),
    ],
)
def test_what_may_concern_any_message_is_a_mistake_of_the_file(tmp_path, statement, told):
    with pytest.raises(BadInput) as caught:
        vehicle(tmp_path, text(used=False, more=statement + "\n"))
    assert str(caught.value).startswith(f"{tmp_path / 'flaws.dbc'}:{here(10)}: {told}")


EDITS = st.lists(
    st.tuples(
        st.floats(0, 1),
        st.integers(0, 12),
        st.text('SGBOMVAL_ 0123456789|@+-(),;:"m\n', max_size=6),
    ),
    min_size=1,
    max_size=4,
)
MUCH = text(
    used=True,
    signals=" SG_ Mode m0M : 16|8@1+ "
    + SIGNAL.replace("{receiver}", "rear")
    + " SG_ Top M : 24|8@1+ "
    + SIGNAL.replace("{receiver}", "rear")
    + ' SG_ Real m2 : 32|32@1- (1,0) [0|0] "" rear\n',
    more="""BA_ "GenMsgCycleTime" BO_ 291 20;
BA_ "LinkRole" SG_ 291 Level 1;
VAL_ 291 Level -1 "low" 2 "high" ;
SIG_VALTYPE_ 291 Real : 1;
SG_MUL_VAL_ 291 Mode Top 0-3;
SG_MUL_VAL_ 291 Real Mode 2-2, 5-6;
BO_ 2147484000 Far: 8 dash
 SG_ Big : 7|16@0+ (1,0) [0|1] "" rear
""",
)


@settings(
    max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(edits=EDITS)
def test_no_damage_brings_the_bench_down(tmp_path, edits):
    whole = MUCH
    for place, removed, patch in edits:
        at = int(place * len(whole))
        whole = whole[:at] + patch + whole[at + removed :]
    try:
        found = vehicle(tmp_path, whole, REQUESTED)
    except BadInput as error:
        assert "\n" not in "".join(map(str, error.problems))  # noqa: PT017
        return
    for message in found.messages.values():
        for signal in message.signals.values():
            signal.physical(bytes(message.length))
            signal.in_range(b"\xff" * message.length)


def test_the_file_that_is_damaged_is_whole_at_first(tmp_path):
    found = vehicle(tmp_path, MUCH, REQUESTED)
    assert found.notes == ()
    assert list(found.messages) == ["Used", "Far"]


def real_files() -> list[Path]:
    return sorted((Path(__file__).parents[3] / "shared" / "data" / "dbc").glob("*.dbc"))


def counted(path: Path) -> dict[str, int]:
    """The messages in the text, counted by their first words alone, with their signals."""
    found: dict[str, int] = {}
    name = ""
    for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
        words = line.split()
        if words[:1] == ["BO_"]:
            name = words[2].rstrip(":")
            found[name] = 0
        elif words[:1] == ["SG_"] and line[0] == " ":
            found[name] += 1
    found.pop("VECTOR__INDEPENDENT_SIG_MSG", None)
    return found


def parsed(path: Path) -> Database | None:
    """What the parser makes of a file as it is; None where it gives up."""
    try:
        found = cantools.database.load_file(path, database_format="dbc", strict=False)
    except cantools.database.UnsupportedDatabaseFormatError:
        return None
    assert isinstance(found, Database)
    return found


@pytest.mark.skipif(not real_files(), reason="there are no open DBC files beside this checkout")
@pytest.mark.parametrize("path", real_files(), ids=lambda path: path.stem)
def test_a_vehicle_loads_every_open_file(tmp_path, path):
    found = vehicle(tmp_path, path.read_bytes())
    lines = counted(path)
    assert len(found.database.messages) == len(lines)
    alone = parsed(path)
    if alone is None:
        assert found.notes
        return
    assert len(alone.messages) == len(lines)
    told = " ".join(map(str, read_dbc(path).flaws))
    for mine, theirs in zip(found.database.messages, alone.messages, strict=True):
        assert (mine.name, mine.frame_id, mine.length) == (
            theirs.name, theirs.frame_id, theirs.length,
        )  # fmt: skip
        kept = {signal.name for signal in mine.signals}
        for signal in theirs.signals:
            assert signal.name in kept or f"signal='{signal.name}'" in told
