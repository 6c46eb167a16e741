"""The sketch of the rear node with mistakes of another kind: pins, registers, widths, the order."""

from __future__ import annotations

from variants import ROLL_OVER, Variant

PAUSE = "    delayMicroseconds(400); /*"
NORMAL = "    writeRegister(CANCTRL, 0x00);  /* normal mode */\n"
TIMING = "    const byte timing[] = {0x03, 0xAC, 0x41};\n"
SOCKET = "    drive(SOCKET, asked(body, 2, 0, false, false));\n"
WORK = "    switchOutputs(now);\n    lookAtCurrents(now);\n"
LOOP = "void loop()\n{\n"
CRASH = "void watchCrash()\n{\n"
GIVEN_UP = (
    "    if (body.state == FRESH)\n        interiorGivenUp = false;\n"
    "    else if (body.state == LOST && now - body.lostAt >= 800)\n"
)
DOG = "    wdt_enable(WDTO_120MS);\n"
STEP = "step = (count - link.count) & 0x0F;"
HEARTBEAT = "void sendHeartbeat(unsigned long now)\n{\n"
VOLTS = "(byte)(supplyMv() / 100)"

WRONG = [
    Variant(
        "never_rests", (("        resting = true;\n", ""),),
        "corrupt", "cranking", "rear", "quiet recovery", at="RearStatus",
    ),
    Variant(
        "one_buffer_for_two",
        (("writeRegister(RXB0CTRL, 0x04);", "writeRegister(RXB0CTRL, 0x00);"),
         (PAUSE, "    delay(16); /*")),
        "none", "parked", "accessory_socket", "fresh",
    ),
    Variant(
        "normal_mode_before_the_timing",
        ((NORMAL, ""), (TIMING, NORMAL + TIMING)),
        "none", "parked", "rear", "rejoin",
    ),
    Variant(
        "fills_two_filters", (("for (byte i = 0; i < 6; i++)", "for (byte i = 0; i < 2; i++)"),),
        "none", "cranking", "fuel_pump", "fresh",
    ),
    Variant(
        "next_heartbeat_by_a_sum",
        (("now - sentAt >= 100 && !resting", "now > sentAt + 100 && !resting"),),
        "none", "braking", "RearStatus", "cycle", f"\n{ROLL_OVER}",
    ),
    Variant(
        "interrupt_of_another_pin",
        (("attachInterrupt(digitalPinToInterrupt(CAN_INT),", "attachInterrupt(1,"),),
        "none", "parked", "accessory_socket", "end to end",
    ),
    Variant(
        "socket_from_the_counter", ((SOCKET, SOCKET.replace("body, 2, 0", "body, 1, 0")),),
        "none", "parked", "accessory_socket", "fresh",
    ),
    Variant(
        "half_a_second_in_a_byte",
        (("    unsigned staleMs;\n", "    byte staleMs;\n"),
         ("engine = {0x0C0, 2, 500}", "engine = {0x0C0, 2, (byte)500}")),
        "corrupt", "cranking", "fuel_pump", "fresh", at="EngineRequest",
    ),
    Variant(
        "looks_for_a_crash_now_and_then",
        ((CRASH, "unsigned long crashLookedAt = 0;\n\n" + CRASH +
                 "    if (millis() - crashLookedAt < 500)\n        return;\n"
                 "    crashLookedAt = millis();\n"),),
        "none", "braking", "fuel_pump", "trip",
    ),
    Variant(
        "works_when_a_frame_came",
        ((LOOP, LOOP + "    bool came = somethingCame;\n"),
         (WORK, WORK.replace("    switch", "    if (came)\n        switch"))),
        "none", "braking", "brake_lamps", "local",
    ),
    Variant(
        "lamp_given_up_for_ever",
        ((GIVEN_UP, "    if (body.state == LOST && now - body.lostAt >= 800)\n"),),
        "unplug", "parked", "interior_lamp", "rejoin", at="rear",
    ),
    Variant(
        "waits_for_the_key",
        ((DOG, "    while (!digitalRead(IGNITION_ON))\n        ;\n" + DOG),),
        "none", "parked", "rear", "rejoin",
    ),
    Variant(
        "step_without_a_mask", ((STEP, "step = count - link.count;"),),
        "none", "parked", "tail_left", "fresh",
    ),
    Variant(
        "no_heartbeat_while_braking",
        ((HEARTBEAT, HEARTBEAT + "    if (digitalRead(BRAKE_PEDAL))\n        return;\n"),),
        "none", "braking", "RearStatus", "cycle",
    ),
    Variant(
        "supply_as_it_is_read", ((VOLTS, "(byte)analogRead(SUPPLY)"),),
        "none", "parked", "RearStatus.SupplyVoltage", "sensor",
    ),
]  # fmt: skip
