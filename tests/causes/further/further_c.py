"""The C rear node with further mistakes: units, widths of integers, the order of things, copies."""

from __future__ import annotations

from variants import Variant

LOST = "    if (link->state == LOST && load->stale != HOLD)\n        return load->stale == ON;\n"
RETURN = "    return !load->given_up && (link->data[load->byte] >> load->bit & 1);\n"
HELD = "now_ms - link->lost_ms >= load->hold_ms"
HEARD = "    if (now_ms - link->heard_ms < link->stale_ms)\n"
OUTPUTS = "    for (uint8_t i = 0; i < LOADS; i++)\n        board_pin_mode("
COUNT = "    status.count = (status.count + 1) & 0x0F;\n"
VOLTS = "(uint8_t)(board_supply_mv() / 100)"
PEDAL = "    {.pin = BRAKE_LAMPS, .link = NOBODY, .local = BRAKE_PEDAL,\n"
WANTED = "    if (load->local && board_pin_read(load->local)\n"
FEED = "    board_watchdog_feed();\n"
START_DOG = "    board_watchdog_start(WATCHDOG_MS);\n"
TAKE = "                take(&links[i], &frame, now_ms);\n"
READ = "    while (board_can_receive(&frame))\n"
SETUP = "void setup(void)\n{\n"
TRIM = "    int32_t late_ms = (int32_t)(flash.began_ms - flash.dash_began_ms) % CYCLE_MS;"
SENT = "    enum board_can_result result = board_can_send(&frame);\n"
CUT_OFF = "static bool cut_off; /* by a crash */\n"
IGNITION = "    else if (!board_pin_read(IGNITION_ON))\n        cut_off = false;\n"
LIFE_SIGN = "    send_life_sign(now_ms);\n"

WRONG = [
    Variant(
        "missing_break",
        ((LOST, ""),
         (RETURN, (RETURN.replace("return", "bool level =") +
                   "    if (link->state == LOST)\n        switch (load->stale) {\n"
                   "        case OFF: level = false;\n        case ON: level = true; break;\n"
                   "        case HOLD: break;\n        }\n    return level;\n"))),
        "unplug", "night_drive", "indicator_rear_left", "stale", at="rear",
    ),
    Variant(
        "holds_for_microseconds",
        ((HELD, "1000 * (now_ms - link->lost_ms) >= load->hold_ms"),),
        "unplug", "parked", "interior_lamp", "stale", at="rear",
    ),
    Variant(
        "clock_of_16_bits",
        ((HEARD, ("    uint16_t heard_ms = link->heard_ms;\n"
                  "    if (now_ms - heard_ms < link->stale_ms)\n")),),
        "none", "braking", "accessory_socket", "end to end",
        '[nodes.rear.target]\nclock_start = "64.5 s"',
    ),
    Variant(
        "one_pin_too_few", ((OUTPUTS, OUTPUTS.replace("i < LOADS", "i < LOADS - 1")),),
        "none", "parked", "accessory_socket", "fresh",
    ),
    Variant(
        "counts_to_nine", ((COUNT, "    status.count = (status.count + 1) % 10;\n"),),
        "none", "parked", "RearStatus", "cycle",
    ),
    Variant(
        "whole_volts", ((VOLTS, "(uint8_t)(board_supply_mv() / 1000 * 10)"),),
        "none", "parked", "RearStatus.SupplyVoltage", "sensor",
    ),
    Variant(
        "pedal_by_its_rising_edge",
        ((SETUP, ("static volatile bool braking;\n"
                  "static void pedal(void) { braking = board_pin_read(BRAKE_PEDAL); }\n\n"
                  + SETUP + "    board_on_pin(BRAKE_PEDAL, BOARD_RISING, pedal);\n")),
         ("static bool wanted(struct load *load, uint32_t now_ms)\n{\n",
          ("static volatile bool braking;\n"
           "static bool wanted(struct load *load, uint32_t now_ms)\n{\n"
           "    if (load->local == BRAKE_PEDAL)\n        return braking;\n"))),
        "none", "braking", "brake_lamps", "local",
    ),
    Variant(
        "recovers_in_each_round",
        ((LIFE_SIGN, ("    struct board_can_status can;\n    board_can_status(&can);\n"
                      "    if (can.state == BOARD_CAN_BUS_OFF) {\n        board_can_recover();\n"
                      "        status.due_ms = now_ms;\n    }\n" + LIFE_SIGN)),),
        "corrupt", "cranking", "rear", "quiet recovery", at="RearStatus",
    ),
    Variant(
        "waits_for_a_lock",
        ((SETUP, ("static volatile bool locked;\n"
                  "static void sent(void) { while (locked) board_delay_us(10); }\n\n"
                  + SETUP + "    board_on_can(BOARD_CAN_SENT, sent);\n")),
         ("static void send_life_sign(uint32_t now_ms)\n{\n",
          "static volatile bool locked;\nstatic void send_life_sign(uint32_t now_ms)\n{\n"),
         (SENT, "    locked = true;\n" + SENT + "    board_delay_ms(1);\n    locked = false;\n")),
        "none", "parked", "rear", "program",
    ),
    Variant(
        "crash_from_erased_memory",
        ((SETUP, SETUP + "    board_memory_read(0, &cut_off, 1);\n"),
         (CUT_OFF, "static uint8_t cut_off; /* by a crash */\n"),
         (IGNITION, IGNITION + "    board_memory_write(0, &cut_off, 1);\n")),
        "none", "idle", "fuel_pump", "reset",
    ),
    Variant(
        "fed_by_frames",
        ((FEED, ""), (TAKE, TAKE.replace("take(", "board_watchdog_feed(), take("))),
        "unplug", "braking", "rear", "program", at="rear",
    ),
    Variant(
        "filters_extended_frames",
        (("board_can_filter(links[i].id, 0x7FF, false)",
          "board_can_filter(links[i].id, 0x7FF, true)"),),
        "none", "parked", "accessory_socket", "end to end",
    ),
    Variant(
        "trims_without_a_sign",
        ((TRIM, "    int32_t late_ms = (flash.began_ms - flash.dash_began_ms) % CYCLE_MS;"),),
        "none", "hazards_while_turning", "indicator_front_left", "in step",
    ),
    Variant(
        "status_of_eight_bytes", (("{.id = 0x202, .length = 4}", "{.id = 0x202, .length = 8}"),),
        "none", "parked", "rear", "rejoin",
    ),
]  # fmt: skip
