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
]  # fmt: skip
