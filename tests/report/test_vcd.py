"""The waveform format: header, window, order of changes."""

from __future__ import annotations

import re

import pytest

from linkloss.report.waveform import vcd


def changes(text: str) -> dict[str, list[tuple[int, int]]]:
    """A reader of its own: name -> (instant, level)."""
    names = dict(re.findall(r"\$var wire 1 (\S+) (\S+) \$end", text))
    found: dict[str, list[tuple[int, int]]] = {name: [] for name in names.values()}
    now = None
    for line in text.partition("$enddefinitions $end\n")[2].splitlines():
        if line.startswith("#"):
            assert now is None or int(line[1:]) > now
            now = int(line[1:])
        elif not line.startswith("$"):
            found[names[line[1:]]].append((now, int(line[0])))
    return found


def test_changes_come_in_order_of_time_and_all_channels_begin_recessive():
    text = "".join(vcd({"bus": [(10, 0), (30, 1)], "dash": [(20, 0), (30, 1)]}, 0, 100))
    assert changes(text) == {"bus": [(0, 1), (10, 0), (30, 1)], "dash": [(0, 1), (20, 0), (30, 1)]}
    assert text.index("#20\n") < text.index("#30\n") < text.index("#100\n")
    assert text.endswith("#100\n")
    assert "$timescale 1 ns $end" in text


@pytest.mark.parametrize(
    ("from_ns", "to_ns", "expected"),
    [
        (15, 100, [(0, 1), (15, 0), (30, 1)]),  # it begins inside a dominant bit
        (10, 30, [(0, 1), (10, 0)]),  # what happens at its end is not in it
        (31, 40, [(0, 1)]),
    ],
)
def test_a_window_shows_the_level_it_begins_with_and_what_changes_inside(from_ns, to_ns, expected):
    text = "".join(vcd({"bus": [(10, 0), (30, 1)]}, from_ns, to_ns))
    assert changes(text) == {"bus": expected}


def test_an_edge_that_changes_nothing_is_not_written():
    text = "".join(vcd({"bus": [(10, 1), (20, 0), (25, 0)]}, 0, 100))
    assert changes(text) == {"bus": [(0, 1), (20, 0)]}


def test_names_become_words_that_differ():
    text = "".join(vcd({"rear left": [], "rear_left": [], "": []}, 0, 1))
    assert list(changes(text)) == ["rear_left", "rear_left_2", "_"]


def test_there_are_codes_for_any_number_of_channels():
    text = "".join(vcd({f"n{number}": [] for number in range(300)}, 0, 1))
    codes = re.findall(r"\$var wire 1 (\S+) ", text)
    assert len(set(codes)) == 300
    assert codes[0] == "!"
    assert all(33 <= ord(char) <= 126 for code in codes for char in code)


def test_an_empty_window_is_refused():
    with pytest.raises(ValueError, match="empty"):
        list(vcd({}, 5, 5))
