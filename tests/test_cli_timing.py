"""``linkloss timing`` and ``linkloss run --bits`` as a user types them."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from linkloss.cli import main

TINY = Path(__file__).parent / "report" / "tiny"


@pytest.fixture
def car(tmp_path, monkeypatch) -> Path:
    folder = tmp_path / "car"
    shutil.copytree(TINY, folder, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.chdir(folder)
    monkeypatch.setenv("COLUMNS", "80")
    return folder


def test_a_sound_plan_returns_0(car, capsys):
    assert main(["timing", "vehicle.toml"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert "3 of 3 messages have a bound, none of them is late." in out


@pytest.mark.parametrize(
    ("added", "code", "text"),
    [
        ('LampRequest = { deadline = "2500 us" }', 1, "may miss its deadline by 100 us"),
        ('LampRequest = { jitter = "60 ms" }', 1, "LampRequest may miss its deadline by 12.6"),
        ('DashNotices = { jitter = "9 s" }', 3, "dash has 3 mailboxes but"),
    ],
)
def test_what_the_vehicle_file_declares_decides(car, capsys, added, code, text):
    path = car / "vehicle.toml"
    path.write_text(path.read_text() + f"\n[messages]\n{added}\n")
    assert main(["timing", "vehicle.toml"]) == code
    assert text in " ".join(capsys.readouterr().out.split())


def test_json_and_picture_are_written_and_all_situations_run(car, capsys):
    main(["timing", "vehicle.toml", "--json", "t.json", "--plot", "t.svg"])
    found = json.loads((car / "t.json").read_text())
    assert found["runs"]
    assert (car / "t.svg").read_text().startswith("<svg")
    assert "Seen in" in capsys.readouterr().out


def test_a_scenario_may_be_watched(car, capsys):
    main(["timing", "vehicle.toml", "--scenario", "cut.toml"])
    assert "a fault: the cable between dash and rear was cut" in " ".join(
        capsys.readouterr().out.split()
    )


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["--situation", "nigth"], "linkloss: --situation: unknown situation 'nigth'; expected"),
        (["--bit-rate", "5"], "linkloss: --bit-rate: '5' has no unit; expected a bit rate"),
        (["--scenario", "no.toml"], "no.toml: "),
        (["--plot", "no/where.svg"], "no/where.svg"),
    ],
)
def test_what_cannot_be_used_is_told_in_one_line(car, capsys, arguments, text):
    assert main(["timing", "vehicle.toml", *arguments]) == 2
    out, err = capsys.readouterr()
    assert text in err
    assert len(err.splitlines()) == 1
    assert out == ""


def test_a_scenario_of_another_vehicle_is_refused(car, capsys):
    (car / "other").mkdir()
    for name in ("vehicle.toml", "tiny.dbc", "tiny_nodes.py", "cut.toml"):
        shutil.copy(car / name, car / "other" / name)
    assert main(["timing", "vehicle.toml", "--scenario", "other/cut.toml"]) == 2
    assert "it is a scenario of" in capsys.readouterr().err


def test_the_bits_of_a_window_are_written(car, capsys):
    command = ["run", "cut.toml", "-q", "--bits", "cut.vcd"]
    main([*command, "--bits-from", "100 ms", "--bits-to", "200 ms"])
    window = (car / "cut.vcd").read_text()
    main(command)
    whole = (car / "cut.vcd").read_text()
    instants = [int(line[1:]) for line in window.splitlines() if line.startswith("#")]
    assert instants[0] == 0
    assert min(instants[1:]) >= 100_000_000
    assert instants[-1] == 200_000_000
    assert len(instants) > 20
    assert len(whole) > len(window)
    assert "$var wire 1 ! bus $end" in window
    assert " dash $end" in window
    assert " rear $end" in window


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["--bits", "x.txt"], "--bits: got 'x.txt'; expected a name that ends in .vcd"),
        (["--bits-from", "1 s"], "belong to a waveform; expected '--bits FILE.vcd' too"),
        (
            ["--bits", "x.vcd", "--bits-from", "1 s", "--bits-to", "1 s"],
            "--bits-to: 1 s does not lie after the beginning of the waveform",
        ),
        (["--bits", "x.vcd", "--bits-from", "1 y"], "'y' is no unit of duration"),
        (
            ["--bits", "x.vcd", "--bits-from", "100 s"],
            "--bits-from: 100 s lies after the end of the scenario",
        ),
    ],
)
def test_a_window_that_cannot_be_is_refused_and_nothing_is_written(car, capsys, arguments, text):
    assert main(["run", "cut.toml", "-q", *arguments]) == 2
    assert text in capsys.readouterr().err
    assert not (car / "x.vcd").exists()


def test_timing_writes_a_page_with_its_tables_and_its_picture(tmp_path, capsys):
    page = tmp_path / "plan.html"
    assert main(["timing", "--situation", "parked", "--html", str(page)]) == 0
    text = page.read_text(encoding="utf-8")
    assert "10 of 10 messages have a bound, none of them is late." in text
    assert "LampRequest" in text
    assert "<svg" in text
