"""The script of the rear node with further mistakes: units, locks, names, an order of operators."""

from __future__ import annotations

from variants import Variant

TAKE = "            link = LINKS[message.arbitration_id]\n"
OPEN = ", can_filters=filters)"
NUMBERS = "        data = bytes(message.data)\n"
FLAGS = "self.count | lost << 4"
INTERIOR = 'Feed("interior_lamp", BODY,'
PUMP = "local=RUNS, stops_in_crash=True"
BUS, SEND = "        self.bus = bus\n", "        try:\n            self.bus.send("
TICK = "        sign.tick(now)\n"
REFUSED = "    def _refused(self, now: float) -> None:\n"

WRONG = [
    Variant(
        "locks_twice",
        (("import time\n", "import threading\nimport time\n"),
         (BUS, BUS + "        self.lock = threading.Lock()\n"),
         (SEND, "        self.lock.acquire()\n" + SEND),
         ("            self.due = now + STATUS_EVERY\n",
          "            self.due = now + STATUS_EVERY\n        self.lock.release()\n"),
         (REFUSED, REFUSED + "        with self.lock:\n            self.came_back = False\n")),
        "unplug", "braking", "rear", "program", at="rear",
    ),
    Variant(
        "milliseconds_for_seconds", (("Link(0x0A0, 4, 0.25)", "Link(0x0A0, 4, 250)"),),
        "unplug", "braking", "tail_left", "stale", at="rear",
    ),
    Variant(
        "looks_up_any_identifier", ((OPEN, ")"),),
        "none", "parked", "rear", "program",
    ),
    Variant(
        "adds_before_it_shifts", ((FLAGS, "self.count + lost << 4"),),
        "none", "parked", "RearStatus", "cycle",
    ),
    Variant(
        "lit_for_a_tenth", (("CYCLE, LIT, IN_STEP, SHORTEN, LENGTHEN, TIME_UNIT = 0.66, 0.33,",
                             "CYCLE, LIT, IN_STEP, SHORTEN, LENGTHEN, TIME_UNIT = 0.66, 0.033,"),),
        "none", "hazards_ignition_off", "indicator_rear_left", "flash",
    ),
    Variant(
        "rests_after_each_message", ((TAKE, "            time.sleep(0.03)\n" + TAKE),),
        "none", "parked", "accessory_socket", "end to end",
    ),
    Variant(
        "interior_lamp_from_the_lamps", ((INTERIOR, 'Feed("interior_lamp", LAMP,'),),
        "none", "parked", "interior_lamp", "fresh",
    ),
    Variant(
        "cuts_what_is_too_long",
        ((NUMBERS, "        data = bytes(message.data)[: self.length]\n"),),
        "stranger", "false_start", "fuel_pump", "fresh", at="EngineRequest",
    ),
    Variant(
        "recovers_in_each_round",
        ((TICK, ("        if bus.state is can.BusState.ERROR:\n            board.recover_bus()\n"
                 "            sign.due = now\n" + TICK)),),
        "corrupt", "cranking", "rear", "quiet recovery", at="RearStatus",
    ),
    Variant(
        "watchdog_in_microseconds", (("0.004, 200_000_000", "0.004, 200_000"),),
        "none", "parked", "rear", "program",
    ),
    Variant(
        "hazard_with_a_capital", (('(("hazard", "on"),)', '(("hazard", "On"),)'),),
        "unplug", "hazards_ignition_off", "indicator_rear_left", "flash", at="rear",
    ),
    Variant(
        "pumps_in_a_crash", ((PUMP, "local=RUNS"),),
        "none", "braking", "fuel_pump", "trip",
    ),
    Variant(
        "once_a_second", (("0x202, 0.1, 0.004", "0x202, 1.0, 0.004"),),
        "none", "parked", "RearStatus", "cycle",
    ),
    Variant(
        "looks_every_ten_seconds",
        (("LOOK_AT_CURRENTS_EVERY, NOTHING_A, WORKS_FROM_V = 0.1,",
          "LOOK_AT_CURRENTS_EVERY, NOTHING_A, WORKS_FROM_V = 10,"),),
        "fuse_blown", "shutting_down", "tail_left", "notice",
    ),
]  # fmt: skip
