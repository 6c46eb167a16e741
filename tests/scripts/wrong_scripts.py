"""The script of the rear node with one mistake each, as home-built scripts have them: what is
written otherwise, and what gives it away.
"""

from __future__ import annotations

from variants import Variant

WATCH = "            link.watch(now)\n"
RECV = "        message = bus.recv(LOOK_EVERY)\n"
NUMBERS = "        data = bytes(message.data)\n        if len(data) != self.length or "
COUNTED = (
    "        if self.count is not None and not 0 < (count - self.count) % 16 <= MAX_STEP:\n"
    "            return False\n"
)
BEGIN = "    switch(time.monotonic())\n"
DUE = "        if now < self.due:\n            return\n"
SENT = "            self.count = (self.count + 1) % 16\n"
TAIL_RIGHT = 'Feed("tail_right", LAMP, 1, 4, stale="on", reset=True, least_a=0.2)'
LINKS_OF = "for each in LINKS]"

WRONG = [
    Variant(
        "never_looks_at_the_checksum",
        ((" or data[0] != checksum(self.identifier, data)", ""),),
        "alter", "rain", "interior_lamp", "fresh",
    ),
    Variant(
        "never_looks_at_the_counter", ((COUNTED, ""),),
        "freeze", "reversing", "accessory_socket", "stale",
    ),
    Variant(
        "filter_without_the_body",
        ((LINKS_OF, "for each in (0x0A0, 0x0C0)]"),),
        "none", "parked", "accessory_socket", "end to end",
    ),
    Variant(
        "never_recovers", (("                board.recover_bus()\n", ""),),
        "bus_off", "night_drive", "rear", "rejoin", at="rear",
    ),
    Variant(
        "no_time_out", ((WATCH, "            pass\n"),),
        "unplug", "braking", "tail_left", "stale", at="rear",
    ),
    Variant(
        "time_out_forgets_the_right_lamp",
        ((TAIL_RIGHT, TAIL_RIGHT.replace('stale="on", ', "")),),
        "unplug", "braking", "tail_right", "stale", at="rear",
    ),
    Variant(
        "misspelled_import",
        (("        elif now - self.refused_at >= TOO_OLD:\n",
          ("        elif now - self.refused_at >= TOO_OLD:\n            import loging\n\n"
           '            loging.warning("the mailboxes are full")\n')),),
        "unplug", "braking", "rear", "program", at="rear",
    ),
    Variant(
        "unpacks_any_length",
        ((NUMBERS, ("        data = bytes(message.data)\n"
                    '        check, *_ = struct.unpack(f"{self.length}B", data)\n        if ')),
         ("data[0] != checksum(self.identifier, data):",
          "check != checksum(self.identifier, data):"),
         ("import time\n", "import struct\nimport time\n")),
        "stranger", "idle", "rear", "program", at="EngineRequest",
    ),
    Variant(
        "waits_for_a_message", ((RECV, "        message = bus.recv()\n"),),
        "unplug", "braking", "rear", "program", at="rear",
    ),
    Variant(
        "tests_its_lamps_at_boot",
        ((BEGIN, ("    for feed in FEEDS:\n        board.write(feed.name, 1.0)\n"
                  "    time.sleep(0.005)\n" + BEGIN)),),
        "reset", "parked", "reverse_lamps", "reset", at="rear",
    ),
    Variant(
        "tells_changes_only",
        ((DUE, DUE + ("        tells = [link.state for link in LINKS.values()]\n"
                      "        if tells == self.told:\n            return\n"
                      "        self.told = tells\n")),
         ("        self.came_back = False\n",
          "        self.came_back = False\n        self.told = []\n")),
        "none", "parked", "rear", "rejoin",
    ),
    Variant("counter_at_rest", ((SENT, ""),), "none", "parked", "RearStatus", "cycle"),
    Variant(
        "checksum_low_byte_first",
        (('identifier.to_bytes(2, "big")', 'identifier.to_bytes(2, "little")'),),
        "none", "parked", "accessory_socket", "end to end",
    ),
    Variant(
        "counts_bits_from_the_left",
        (("self.data[byte] >> bit & 1", "self.data[byte] >> 7 - bit & 1"),),
        "none", "parked", "accessory_socket", "end to end",
    ),
    Variant(
        "sleeps_in_its_loop", ((RECV, "        time.sleep(0.06)\n" + RECV),),
        "none", "braking", "brake_lamps", "local",
    ),
    Variant(
        "pedal_turned_round",
        (('(("brake_pedal", "pressed"),)', '(("brake_pedal", "released"),)'),),
        "none", "braking", "brake_lamps", "local",
    ),
    Variant(
        "bit_timing_of_another_car",
        (('interface="socketcan"',
          'interface="socketcan", timing=can.BitTiming(8_000_000, 1, 13, 2, 1)'),),
        "none", "parked", "rear", "program",
    ),
    Variant(
        "hundredths_of_a_volt",
        (("int(board.supply_volts() * 10)", "int(board.supply_volts() * 100) & 0xFF"),),
        "none", "parked", "RearStatus.SupplyVoltage", "sensor",
    ),
]  # fmt: skip
