"""The command ``linkloss live``: what it refuses, in a sentence, and what it says when exposed."""

from __future__ import annotations

import gc
import sys
from io import StringIO

import pytest
from live_lab import WREN

from linkloss.cli import main
from linkloss.live.driven import SWITCH_S, undisturbed

pytest.importorskip("uvicorn", reason="needs the extra 'web'")


def refused(capsys, *arguments):
    assert main(["live", str(WREN.path), *arguments]) == 2
    return capsys.readouterr().err


def test_to_let_others_in_it_wants_to_be_told_twice(capsys):
    for address in ("0.0.0.0", "::", "192.168.1.5"):
        told = refused(capsys, "--listen", address)
        assert "--yes-expose" in told
        assert "lets other computers on the network open the page" in told
        assert "in the clear" in told


def test_what_is_no_address_is_refused(capsys):
    assert "expected an address such as" in refused(capsys, "--listen", "localhost")


def test_an_unknown_situation_and_a_wild_speed_are_refused(capsys):
    assert "unknown situation 'nigt_drive'" in refused(capsys, "--situation", "nigt_drive")
    assert "expected 0.1 to 10" in refused(capsys, "--speed", "12")


def test_a_folder_that_is_a_file_is_refused(capsys, tmp_path):
    (tmp_path / "file").write_text("")
    assert "expected the name of a folder" in refused(capsys, "--folder", str(tmp_path / "file"))


def test_a_port_that_is_taken_or_none_is_refused(capsys):
    bind = pytest.importorskip("linkloss.live.server").bind
    with bind("127.0.0.1", 0) as taken:
        port = taken.getsockname()[1]
        assert f"cannot listen on 127.0.0.1, port {port}" in refused(capsys, "--port", str(port))
    assert "cannot listen" in refused(capsys, "--port", "99999")


def test_without_a_terminal_there_is_none(capsys, monkeypatch):
    monkeypatch.setattr("sys.stdin", StringIO())
    assert "needs a terminal" in refused(capsys, "--terminal")


def test_without_the_extra_it_says_which_one(capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "linkloss.live.server", None)
    assert "pip install 'linkloss[web]'" in refused(capsys)


def test_python_is_left_as_it_was():
    before_s, recorded = sys.getswitchinterval(), [0]
    with undisturbed(lambda: recorded[0]) as tidy:
        assert sys.getswitchinterval() == pytest.approx(SWITCH_S)
        tidy()
        frozen = gc.get_freeze_count()
        assert frozen > 0
        kept = [[] for _ in range(1000)]
        tidy()
        assert gc.get_freeze_count() <= frozen
        recorded[0] = 10_000
        tidy()
        assert gc.get_freeze_count() >= frozen + len(kept)
    assert sys.getswitchinterval() == pytest.approx(before_s)
    assert gc.get_freeze_count() == 0


@pytest.fixture
def hostile(tmp_path):
    """Wren with a title that would give orders to a terminal."""
    text = WREN.path.read_text(encoding="utf-8")
    dbc = (WREN.path.parent / "../../dbc/wren.dbc").resolve().as_posix()
    text = text.replace("../../dbc/wren.dbc", dbc)
    text = text.replace('title = "Wren"', r'title = "W\u001b]0;x\u0007\u009b31mren"', 1)
    path = tmp_path / "vehicle.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_a_title_gives_no_orders_to_a_terminal(hostile, capsys, monkeypatch):
    site = pytest.importorskip("linkloss.live.server").Site
    monkeypatch.setattr(site, "run", lambda self: self.socket.close())
    assert main(["live", hostile]) == 0
    options = ["--real", "rear", "--interface", "slcan", "--channel", "x", "--bitrate", "1"]
    assert main(["serve", hostile, *options]) == 2
    told = capsys.readouterr()
    assert "W?]0;x??31mren is on the bench" in told.out
    assert "the bus of W?]0;x??31mren runs at" in told.err
    for text in (told.out, told.err):
        assert all(char.isprintable() or char == "\n" for char in text)
