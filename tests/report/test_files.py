"""A file is written whole or not at all."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from linkloss.problem import BadInput
from linkloss.report.files import ensure_writable, replacing, write_whole


def test_text_and_bytes_are_written_as_they_are(tmp_path):
    write_whole(tmp_path / "a.json", "ä\n")
    write_whole(tmp_path / "b.bin", b"\x00\xff")
    assert (tmp_path / "a.json").read_bytes() == "ä\n".encode()
    assert (tmp_path / "b.bin").read_bytes() == b"\x00\xff"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.json", "b.bin"]


def _fail_half_way(target):
    with replacing(target) as beside:
        beside.write_text("half")
        raise RuntimeError


def test_a_failure_leaves_the_earlier_file_and_nothing_else(tmp_path):
    target = tmp_path / "a.json"
    target.write_text("earlier")
    with pytest.raises(RuntimeError):
        _fail_half_way(target)
    assert target.read_text() == "earlier"
    assert list(tmp_path.iterdir()) == [target]


def test_a_full_disk_is_told_by_the_name_of_the_file(tmp_path):
    target = tmp_path / "a.json"
    told = pytest.raises(BadInput, match=r"a\.json: cannot be written: No space left")
    with told, replacing(target):
        raise OSError(28, "No space left on device")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("attempt", [lambda path: write_whole(path, "x"), ensure_writable])
def test_a_folder_that_is_missing_is_named(tmp_path, attempt):
    target = tmp_path / "no" / "a.json"
    with pytest.raises(BadInput) as caught:
        attempt(target)
    assert str(caught.value) == f"{target}: cannot be written: there is no folder '{target.parent}'"


@pytest.mark.parametrize("attempt", [lambda path: write_whole(path, "x"), ensure_writable])
def test_a_folder_is_no_file_to_write(tmp_path, attempt):
    with pytest.raises(BadInput, match="this is a folder"):
        attempt(tmp_path)


def test_a_name_that_is_too_long_is_told_and_no_traceback(tmp_path):
    with pytest.raises(BadInput, match="cannot be written: File name too long"):
        ensure_writable(tmp_path / ("a" * 300))


def test_a_write_protected_file_is_not_replaced(tmp_path, monkeypatch):
    target = tmp_path / "a.json"
    target.write_text("earlier")
    monkeypatch.setattr(os, "access", lambda path, mode: False)  # what the superuser never meets
    with pytest.raises(BadInput, match="write-protected"):
        write_whole(target, "new")
    assert target.read_text() == "earlier"


def test_trying_out_a_place_leaves_nothing_behind(tmp_path):
    ensure_writable(tmp_path / "a.json")
    assert list(tmp_path.iterdir()) == []


def test_a_link_stays_a_link(tmp_path):
    (tmp_path / "real").mkdir()
    link = tmp_path / "link.json"
    link.symlink_to(tmp_path / "real" / "a.json")
    write_whole(link, "x")
    assert link.is_symlink()
    assert (tmp_path / "real" / "a.json").read_text() == "x"


def test_a_device_is_written_to_and_not_replaced():
    write_whole("/dev/null", "x")
    assert stat.S_ISCHR(Path("/dev/null").stat().st_mode)
