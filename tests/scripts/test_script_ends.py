"""A script that tries to end, stop or silence its process ends itself alone."""

from __future__ import annotations

import pytest
from life_car import run
from script_cars import script

ENDS = ["os._exit(0)", "os.abort()", "os.kill(os.getpid(), 9)", "os.close(1)", "os.fork()"]


@pytest.mark.parametrize("call", ENDS)
def test_a_script_that_would_end_its_process_crashes(tmp_path, call):
    text = f"import os, time\ntime.sleep(0.03)\ntry:\n    {call}\nexcept Exception:\n    pass\n"
    ran = run(script(tmp_path, text))
    assert ran.beats()[-1] > 250  # the other node goes on
    (crash,) = ran.recording.crashes
    assert (crash.node, crash.at_ns // 1_000_000) == ("unit", 50)
    assert crash.text.startswith(f"{call.partition('(')[0]}(): a node has no process to end")
    assert crash.where.endswith(".py:4")


def test_a_script_has_no_c_library(tmp_path):
    (crash,) = run(script(tmp_path, "import ctypes\n")).recording.crashes
    assert "there is no C library on a node" in crash.text
