"""Logs with CAN FD frames on bare buses."""

from __future__ import annotations

import pytest
from replay_lab import text_log

from linkloss.cli import main
from linkloss.logs.bare import replay_bare

ROWS = ((0.0, "123#01"), (0.01, "124##1" + "5A" * 64), (0.02, "00000125##0"), (0.03, "126#R4"))


def test_with_a_data_bit_rate_they_are_played(tmp_path):
    found = replay_bare(text_log(tmp_path / "x.log", *ROWS), 500_000, data_bit_rate=2_000_000)
    assert found.heard == {"can0": [4, 4]}
    assert found.shift.logged == 4
    assert found.notes == []


def test_without_one_they_are_left_out(tmp_path):
    found = replay_bare(text_log(tmp_path / "x.log", *ROWS), 500_000)
    assert found.heard == {"can0": [2, 2]}
    assert found.notes == ["2 CAN FD frames left out: no controller here supports CAN FD"]


@pytest.mark.parametrize(
    ("options", "text"),
    [
        (["--data-bit-rate", "250 kbit/s"], "slower than the bit rate of 500000 bit/s"),
        (["--data-bit-rate", "2"], "has no unit"),
        (["--data-bit-rate", "9 Mbit/s"], "up to 8 Mbit/s"),
    ],
)
def test_a_data_bit_rate_that_does_not_fit_is_told(tmp_path, capsys, options, text):
    log = text_log(tmp_path / "x.log", *ROWS)
    assert main(["replay", str(log), *options]) == 2
    assert text in " ".join(capsys.readouterr().err.split())
