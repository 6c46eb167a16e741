"""A vehicle is read without a compiler; whatever runs it compiles its programs in C first."""

from __future__ import annotations

from dataclasses import replace

import pytest
from c_cars import c_car

from linkloss.campaign.check import check
from linkloss.campaign.isolation import run_apart
from linkloss.campaign.run import run
from linkloss.cli import main
from linkloss.live.driven import LiveSession
from linkloss.problem import BadInput
from linkloss.session import ready
from linkloss.sizing.observed import plain_run
from linkloss_nodes import Node

PROGRAM = """#include "board.h"
void setup(void) {}
void loop(void) { int spare; board_delay_ms(2); }
"""
WAYS = {
    "ready": ready,
    "a run": lambda vehicle: run(plain_run(vehicle, "parked")),
    "a run in a process of its own": lambda vehicle: run_apart(plain_run(vehicle, "parked")),
    "a check": lambda vehicle: check(vehicle, depth="quick"),
    "one case": lambda vehicle: check(vehicle, case="parked/none"),
    "a live session": LiveSession,
}


@pytest.mark.parametrize("way", WAYS)
def test_what_does_not_compile_is_refused_by_whatever_runs_it_and_by_nothing_else(tmp_path, way):
    source = tmp_path / "rear.c"
    source.write_text("void loop(void) { no such thing; }\n", encoding="utf-8")
    vehicle = c_car(tmp_path, source)
    with pytest.raises(BadInput, match=r"nodes\.rear\.c: the compiler stopped:\n .*rear\.c:1:"):
        WAYS[way](vehicle)


def test_a_file_that_is_not_there_is_told_when_the_vehicle_is_read(tmp_path):
    with pytest.raises(BadInput, match=r"nodes\.rear\.c: there is no file '.*none\.c'"):
        c_car(tmp_path, tmp_path / "none.c")


def test_a_program_without_a_beginning_is_refused(tmp_path):
    source = tmp_path / "rear.c"
    source.write_text("int only;\n", encoding="utf-8")
    with pytest.raises(BadInput, match=r"no program in .*rear\.c: neither setup\(\) and loop\(\)"):
        ready(c_car(tmp_path, source))


def test_a_program_in_python_stands_in_for_one_in_c(tmp_path):
    source = tmp_path / "rear.c"
    source.write_text("void loop(void) { no such thing; }\n", encoding="utf-8")
    vehicle = c_car(tmp_path, source)
    other = replace(vehicle, programs={**vehicle.programs, "rear": Node})
    assert run(plain_run(other, "parked")).recording.nodes["rear"][-1].state == "running"


def test_what_the_compiler_warns_of_is_said_once_whoever_runs_the_cases(tmp_path, capfd):
    source = tmp_path / "rear.c"
    source.write_text(PROGRAM, encoding="utf-8")
    vehicle = c_car(tmp_path, source)
    command = ["check", str(vehicle.path), "--only", "none", "--jobs", "2", "-q", "--no-shrink"]
    for _ in range(2):  # compiled now, and found in the cache
        assert main(command) == 1
        said = [line for line in capfd.readouterr().err.splitlines() if "warning" in line]
        assert len(said) == 1
        assert "rear.c:3:" in said[0]
        assert "unused variable" in said[0]
