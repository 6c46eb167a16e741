"""``linkloss check --real`` as a command: what cannot be meant, and a short check on real time."""

from __future__ import annotations

import json

import pytest
from desk_car import desk_text
from loop_lab import roomy_car
from real_lab import desk

from linkloss.cli import main

REAL = ["--real", "rear", "--interface", "slcan", "--channel", "/dev/none", "--io", "/dev/null"]


@pytest.fixture
def car(tmp_path):
    path = tmp_path / "vehicle.toml"
    path.write_text(desk_text(), encoding="utf-8")
    return str(path)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--real", "rear"], "expected '--interface' and '--channel' of the adapter, and '--io'"),
        (["--io", "/dev/null"], "expected '--real NODE' too"),
        ([*REAL, "--depth", "quick"], "runs cases at a real node, in real time; got '--depth'"),
        ([*REAL, "--drive", "x.log"], "got '--drive' beside it"),
        ([*REAL, "--resume"], "expected '--results FILE' too"),
        (["--real", "front", *REAL[2:]], "says nothing of how 'front' is wired"),
        (["--real", "raer", *REAL[2:]], "did you mean 'rear'?"),
        (REAL, "python-can cannot open 'slcan', channel '/dev/none'"),
        ([*REAL[:2], "--interface", "virtual", *REAL[4:]], "/dev/null is no serial line"),
        ([*REAL[:2], "--interface", "udp_multicast", *REAL[4:]], "hands back what it is sent"),
    ],
)
def test_what_cannot_be_meant_is_told_in_a_line(car, capsys, options, said):
    assert main(["check", car, *options]) == 2
    told = capsys.readouterr()
    assert said in " ".join(told.err.split())
    assert "Traceback" not in told.err


@pytest.mark.slow
def test_a_right_node_on_the_desk_and_the_check_goes_on_where_it_stopped(tmp_path, capsys):
    path = str(roomy_car(tmp_path).path)
    with desk() as there:
        line = there.plug_in()
        real = ["--real", "rear", "--interface", "slcan", "--channel", line, "--io", there.io]
        results, found = tmp_path / "results", tmp_path / "found.json"
        kept = ["--results", str(results), "--json", str(found), "-q"]
        which = ["--only", "none", "--situation", "braking", "reversing", "parked"]
        assert main(["check", path, *real, *kept, *which, "--for", "5 s"]) == 3
        told = " ".join(capsys.readouterr().out.split())
        assert told.index("Caution: 'rear' is real") < told.index("current is limited")
        assert told.index("current is limited") < told.index("On the desk")
        assert "Way through the adapter: up to" in told
        assert len(json.loads(found.read_text())["cases"]) == 1
        assert main(["check", path, *real, *kept, *which, "--resume"]) == 3
    document = json.loads(found.read_text())
    assert [case["name"] for case in document["cases"]] == [
        "braking/none", "reversing/none", "parked/none"
    ]  # fmt: skip
    assert any("felt by the I/O board" in sentence for sentence in document["desk"])
