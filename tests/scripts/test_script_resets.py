"""A script's life leaves nothing behind: stacks, modules and memory of those before are let go."""

from __future__ import annotations

import gc
import sys
import threading

import greenlet
import life_car
from script_cars import script

TEXT = """import can, threading, time, beside
from linkloss_nodes.here import board
bus = can.Bus()
notifier = can.Notifier(bus, [lambda message: None])
sender = bus.send_periodic(can.Message(arbitration_id=257, data=b'1', is_extended_id=False), 0.01)
threading.Thread(target=lambda: time.sleep(9), daemon=True).start()
board.start_watchdog(15_000_000)
time.sleep(9)
"""
CYCLE_MS, FEW, MANY = 35, 100, 300


def left_after(unit, resets: int) -> int:
    """Run a script that its watchdog resets again and again; how many stacks are left."""
    ran = life_car.run(unit, lasts_ms=resets * CYCLE_MS)
    assert sum(cause == "watchdog" for _, _, cause in ran.states()) >= resets - 1
    assert ran.recording.crashes == []
    del ran
    gc.collect()
    return sum(isinstance(held, greenlet.greenlet) for held in gc.get_objects())


def test_hundreds_of_resets_leave_as_much_behind_as_a_hundred(tmp_path):
    (tmp_path / "beside.py").write_text("held = bytearray(100_000)\n", encoding="utf-8")
    unit = script(tmp_path, TEXT)
    few = left_after(unit, FEW)
    modules, threads = len(sys.modules), threading.active_count()
    assert left_after(unit, MANY) < few + FEW
    assert (len(sys.modules), threading.active_count()) == (modules, threads)
