"""The token of a port is kept for this user alone."""

from __future__ import annotations

import os

import pytest

from linkloss.live.address import kept_token, new_token


@pytest.fixture(autouse=True)
def home(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    return tmp_path / "linkloss"


def test_a_port_keeps_its_token_and_each_port_has_its_own(home):
    first = kept_token(8080)
    assert kept_token(8080) == first
    assert kept_token(8081) != first
    assert len(first) == len(new_token())
    assert (home / "live-8080").stat().st_mode & 0o777 == 0o600
    assert home.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("content", ["", "short", "x" * 23 + "/", "é" * 24, "x" * 25])
def test_what_is_no_token_is_replaced(home, content):
    kept_token(8080)
    (home / "live-8080").write_text(content, encoding="utf-8")
    token = kept_token(8080)
    assert token != content
    assert kept_token(8080) == token


def test_a_token_that_others_could_read_is_replaced(home):
    token = kept_token(8080)
    (home / "live-8080").chmod(0o644)
    assert kept_token(8080) != token
    assert (home / "live-8080").stat().st_mode & 0o777 == 0o600


def test_where_none_can_be_kept_it_is_new(monkeypatch, tmp_path):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_STATE_HOME", os.fspath(tmp_path / "file"))
    assert kept_token(8080) != kept_token(8080)
