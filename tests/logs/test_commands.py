"""``replay``, ``describe``, ``compare`` and ``drive`` from the command line."""

from __future__ import annotations

import html
import io
import json
from dataclasses import replace

import pytest
from replay_lab import DRIVE, WREN, text_log, wren

from linkloss.cli import main
from linkloss.logs.compare import compare, read_side
from linkloss.report.comparison import show_comparison
from linkloss.report.screen import make_console

VEHICLE = str(wren().path)


@pytest.fixture(autouse=True)
def _width(monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")


def said(capsys, *arguments, code=0):
    assert main([str(argument) for argument in arguments]) == code
    captured = capsys.readouterr()
    return " ".join(captured.out.split()), captured.err


def test_a_drive_is_replayed_with_a_fault_and_verdicts(tmp_path, capsys):
    out, _ = said(
        capsys, "replay", DRIVE, "--vehicle", VEHICLE, "--from", "298s", "--to", "306s",
        "--fault", "cut(gauge,rear)@300s+2s", "--json", tmp_path / "run.json",
        "--log", tmp_path / "run.log", "--signals", tmp_path / "run.csv",
        "--html", tmp_path / "run.html",
    )  # fmt: skip
    assert "played from the log: dash 45103 frames" in out
    assert "inputs that the log does not show, at rest throughout: brake_pedal" in out
    assert "Nothing that was put to the test broke." in out
    document = json.loads((tmp_path / "run.json").read_text())
    assert document["logged"] == ["dash"]
    assert document["shift"]["sent"] > 0
    page = (tmp_path / "run.html").read_text(encoding="utf-8")
    assert "drive.log.gz, replayed" in page
    assert "--fault &#39;cut(gauge,rear)@300s+2s&#39; --from 298s --to 306s" in page
    again, _ = said(capsys, "replay", tmp_path / "run.json")
    assert "Nothing that was put to the test broke." in again
    same, _ = said(capsys, "compare", tmp_path / "run.json", tmp_path / "run.log")
    assert "No difference" in same


def test_a_part_of_a_drive_is_told_by_the_clock_of_its_log(tmp_path, capsys):
    out, _ = said(
        capsys, "replay", DRIVE, "--vehicle", VEHICLE, "--from", "298 s", "--to", "300.5 s",
        "--fault", "cut(gauge,rear)@300s+100ms", "--verbose", "--html", tmp_path / "run.html",
    )  # fmt: skip
    assert "from 298 s of the log on; all instants count from its beginning" in out
    assert " 298.0000 s nodes " in out
    assert " 300.0000 s fault cut: the cable between gauge and rear was cut" in out
    assert " 2.0000 s " not in out
    page = (tmp_path / "run.html").read_text(encoding="utf-8")
    assert "replayed from 298 s on, from where time counts" in page


def test_a_comparison_says_which_node_ran_its_program_where_the_log_has_nothing(tmp_path):
    log = text_log(tmp_path / "d.log", *((place / 10, "123#00") for place in range(1, 9)))
    there = read_side(log)
    rows = {**there.rows, (0x124, False, False): [(place * 10**8, b"x") for place in range(8)]}
    run = replace(there, rows=rows, recorded=True, simulated={(0x124, False, False): "body"})
    for sides, words in (
        ((there, run), "8 frames too many (first at 0.0000 s): node body ran its program"),
        ((run, there), "8 frames missing (first at 0.0000 s): in A node body ran its program"),
    ):
        stream = io.StringIO()
        show_comparison(make_console(stream, 300), compare(*sides))
        assert words in " ".join(stream.getvalue().split())


def test_a_log_is_replayed_on_a_bare_bus(tmp_path, capsys):
    path = text_log(tmp_path / "d.log", (1, "123#00"), (1, "124#00"), (2, "125#00"))
    out, _ = said(capsys, "replay", path, "--bit-rate", "250 kbit/s")
    assert "channel can0: its listeners received 3 and 3 frames" in out
    assert "arbitration made 1 of them later" in out


def test_the_pace_of_the_log_is_that_of_the_wall(tmp_path, capsys, monkeypatch):
    waited = []
    monkeypatch.setattr("linkloss.session.session.monotonic_seconds", lambda: sum(waited))
    monkeypatch.setattr("linkloss.session.session.wait_seconds", waited.append)
    path = text_log(tmp_path / "d.log", (1, "123#00"), (3.5, "125#00"))
    said(capsys, "replay", path, "--speed", "1x")
    assert 2.5 <= sum(waited) <= 5
    assert max(waited) <= 0.020 + 1e-9


def test_which_nodes_are_played_can_be_said_in_two_ways(capsys):
    part = ("--vehicle", VEHICLE, "--to", "2s", "-q")
    one, _ = said(capsys, "replay", DRIVE, *part, "--only", "dash", "engine", "front", "gauge")
    two, _ = said(capsys, "replay", DRIVE, *part, "--except", "rear")
    assert one == two


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["--fault", "cut(gauge,rear)@1s"], "expected '--vehicle'"),
        (["--vehicle", VEHICLE, "--only", "dash", "--except", "rear"], "either '--only' or"),
        (["--vehicle", VEHICLE, "--only", "dahs"], "unknown node 'dahs'"),
        (["--vehicle", VEHICLE, "--bit-rate", "250 kbit/s"], "the vehicle has its own"),
        (["--leave-out", "x12"], "got 'x12'; expected an identifier such as 0x123"),
        (["--bit-rate", "250"], "--bit-rate"),
        (["--from", "soon"], "--from"),
        (["--channel", "can7"], "there is no channel 'can7'; expected one of: 'car'"),
        (["--vehicle", VEHICLE, "--from", "700 s"], "the drive lasts"),
    ],
)
def test_a_mistake_is_one_line_and_exit_code_2(capsys, arguments, text):
    out, err = said(capsys, "replay", DRIVE, *arguments, code=2)
    assert out == ""
    assert text in err
    assert len(err.splitlines()) == 1


