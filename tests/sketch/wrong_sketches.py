"""The sketch of the rear node with one mistake each, as hobby sketches have them: what is written
otherwise, and what gives it away.
"""

from __future__ import annotations

from variants import ROLL_OVER, Variant

READ = "        while (readFrame(frame))\n"
WATCH = "        watch(*link, now);\n"
PAUSE = "    delayMicroseconds(400); /*"
COUNTED = "    if (link.counted && (step == 0 || step > 5))\n        return;\n"
LEVELS = "    switchOutputs(now); /* the levels first"
DUE = "    if (now - sentAt >= 100 && !resting)\n"
SENT = "        counter = (counter + 1) & 0x0F;\n"

WRONG = [
    Variant(
        "compares_with_a_sum",
        (("    if (now - link.heard < link.staleMs)\n",
          "    if (now <= link.heard + link.staleMs)\n"),),
        "none", "braking", "accessory_socket", "end to end", f"\n{ROLL_OVER}",
    ),
    Variant(
        "never_looks_at_the_checksum",
        ((" || frame.data[0] != checksum(frame)", ""),),
        "alter", "rain", "interior_lamp", "fresh",
    ),
    Variant(
        "never_looks_at_the_counter", ((COUNTED, ""),),
        "freeze", "reversing", "accessory_socket", "stale",
    ),
    Variant(
        "filter_with_a_typing_error",
        (("{0x0A0, 0x0D0, 0x0C0, ", "{0x0A0, 0x00D, 0x0C0, "),),
        "none", "parked", "accessory_socket", "end to end",
    ),
    Variant(
        "rests_for_ever",
        (("    resting = resting && (off || now - offAt < 200);\n", ""),),
        "bus_off", "night_drive", "rear", "rejoin", at="rear",
    ),
    Variant(
        "no_time_out", ((WATCH, "        ;\n"),),
        "unplug", "braking", "tail_left", "stale", at="rear",
    ),
    Variant(
        "time_out_forgets_the_socket",
        (("asked(body, 2, 0, false, false)", "bitRead(body.data[2], 0) == 1"),),
        "unplug", "night_drive", "accessory_socket", "stale", at="rear",
    ),
    Variant(
        "chip_select_of_another_shield",
        (("CAN_CS = 53", "CAN_CS = 10"), (READ, "        if (readFrame(frame))\n")),
        "none", "parked", "rear", "rejoin",
    ),
    Variant(
        "registers_of_an_8_mhz_board", (("{0x03, 0xAC, 0x41}", "{0x05, 0xB1, 0x40}"),),
        "none", "parked", "rear", "program",
    ),
    Variant(
        "stays_in_listen_only_mode",
        (("writeRegister(CANCTRL, 0x00);", "writeRegister(CANCTRL, 0x60);"),),
        "none", "parked", "rear", "rejoin",
    ),
    Variant(
        "waits_with_delay", ((PAUSE, "    delay(60); /*"),),
        "none", "braking", "brake_lamps", "local",
    ),
    Variant(
        "one_frame_for_each_interrupt",
        ((READ, "        if (readFrame(frame))\n"), (PAUSE, "    delay(8); /*")),
        "none", "parked", "accessory_socket", "end to end",
    ),
    Variant(
        "waits_until_it_is_sent",
        (("    if (readStatus() & 0x04) /* TXREQ of buffer 0 */\n        return false;\n",
          "    while (readStatus() & 0x04) /* TXREQ of buffer 0 */\n        ;\n"),),
        "unplug", "braking", "rear", "program", at="rear",
    ),
    Variant(
        "tests_its_lamps_at_boot",
        ((LEVELS, ("    for (Output &output : outputs) {\n"
                   "        pinMode(output.pin, OUTPUT);\n"
                   "        digitalWrite(output.pin, HIGH);\n    }\n    delay(5);\n" + LEVELS)),),
        "reset", "parked", "reverse_lamps", "reset", at="rear",
    ),
    Variant(
        "tells_changes_only",
        ((DUE, ("    static byte told = 0;\n"
                "    byte tells = lamp.state | body.state << 2 | engine.state << 4;\n"
                "    if (tells == told)\n        sentAt = now;\n    told = tells;\n" + DUE)),),
        "none", "parked", "rear", "rejoin",
    ),
    Variant("counter_at_rest", ((SENT, ""),), "none", "parked", "RearStatus", "cycle"),
    Variant(
        "checksum_low_byte_first",
        (("crcStep(crcStep(0xFF, highByte(frame.id)), lowByte(frame.id))",
          "crcStep(crcStep(0xFF, lowByte(frame.id)), highByte(frame.id))"),),
        "none", "parked", "accessory_socket", "end to end",
    ),
    Variant(
        "hundredths_of_a_volt",
        (("(byte)(supplyMv() / 100)", "(byte)(supplyMv() / 10)"),),
        "none", "parked", "RearStatus.SupplyVoltage", "sensor",
    ),
    Variant(
        "restarts_without_a_link",
        ((WATCH, WATCH + ("    if (lamp.state == LOST && now - lamp.lostAt > 500) {\n"
                          "        wdt_enable(WDTO_15MS);\n        while (true)\n"
                          "            delay(1);\n    }\n")),),
        "unplug", "night_drive", "rear", "program", at="rear",
    ),
]  # fmt: skip
