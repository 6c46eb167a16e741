"""The script of the rear node with mistakes of another kind: defaults, threads, shared names."""

from __future__ import annotations

from variants import Variant

RECV = "        message = bus.recv(LOOK_EVERY)\n"
WORK = "        switch(now)\n        if now - looked"
REFUSED = "    def _refused(self, now: float) -> None:\n"
SIGN = "    sign = Heartbeat(bus, time.monotonic())\n"
OWN_COUNT = "        self.count: int | None = None\n"
FORGET = "        self.count, self.good = None, 0\n"
LINK = "    def __init__(self, identifier: int, length: int, stale_after: float) -> None:\n"
TICK = "        sign.tick(now)\n"
SEND = "data=data, is_extended_id=False))"
WATCH = "    def watch(self, now: float) -> None:\n"
WATCHED = "            link.watch(now)\n"

WRONG = [
    Variant(
        "runs_while_the_bus_is_active",
        (("    while True:\n", "    while bus.state is can.BusState.ACTIVE:\n"),),
        "bus_off", "night_drive", "rear", "program", at="rear",
    ),
    Variant(
        "waits_until_the_pedal_is_up",
        ((WORK, '        while board.read("brake_pedal") == "pressed":\n'
                '            board.write("brake_lamps", 1.0)\n'
                "            time.sleep(0.01)\n" + WORK),),
        "none", "braking", "rear", "program",
    ),
    Variant(
        "restarts_when_it_cannot_send",
        ((REFUSED, REFUSED + "        if self.bus.state is can.BusState.ERROR:\n"
                             "            board.restart()\n"),),
        "bus_off", "night_drive", "rear", "program", at="rear",
    ),
    Variant(
        "holds_from_the_last_message", (("now - link.lost_at >= self.hold_for",
                                         "now - link.heard >= self.hold_for"),),
        "unplug", "parked", "interior_lamp", "stale", at="rear",
    ),
    Variant(
        "logs_beside_its_loop",
        ((SIGN, SIGN + "    reader = can.BufferedReader()\n"
                       "    notifier = can.Notifier(bus, [reader])\n"),),
        "none", "parked", "accessory_socket", "end to end",
    ),
    Variant(
        "extended_by_default", ((", data=data, is_extended_id=False)", ", data=data)"),),
        "none", "parked", "rear", "foreign",
    ),
    Variant(
        "fades_for_five_seconds", (("FADE = 0.5\n", "FADE = 5\n"),),
        "none", "parked", "interior_lamp", "fresh",
    ),
    Variant(
        "keeps_only_the_newest",
        ((RECV, ("        time.sleep(0.01)\n        message = None\n"
                 "        while (newer := bus.recv(0)) is not None:\n"
                 "            message = newer\n")),),
        "none", "parked", "tail_left", "fresh",
    ),
    Variant(
        "one_count_for_all_messages",
        ((LINK, "    count: int | None = None\n\n" + LINK),
         (OWN_COUNT, ""),
         ("        self.count, self.heard = count, now\n",
          "        Link.count, self.heard = count, now\n"),
         (FORGET, FORGET.replace("self.count", "Link.count"))),
        "none", "parked", "tail_left", "fresh",
    ),
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