def test_a_log_is_described(tmp_path, capsys):
    out, _ = said(capsys, "describe", DRIVE, "--vehicle", VEHICLE, "--json", tmp_path / "d.json")
    assert "86174 frames of 10 identifiers on channel car in 599.9 s" in out
    assert "of 250 kbit/s" in out
    assert "0A0 LampRequest 12,038 4 50 ms" in out
    assert "no message was silent for as long as its stale time" in out
    document = json.loads((tmp_path / "d.json").read_text())
    assert document["identifiers"][0]["frames"] == 15_009
    assert sum(bits for _, bits in document["load_over_time"]) > 0


def test_screen_and_page_of_a_log_begin_with_one_verdict(tmp_path, capsys):
    page = tmp_path / "d.html"
    for what, state in ((["--vehicle", VEHICLE], "broken"), ([], "untested")):
        out, _ = said(capsys, "describe", DRIVE, *what, "--html", page)
        text = html.unescape(page.read_text(encoding="utf-8"))
        assert f'<section class="opening {state}' in text
        verdict = text.partition('<p class="verdict">')[2].partition("<span>")[2]
        verdict = verdict.partition("</span>")[0]
        assert out.startswith(f"{DRIVE} {verdict} 86174 frames of 10 identifiers")
        assert "86174 frames of 10 identifiers on channel car in 599.9 s" in text
        for title in ("Bus load", "Identifiers"):
            assert title in out
            assert title in text
    assert verdict.startswith("No mistake found. Without messages")


def test_a_log_is_described_without_definitions(tmp_path, capsys):
    path = text_log(tmp_path / "d.log", *((n / 10, "123#00") for n in range(30)), tail="oops\n")
    out, _ = said(capsys, "describe", path)
    assert "123 30 1 100" in out
    assert "1 unreadable line skipped, the first: line 31: got 'oops'" in out


@pytest.mark.parametrize("command", ["describe", "replay", "compare"])
def test_a_log_that_is_none_is_one_line_and_exit_code_2(tmp_path, capsys, command):
    path = tmp_path / "junk.log"
    path.write_bytes(bytes(range(256)) * 20)
    more = [path] if command == "compare" else []
    out, err = said(capsys, command, path, *more, code=2)
    assert out == ""
    assert err.startswith(f"{path}: not one frame could be read")
    assert len(err.splitlines()) == 1


def test_what_differs_makes_exit_code_1(tmp_path, capsys):
    rows = [(n / 10, "0A0#00000000") for n in range(30)]
    a = text_log(tmp_path / "a.log", *rows)
    b = text_log(
        tmp_path / "b.log", *rows[:10], *rows[11:20], *((at, "0A0#00100000") for at, _ in rows[20:])
    )
    out, _ = said(
        capsys, "compare", a, b, "--vehicle", VEHICLE, "--json", tmp_path / "c.json", code=1
    )
    assert "1 frame missing (first at 1.0000 s)" in out
    assert "Position 0 -> 1 at 2.0000 s, 10 in all" in out
    assert json.loads((tmp_path / "c.json").read_text())["differs"] is True
    out, _ = said(capsys, "compare", a, b, "--message", "0x123")
    assert "No difference" in out


def test_a_drive_is_made(tmp_path, capsys):
    out, err = said(
        capsys, "drive", VEHICLE, "--seed", "3", "--lasts", "5 s", "--log", tmp_path / "d.log"
    )
    assert "A drive made of the situations of Wren" in out
    assert "of the format '.log': its times are rounded to a microsecond" in err
    assert (tmp_path / "d.log").read_text().count("\n") > 500


def test_a_drive_needs_somewhere_to_go(capsys):
    _, err = said(capsys, "drive", VEHICLE, code=2)
    assert "expected '--log FILE' or '--json FILE'" in err


def test_nodes_from_a_log_need_one(capsys):
    _, err = said(capsys, "check", VEHICLE, "--logged", "dash", code=2)
    assert "expected '--drive LOG' too" in err


def test_the_bundled_drive_lies_beside_the_vehicle():
    assert (WREN / "drive.log.gz").stat().st_size < 500_000


def test_a_description_says_first_what_is_wrong_and_what_was_not_judged(tmp_path, capsys):
    good = "(0.000000) can0 7A1#01\n(0.100000) can0 7A1#01\n"
    (tmp_path / "a.log").write_text(good)
    out, _ = said(capsys, "describe", tmp_path / "a.log")
    assert "No mistake found. Without messages (--dbc, --vehicle) no content" in out
    (tmp_path / "b.log").write_text(good + "(0.200000) can0 0A0#01\n")
    out, _ = said(capsys, "describe", tmp_path / "b.log", "--vehicle", VEHICLE)
    assert "1 mistake, 2 warnings. First: 0A0 LampRequest: 1 frame of another length" in out
    assert "was judged" not in out
