"""Every key of a TOML file is found on its line, so that a mistake can be pointed at."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from linkloss.problem import BadInput
from linkloss.vehicle.toml import Source, key_lines, read_toml, show_location


def lines(text: str):
    tomllib.loads(text)  # the text of a test is TOML
    return key_lines(text)


def test_keys_and_tables():
    found = lines("a = 1\n\n[t]\nb = 2\n[t.u]  # remark\nc = 3\n")
    assert found == {("a",): 1, ("t",): 3, ("t", "b"): 4, ("t", "u"): 5, ("t", "u", "c"): 6}


def test_arrays_of_tables_carry_their_index():
    found = lines(
        "[[s]]\nat = 1\n[[s]]\nat = 2\n[s.more]\nx = 1\n[[s.deep]]\ny = 1\n[[s.deep]]\ny=2\n"
    )
    assert found["s", 0, "at"] == 2
    assert found["s", 1] == 3
    assert found["s", 1, "at"] == 4
    assert found["s", 1, "more", "x"] == 6
    assert found["s", 1, "deep", 0, "y"] == 8
    assert found["s", 1, "deep", 1, "y"] == 10


def test_dotted_keys():
    found = lines("bus.bit_rate = 1\n[nodes]\nrear . boot = 2\n")
    assert found["bus", "bit_rate"] == 1
    assert found["bus",] == 1
    assert found["nodes", "rear", "boot"] == 3
    assert found["nodes", "rear"] == 3


def test_quoted_keys():
    found = lines(
        """[requests."Lamp.Tail"]\n'a b' = 1\n"c.d".e = 2\n[ 'x' . "y#z" ] # [no]\nf = 3\n"""
    )
    assert found["requests", "Lamp.Tail"] == 1
    assert found["requests", "Lamp.Tail", "a b"] == 2
    assert found["requests", "Lamp.Tail", "c.d", "e"] == 3
    assert found["x", "y#z", "f"] == 5


def test_a_key_in_an_inline_table_stands_on_the_line_of_the_key_that_holds_it():
    source = Source(Path("car.toml"), "[a]\nb = { c = 1, d = { e = 2 } }\n")
    assert source.line(("a", "b", "d", "e")) == 2
    assert source.line(("a", "nothing")) == 1
    assert source.line(("z",)) == 0


@pytest.mark.parametrize(
    "value",
    [
        '"""\n[x]\nb = 2\n\\""" still\n"""',
        "'''\n[x]\nb = 2\n'''",
        '[\n"[x]",\n["b = 2"],\n# [x]\n]',
        "[\n[1],\n[2]\n]",
        '"""[x]\n[[x]]\nb = 1"""  # """',
        "'it''s' # [".replace("''s", "s"),
        '"a \\" [ # {"',
        '""',
        '["""\n]\nb = 3\n""", 1]',
    ],
)
def test_what_stands_inside_a_value_is_no_key(value):
    found = lines(f"a = {value}\nlast = 1\n[t]\nu = 1\n")
    last = f"a = {value}\n".count("\n") + 1
    assert found == {("a",): 1, ("last",): last, ("t",): last + 1, ("t", "u"): last + 2}


def test_a_line_ends_where_toml_says():
    found = lines('a = "one\u2028two\x85"\nb = 1\r\nc = 2\n')
    assert found == {("a",): 1, ("b",): 2, ("c",): 3}


def test_a_table_is_found_where_it_stands_first():
    assert lines("[a.b]\nx = 1\n[a]\ny = 2\n")["a",] == 3


@pytest.mark.parametrize(
    "location, text",
    [
        (("loads", "tail_lamp", "request"), "loads.tail_lamp.request"),
        (("steps", 0, "at"), "steps[1].at"),
        (("requests", "Lamp.Tail", "while"), 'requests."Lamp.Tail".while'),
        (("a b",), '"a b"'),
        ((), ""),
    ],
)
def test_places_are_shown_as_a_person_writes_them(location, text):
    assert show_location(location) == text


def test_a_text_that_is_no_toml_is_pointed_at(tmp_path):
    path = tmp_path / "car.toml"
    path.write_text("a = 1\nb = = 2\n")
    with pytest.raises(BadInput) as caught:
        read_toml(path, "vehicle")
    assert str(caught.value).startswith(f"{path}:2: this is no valid TOML: ")


@pytest.mark.parametrize("what", ["vehicle", "scenario"])
def test_a_file_that_is_missing_is_told_with_what_it_should_be(tmp_path, what):
    with pytest.raises(BadInput, match=f"there is no such file; expected a {what} file"):
        read_toml(tmp_path / "none.toml", what)
