"""Threads, notifiers, periodic messages and pins of a script, on the bench's time."""

from __future__ import annotations

import threading
from dataclasses import replace

import can
import life_car
from script_cars import script
from test_script_time import beater, crash, prints

from linkloss.firmware.answers import InputPin, OutputPin, Wiring

PINS = Wiring(
    outputs=(OutputPin(5, "lamp"), OutputPin(6, "heater", active_low=True)),
    inputs=(InputPin(7, "switch", frozenset({"on"})),),
)


def test_a_notifier_hands_frames_to_its_listeners_and_stops(tmp_path):
    text = (
        "import can, time\nbus = can.Bus()\nreader = can.BufferedReader()\n"
        "heard = []\n"
        "with can.Notifier(bus, [reader, lambda m: heard.append(round(time.time(), 2))]) as n:\n"
        "    first = reader.get_message(timeout=1.0)\n"
        "    print(first.arbitration_id, reader.get_message(0.001))\n    time.sleep(0.05)\n"
        "print(heard)\ntime.sleep(9)\n"
    )
    ran = life_car.run(script(tmp_path, text), other=beater())
    assert [entry[1] for entry in prints(ran)][:1] == ["256 None"]
    assert prints(ran)[1][1].startswith("[0.04, 0.06, 0.08")


def test_nobody_else_sees_the_modules_of_a_script(tmp_path):
    bus, notifier, thread = can.Bus, can.Notifier, threading.Thread
    text = (
        "import can, threading\nfrom can.notifier import Notifier\n"
        "print(Notifier is can.Notifier)\ncan.Bus().recv()\n"
    )
    ran = life_car.run(script(tmp_path, text), lasts_ms=50)
    assert prints(ran)[0][1] == "True"
    assert (can.Bus, can.Notifier, threading.Thread) == (bus, notifier, thread)
    assert threading.active_count() == 1


def test_periodic_messages_go_out_on_time_while_the_script_sleeps(tmp_path):
    text = (
        "import can, time\nbus = can.Bus()\n"
        "m = can.Message(arbitration_id=257, data=[7], is_extended_id=False)\n"
        "task = bus.send_periodic(m, 0.05)\ntime.sleep(0.12)\n"
        "m.data[0] = 8\ntask.modify_data(m)\ntime.sleep(0.07)\ntask.stop()\ntime.sleep(9)\n"
    )
    ran = life_car.run(script(tmp_path, text))
    assert ran.answers() == [(20, b"\x07"), (70, b"\x07"), (120, b"\x07"), (170, b"\x08")]


def test_threads_take_turns_on_virtual_time(tmp_path):
    text = (
        "import threading, time, queue\nwork = queue.Queue()\nready = threading.Event()\n"
        "def worker():\n    while True:\n        print('got', work.get())\n        ready.set()\n"
        "t = threading.Thread(target=worker, daemon=True)\nt.start()\n"
        "time.sleep(0.03)\nwork.put(1)\nprint(ready.wait(1))\nready.clear()\n"
        "print(ready.wait(timeout=0.05))\n"
        "lock = threading.RLock()\nwith lock, lock:\n    pass\n"
        "threading.Timer(0.02, print, ['rang']).start()\ntime.sleep(0.1)\ntime.sleep(9)\n"
    )
    ran = life_car.run(script(tmp_path, text))
    assert prints(ran) == [(50, "got 1"), (50, "True"), (100, "False"), (120, "rang")]


def test_an_error_in_a_thread_is_told_and_the_script_goes_on(tmp_path):
    text = (
        "import threading, time\ndef bad():\n    1 / 0\n"
        "t = threading.Thread(target=bad, name='t')\n"
        "t.start()\nt.join()\nprint('on')\ntime.sleep(9)\n"
    )
    ran = life_car.run(script(tmp_path, text), lasts_ms=50)
    told = [entry[1] for entry in prints(ran)]
    assert told == ["t ended at line 3: ZeroDivisionError: division by zero", "on"]


def test_a_script_that_catches_everything_is_ended_by_a_reset(tmp_path):
    text = (
        "import time\nprint('begun')\nwhile True:\n    try:\n        time.sleep(0.01)\n"
        "    except:\n        pass\n"
    )
    ran = life_car.run(script(tmp_path, text), ("reset", 100, None), lasts_ms=200)
    assert prints(ran) == [(20, "begun"), (120, "begun")]


def test_a_full_mailbox_is_waited_for_as_long_as_the_script_says(tmp_path):
    text = (
        "import can, time\nbus = can.Bus()\nsent = 0\ntry:\n    while True:\n"
        "        bus.send(can.Message(arbitration_id=257, is_extended_id=False))\n"
        "        sent += 1\nexcept can.CanOperationError:\n    print(sent)\n"
        "for _ in range(5):\n"
        "    bus.send(can.Message(arbitration_id=257, is_extended_id=False), timeout=0.1)\n"
        "print('all')\ntime.sleep(9)\n"
    )
    ran = life_car.run(script(tmp_path, text), lasts_ms=100)
    assert [entry[1] for entry in prints(ran)] == ["3", "all"]
    assert len(ran.answers()) == 8


