"""A user's own supply profile: what is read, and what is refused in which words."""

from __future__ import annotations

import pytest

from linkloss.power.supply import named_profile, read_profile
from linkloss.problem import BadInput


def test_points_are_joined_by_lines(tmp_path):
    path = tmp_path / "crank.csv"
    path.write_text("time_s,volts\n1.0, 12.4\n1.005,8\n\n1.020,8\n")
    profile = read_profile(path)
    assert profile.lasts_ns == 20_000_000
    instants = (0, 2_500_000, 5_000_000, 20_000_000, 10**12)
    assert [profile.volts(t) for t in instants] == pytest.approx([12.4, 10.2, 8, 8, 8])


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", ":1: got 'nothing'; expected the heading 'time_s,volts'"),
        ("time,volts\n0,12\n1,8\n", ":1: got 'time,volts'; expected the heading 'time_s,volts'"),
        ("time_s,volts\n0,12\n", ": expected two points or more: time in s, voltage in V"),
        ("time_s,volts\n0,12\n1\n", ":3: got 1 columns; expected a time in s and a voltage in V"),
        ("time_s,volts\n0,12\n1,x\n", ":3: volts: got 'x'; expected a number"),
        ("time_s,volts\n0,12\nnan,1\n", ":3: time_s: got 'nan'; expected a number"),
        ("time_s,volts\n0,12\n0,11\n", ":3: time_s: got 0 after 0; each time comes after the last"),
        ("time_s,volts\n0,12\n1e-10,11\n", ":3: time_s: got 1E-10 after 0; each time comes"),
        ("time_s,volts\n0,12\n1,201\n", ":3: volts: got 201; expected from -200 to 200"),
        ("time_s,volts\n0,12\n1e99,2\n", ":3: time_s: got 1E+99; expected from -1000000000 to"),
    ],
)
def test_what_cannot_be_used_is_told_with_its_line(tmp_path, text, told):
    path = tmp_path / "crank.csv"
    path.write_text(text)
    with pytest.raises(BadInput) as caught:
        read_profile(path)
    assert str(caught.value).startswith(f"{path}{told}")


@pytest.mark.parametrize("content", [None, b"\xff\xfe\x00"])
def test_a_file_that_is_not_there_or_no_text_is_told(tmp_path, content):
    path = tmp_path / "crank.csv"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(BadInput, match=r"expected a supply profile"):
        read_profile(path)


def test_a_name_or_a_file_stands_for_a_profile(tmp_path):
    assert named_profile("starting_2", tmp_path).volts(5_000_000) == 4.5
    (tmp_path / "own.csv").write_text("time_s,volts\n0,12\n1,6\n")
    assert named_profile("own.csv", tmp_path).volts(10**9) == 6
    with pytest.raises(
        BadInput, match=r"car.toml: faults: unknown supply profile 'starting_5'; .*"
    ):
        named_profile("starting_5", tmp_path, file="car.toml", where="faults")
