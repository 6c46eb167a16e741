"""The script of the rear node with fresh mistakes: a periodic task, a default, a truth, a wait."""

from __future__ import annotations

from variants import Variant

SIGN = "    sign = Heartbeat(bus, time.monotonic())\n"
TICK = "        sign.tick(now)\n"
SEND = "data=data, is_extended_id=False))"
WATCH = "    def watch(self, now: float) -> None:\n"
WATCHED = "            link.watch(now)\n"

WRONG = [
    Variant(
        "sends_periodically",
        ((SIGN, ("    body = bytes((0, 0, int(board.supply_volts() * 10), 0))\n"
                 "    data = bytes((checksum(STATUS_ID, body), *body[1:]))\n"
                 "    frame = can.Message(\n"
                 "        arbitration_id=STATUS_ID, data=data, is_extended_id=False\n    )\n"
                 "    task = bus.send_periodic(frame, STATUS_EVERY)\n")),
         (TICK, "")),
        "none", "parked", "RearStatus", "cycle",
    ),
    Variant(
        "waits_a_second_to_send",
        ((SEND, SEND.replace("))", "), timeout=1)")),),
        "unplug", "braking", "rear", "program", at="rear",
    ),
    Variant(
        "time_of_the_definition",
        ((WATCH, WATCH.replace("now: float", "now: float = time.monotonic()")),
         (WATCHED, WATCHED.replace("now", ""))),
        "unplug", "braking", "tail_left", "stale", at="rear",
    ),
    Variant(
        "any_text_is_true",
        (("all(board.read(name) == value for name, value", "all(board.read(name) for name, _"),),
        "none", "parked", "brake_lamps", "reset",
    ),
]  # fmt: skip