def test_a_bus_at_another_bit_rate_is_a_finding(tmp_path):
    ran = life_car.run(script(tmp_path, "import can\ncan.Bus(bitrate=500000)\n"), lasts_ms=50)
    text = "opens its bus with 500000 bit/s; the bus has 250000 bit/s"
    assert text in crash(ran).text


CLOSED_AND_OPENED = (
    "import can\ncan.Bus('can0').shutdown()\nbus = can.Bus('{second}')\nprint('open')\nbus.recv()\n"
)


def test_a_script_has_one_channel_whichever_it_opens_first(tmp_path):
    right = life_car.run(script(tmp_path, CLOSED_AND_OPENED.format(second="can0")), lasts_ms=50)
    assert prints(right)[0][1] == "open"
    wrong = life_car.run(script(tmp_path, CLOSED_AND_OPENED.format(second="can1")), lasts_ms=50)
    assert "opens channel 'can1'; its adapter is 'can0'" in crash(wrong).text


def test_an_interface_without_a_cable_is_a_finding(tmp_path):
    ran = life_car.run(script(tmp_path, "import can\ncan.Bus(interface='virtual')\n"), lasts_ms=50)
    assert "opens the interface 'virtual', which no cable leads to" in crash(ran).text


def test_the_vehicle_file_may_name_the_channel_of_a_script(tmp_path):
    made = replace(script(tmp_path, "import can\ncan.Bus(channel='can0')\n"), channel="can1")
    assert (
        "opens channel 'can0'; its adapter is 'can1'" in crash(life_car.run(made, lasts_ms=50)).text
    )
    unnamed = script(tmp_path, "import can\nbus = can.Bus()\nprint('open')\nbus.recv()\n")
    opened = life_car.run(replace(unnamed, channel="can1"), lasts_ms=50)
    assert prints(opened)[0][1] == "open"


def test_the_board_of_a_script_has_a_watchdog_and_memory_that_outlives_its_bite(tmp_path):
    text = (
        "import time\nfrom linkloss_nodes.here import board\nfrom linkloss_nodes import MS\n"
        "board.memory['lives'] = board.memory.get('lives', 0) + 1\n"
        "print(board.memory['lives'], board.read('switch'))\nboard.write('lamp', 1.0)\n"
        "board.start_watchdog(50 * MS)\ntime.sleep(9)\n"
    )
    ran = life_car.run(script(tmp_path, text), lasts_ms=130)
    assert [entry[1] for entry in prints(ran)] == ["1 off", "2 off"]
    causes = [cause for _, state, cause in ran.states() if state == "reset"]
    assert causes == ["power-up", "watchdog"]


def test_a_script_restarts_its_board_and_nothing_behind_the_call_runs(tmp_path):
    text = (
        "from linkloss_nodes.here import board\nprint('begun')\ntry:\n    board.restart()\n"
        "except:\n    pass\nprint('never')\n"
    )
    ran = life_car.run(script(tmp_path, text), lasts_ms=50)
    assert [entry[1] for entry in prints(ran)] == ["begun", "begun"]


def test_pins_are_those_of_the_vehicle_file(tmp_path):
    text = (
        "import time\nimport RPi.GPIO as GPIO\nGPIO.setmode(GPIO.BCM)\n"
        "GPIO.setup([5, 6], GPIO.OUT)\n"
        "GPIO.setup(7, GPIO.IN, pull_up_down=GPIO.PUD_DOWN)\n"
        "GPIO.output(6, GPIO.HIGH)\nGPIO.output(5, GPIO.input(7))\n"
        "def follow(pin):\n    GPIO.output(5, GPIO.input(pin))\n"
        "GPIO.add_event_detect(7, GPIO.BOTH, callback=follow)\n"
        "time.sleep(0.1)\nGPIO.cleanup()\ntime.sleep(9)\n"
    )
    ran = life_car.run(script(tmp_path, text, PINS), switch=((50, "on"), (80, "off")))
    assert [(round(at), level) for at, level in ran.load("lamp")] == [
        (0, 0.0),
        (50, 1.0),
        (80, 0.0),
    ]
    heater = [(round(at), level) for at, level in ran.load("heater")]
    assert heater == [(0, 1.0), (20, 0.0), (120, 1.0)]


def test_a_bus_for_can_fd_on_a_classical_controller_is_a_finding(tmp_path):
    ran = life_car.run(script(tmp_path, "import can\ncan.Bus(fd=True)\n"), lasts_ms=50)
    text = "opens its bus for CAN FD, but its controller is classical, without 'fd'"
    assert text in crash(ran).text
