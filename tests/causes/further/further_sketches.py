"""The sketch of the rear node with further mistakes: registers, shifts, an order, copies."""

from __future__ import annotations

from variants import Variant

READ_IT = "    SPI.transfer(status & 1 ? READ_RX0 : READ_RX1);\n"
LOOP = "        while (readFrame(frame))\n"
LEVELS = "    switchOutputs(now); /* the levels first"
SOCKET = "    drive(SOCKET, asked(body, 2, 0, false, false));\n"
PAUSE = "    delayMicroseconds(400); /*"
SEAL = "    frame.data[0] = checksum(frame);\n    if (sendFrame(frame)) {\n"
CRASHED = (
    "    if (digitalRead(CRASH))\n        cutOff = true;\n"
    "    else if (!digitalRead(IGNITION_ON))\n        cutOff = false;\n"
)
RIGHT = "asked(lamp, 2, 1, false, false)"

WRONG = [
    Variant(
        "reads_without_freeing",
        ((READ_IT, ("    SPI.transfer(READ);\n"
                    "    SPI.transfer(status & 1 ? 0x61 : 0x71);\n")),
         (LOOP, "        if (readFrame(frame))\n"),
         ("        somethingCame = false;\n", "")),
        "none", "parked", "accessory_socket", "end to end",
    ),
    Variant(
        "socket_from_erased_memory",
        (("#include <SPI.h>\n", "#include <EEPROM.h>\n#include <SPI.h>\n"),
         (SOCKET, ("    if (body.state == FRESH)\n"
                   "        EEPROM.update(0, bitRead(body.data[2], 0));\n"
                   "    drive(SOCKET, asked(body, 2, 0, false, EEPROM.read(0) != 0));\n"))),
        "none", "parked", "accessory_socket", "reset",
    ),
    Variant(
        "waits_for_the_power_to_settle",
        ((LEVELS, ("    for (Output &output : outputs)\n        pinMode(output.pin, OUTPUT);\n"
                   "    delay(300);\n" + LEVELS)),),
        "reset", "night_drive", "tail_left", "dark", at="rear",
    ),
    Variant(
        "watchdog_of_15_ms", (("WDTO_120MS", "WDTO_15MS"), (PAUSE, "    delay(15); /*")),
        "none", "parked", "rear", "program",
    ),
    Variant(
        "identifier_shifted_wrongly",
        (("(unsigned)head[0] << 3 | head[1] >> 5", "(unsigned)head[0] << 5 | head[1] >> 3"),),
        "none", "parked", "accessory_socket", "end to end",
    ),
    Variant(
        "sealed_too_early",
        ((SEAL, ("    frame.data[0] = checksum(frame);\n"
                 "    frame.data[3] = (byte)(seconds + 1);\n    if (sendFrame(frame)) {\n")),),
        "none", "parked", "RearStatus", "cycle",
    ),
    Variant(
        "ten_for_a_hundred",
        (("now - sentAt >= 100 && !resting", "now - sentAt >= 10 && !resting"),),
        "none", "parked", "RearStatus", "cycle",
    ),
    Variant(
        "right_as_left", ((RIGHT, "asked(lamp, 2, 0, false, false)"),),
        "none", "turning", "indicator_rear_right", "fresh",
    ),
    Variant(
        "lit_for_no_time", (("LIT = 330;", "LIT = 330 / 1000 * 1000;"),),
        "none", "hazards_ignition_off", "indicator_rear_left", "flash",
    ),
    Variant(
        "filters_of_two_whole_bytes",
        (("{(byte)(id >> 3), (byte)(id << 5), 0, 0}", "{(byte)(id >> 8), (byte)id, 0, 0}"),),
        "none", "parked", "accessory_socket", "end to end",
    ),
    Variant(
        "pedal_by_a_threshold",
        (("(bool)digitalRead(BRAKE_PEDAL)", "analogRead(BRAKE_PEDAL) > 1023"),),
        "none", "braking", "brake_lamps", "local",
    ),
    Variant(
        "cut_off_only_while_it_crashes", ((CRASHED, "    cutOff = digitalRead(CRASH);\n"),),
        "none", "braking", "fuel_pump", "trip",
    ),
    Variant(
        "failed_in_the_wrong_bit", (("failed << 6", "failed << 7"),),
        "fuse_blown", "shutting_down", "tail_left", "notice",
    ),
]  # fmt: skip
