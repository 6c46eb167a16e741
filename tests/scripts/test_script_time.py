"""A script's time is the bench's: sleeping, waiting, polling and asking the clock."""

from __future__ import annotations

import dataclasses
import datetime as dt
import time

import can
import life_car
import pytest
from script_cars import script

from linkloss.session import Session
from linkloss_nodes import MS


def prints(ran: life_car.Ran) -> list[tuple[int, str]]:
    return [(entry.at_ns // 1_000_000, entry.text) for entry in ran.recording.prints]


def crash(ran: life_car.Ran):
    assert len(ran.recording.crashes) == 1
    return ran.recording.crashes[0]


def test_a_sleep_takes_its_time_and_no_other_node_waits_for_it(tmp_path):
    text = "import time\nwhile True:\n    time.sleep(0.1)\n    print('tick')\n"
    ran = life_car.run(script(tmp_path, text))
    assert prints(ran) == [(120, "tick"), (220, "tick")]


def test_the_clocks_of_a_script_stand_on_the_bench_and_those_of_others_do_not(tmp_path):
    text = (
        "import time\nfrom time import monotonic\nfrom datetime import datetime\n"
        "time.sleep(0.05)\n"
        "print(round(time.time(), 3), round(monotonic(), 3), round(time.perf_counter(), 3))\n"
        "print(datetime.now().year, datetime.now().microsecond // 1000)\n"
        "time.sleep(9)\n"
    )
    before = (time.time, time.sleep, dt.datetime)  # noqa: TID251 - not called
    ran = life_car.run(script(tmp_path, text))
    assert [entry[1] for entry in prints(ran)] == ["0.07 0.05 0.05", "1970 70"]
    assert (time.time, time.sleep, dt.datetime) == before  # noqa: TID251


def test_a_loop_that_polls_the_clock_comes_to_its_end(tmp_path):
    text = (
        "import time\nend = time.monotonic() + 0.1\nturns = 0\n"
        "while time.monotonic() < end:\n    turns += 1\nprint(turns)\ntime.sleep(9)\n"
    )
    ran = life_car.run(script(tmp_path, text, call_ns=1_000_000))
    assert prints(ran) == [(122, "99")]


def test_a_script_whose_calls_take_longer_gets_less_done(tmp_path):
    text = (
        "import can\nbus = can.Bus()\ncount = 0\nwhile True:\n"
        "    if bus.recv(0.05):\n        count += 1\n        print(count)\n"
    )
    quick = life_car.run(script(tmp_path, text, call_ns=20_000), other=beater())
    slow = life_car.run(script(tmp_path, text, call_ns=30_000_000), other=beater())
    assert len(prints(quick)) == 13
    assert 0 < len(prints(slow)) < 6


def beater():
    """A node that sends the beat every 20 ms."""

    def start(self):
        self.board.every(20 * MS, self.beat)

    def beat(self):
        message = can.Message(arbitration_id=life_car.BEAT, data=b"\x01", is_extended_id=False)
        self.board.bus.send(message)

    return life_car.program(start=start, beat=beat)


def test_recv_waits_for_a_frame_or_for_its_timeout(tmp_path):
    text = (
        "import can, time\nbus = can.Bus(interface='socketcan', channel='can0', bitrate=250000)\n"
        "for _ in range(2):\n    m = bus.recv(1.0)\n    print(m.arbitration_id, m.is_rx)\n"
        "bus.set_filters([{'can_id': 1, 'can_mask': 0x7FF}])\n"
        "print(bus.recv(0.1))\ntime.sleep(9)\n"
    )
    ran = life_car.run(script(tmp_path, text), other=beater())
    assert prints(ran) == [(40, "256 True"), (60, "256 True"), (160, "None")]


def test_a_script_runs_alike_each_time(tmp_path):
    text = (
        "import can, random, time\nbus = can.Bus()\nwhile True:\n"
        "    print(random.random(), time.time())\n    bus.recv(random.uniform(0.001, 0.03))\n"
    )
    program = script(tmp_path, text)
    first = prints(life_car.run(program, other=beater()))
    assert len(first) > 10
    assert prints(life_car.run(program, other=beater())) == first


def test_a_hung_script_stands_still_and_is_late_afterwards(tmp_path):
    text = "import time\nwhile True:\n    time.sleep(0.1)\n    print('tick')\n"
    ran = life_car.run(script(tmp_path, text), ("hang", 100, 150))
    assert prints(ran) == [(150, "tick"), (250, "tick")]


def test_a_reset_ends_a_script_and_begins_it_anew(tmp_path):
    text = (
        "import time\ncount = 0\nwhile True:\n    count += 1\n    print(count)\n"
        "    try:\n        time.sleep(0.05)\n    except:\n        print('never')\n"
        "    finally:\n        pass\n"
    )
    ran = life_car.run(script(tmp_path, text), ("reset", 100, None), lasts_ms=200)
    assert prints(ran) == [(20, "1"), (70, "2"), (120, "1"), (170, "2")]
    assert ran.recording.crashes == []


def test_a_script_that_ends_is_a_finding(tmp_path):
    ran = life_car.run(script(tmp_path, "print('done')\n"), lasts_ms=50)
    assert crash(ran).text == "the script came to its end; a node's program never does"


def test_an_error_names_the_line_of_the_script(tmp_path):
    ran = life_car.run(script(tmp_path, "import time\ntime.sleep(0.01)\nmissing()\n"), lasts_ms=50)
    found = crash(ran)
    assert found.text == "NameError: name 'missing' is not defined"
    assert found.where.endswith("script0.py:3")
    assert found.at_ns // 1_000_000 == 30


def test_a_module_that_waits_in_real_time_is_refused_with_a_way_out(tmp_path):
    ran = life_car.run(script(tmp_path, "import asyncio\n"), lasts_ms=50)
    assert "waits in real time" in crash(ran).text
    assert "async def run" in crash(ran).text


def test_modules_beside_the_script_share_its_time_and_begin_anew_with_it(tmp_path):
    (tmp_path / "helper.py").write_text(
        "import time\nstarted = []\ndef nap():\n    started.append(1)\n    time.sleep(0.05)\n",
        encoding="utf-8",
    )
    text = "import helper\nhelper.nap()\nprint(len(helper.started))\nhelper.nap()\n" * 2
    ran = life_car.run(script(tmp_path, text), ("reset", 100, None), lasts_ms=200)
    assert prints(ran) == [(70, "1"), (170, "1")]


def clocked(program, *, start_ns=0, ppm=0.0, faults=(), **rest):
    """Run the car with the scenario's clock for the script."""
    told = life_car.scenario(program, *faults, **rest)
    told = dataclasses.replace(told, clocks={"unit": start_ns}, drifts={"unit": ppm})
    session = Session(told)
    return life_car.Ran(session, session.run())


def test_the_clocks_of_a_script_begin_where_the_scenario_says_at_each_reset(tmp_path):
    text = "import time\nprint(round(time.monotonic(), 3))\ntime.sleep(9)\n"
    program = script(tmp_path, text)
    ran = clocked(program, start_ns=65_000 * MS, faults=[("reset", 100, None)], lasts_ms=200)
    assert [line for _, line in prints(ran)] == ["65.0", "65.0"]


def test_a_script_sleeps_waits_and_reads_by_a_clock_that_is_wrong(tmp_path):
    text = (
        "import can, threading, time\nbus = can.Bus()\nt0 = time.monotonic()\ntime.sleep(0.1)\n"
        "print('slept')\nbus.recv(0.1)\nprint('waited')\nthreading.Event().wait(0.1)\n"
        "print(round(time.monotonic() - t0, 3))\ntime.sleep(9)\n"
    )
    program = script(tmp_path, text, call_ns=1_000)
    silent = life_car.program()
    ran = clocked(program, ppm=100_000.0, lasts_ms=400, other=silent)
    at_ms = [entry.at_ns / MS for entry in ran.recording.prints]
    assert at_ms == pytest.approx([20 + turns * 100 / 1.1 for turns in (1, 2, 3)], abs=0.05)
    assert prints(ran)[-1][1] == "0.3"


def test_what_a_script_hands_over_is_recorded_as_refused_where_the_controller_refused_it(tmp_path):
    text = (
        "import can\nbus = can.Bus()\n"
        "for number in range(5):\n"
        "    try:\n"
        "        bus.send(can.Message(arbitration_id=257, data=[number], is_extended_id=False))\n"
        "    except can.CanOperationError:\n"
        "        print('refused', number)\n"
        "bus.recv()\n"
    )
    ran = life_car.run(script(tmp_path, text))
    handed = ran.recording.handed["Answer"]
    assert [entry.taken for entry in handed] == [True] * 3 + [False] * 2
    assert [said for _, said in prints(ran)] == ["refused 3", "refused 4"]


def test_what_is_not_the_nodes_to_send_is_recorded_apart_and_a_remote_frame_is_no_data(tmp_path):
    text = (
        "import can\nbus = can.Bus()\n"
        "bus.send(can.Message(arbitration_id=256, data=[7], is_extended_id=False))\n"
        "bus.send(can.Message(arbitration_id=257, data=[8], is_extended_id=True))\n"
        "bus.send(can.Message(arbitration_id=257, is_remote_frame=True, is_extended_id=False))\n"
        "for _ in range(2):\n"
        "    try:\n"
        "        bus.send(can.Message(arbitration_id=1, data=[], is_extended_id=False))\n"
        "    except can.CanOperationError:\n"
        "        pass\n"
        "bus.recv()\n"
    )
    ran = life_car.run(script(tmp_path, text))
    assert "Answer" not in ran.recording.handed
    found = [(f.node, f.identifier, f.extended, f.data, f.taken) for f in ran.recording.foreign]
    assert found[:2] == [("unit", 256, False, b"\7", True), ("unit", 257, True, b"\x08", True)]
    assert [entry[1:] for entry in found[2:]] == [(1, False, b"", False)] * 2
