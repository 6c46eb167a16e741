"""The C rear node with mistakes of another kind: operators, integers, signs, loops, a library."""

from __future__ import annotations

from variants import Variant

INTACT = "static bool intact(const struct link *link, const struct board_frame *frame)\n"
CHECKED = " && frame->data[0] == checksum(frame);"
READ = "    while (board_can_receive(&frame))\n"
TAKE = "                take(&links[i], &frame, now_ms);\n"
FILTER = "        board_can_filter(links[i].id, 0x7FF, false);\n"
DUE = "    status.due_ms = now_ms + STATUS_MS;\n"
HEARD = "    if (now_ms - link->heard_ms < link->stale_ms)\n"
WANTED = "static bool wanted(struct load *load, uint32_t now_ms)\n{\n"
ASKED = "static bool asked(struct load *load, uint32_t now_ms)\n{\n"
SETUP = "void setup(void)\n{\n"
COUNT = "    uint8_t count = frame->data[1] & 0x0F;\n"
WORKS = "    if (board_supply_mv() >= WORKS_FROM_MV)\n"
LIFE_SIGN = "static struct board_frame life_sign(void)\n{\n"
VOLTS = "(uint8_t)(board_supply_mv() / 100)"
FRESH = "    link->state = FRESH;\n"
INPUTS = "BRAKE_PEDAL = 14, REVERSE_GEAR, IGNITION_ON, HAZARD, OIL_PRESSURE, CRASH\n"
PASSES_31_BITS = '[nodes.rear.target]\nclock_start = "2147482.4 s"'
"""The millisecond counter passes 2^31 1.2 s after power-up."""
RECOVER = "        board_can_recover();\n"
OFF = "    } else if (why == BOARD_CAN_IS_BUS_OFF && "
WRITE = "        board_pwm_write(loads[i].pin, level);\n"
LOOKED = "    looked_ms = now_ms;\n    if (board_supply_mv()"

WRONG = [
    Variant(
        "assigns_the_checksum",
        ((INTACT, INTACT.replace("const struct board_frame", "struct board_frame")),
         (CHECKED, " && (frame->data[0] = checksum(frame));")),
        "alter", "rain", "interior_lamp", "fresh",
    ),
    Variant(
        "identifiers_of_a_byte",
        ((FILTER, FILTER.replace("0x7FF", "0xFF")),
         (READ, ("    while (board_can_receive(&frame)) {\n"
                 "        frame.id = (uint8_t)frame.id;\n")),
         (TAKE, TAKE + "    }\n")),
        "stranger", "night_drive", "tail_left", "fresh", at="LampRequest",
    ),
    Variant(
        "decimal_identifier", (("{.id = 0x202, .length = 4}", "{.id = 202, .length = 4}"),),
        "none", "parked", "rear", "foreign",
    ),
    Variant(
        "divides_by_the_gap",
        ((COUNT, "    static volatile uint32_t frames_per_s;\n"
                 "    frames_per_s = 1000 / (now_ms - link->heard_ms);\n" + COUNT),),
        "duplicate", "rain", "rear", "program",
    ),
    Variant(
        "forgets_the_filters_before", ((FILTER, "        board_can_accept_all();\n" + FILTER),),
        "none", "parked", "accessory_socket", "end to end",
    ),
    Variant(
        "off_for_its_filters", ((SETUP, SETUP + "    board_can_mode(BOARD_CAN_OFF);\n"),),
        "none", "parked", "rear", "rejoin",
    ),
    Variant(
        "signed_milliseconds",
        ((HEARD, "    if ((int32_t)now_ms < (int32_t)(link->heard_ms + link->stale_ms))\n"),),
        "none", "braking", "accessory_socket", "end to end", PASSES_31_BITS,
    ),
    Variant(
        "watchdog_of_minutes",
        (("board_watchdog_start(WATCHDOG_MS);", "board_watchdog_start(1000 * WATCHDOG_MS);"),),
        "hang", "braking", "brake_lamps", "stopped", at="rear",
    ),
    Variant(
        "safe_mode_after_a_watchdog",
        ((WANTED, "static bool safe_mode;\n\n" + WANTED +
                  "    if (safe_mode)\n        return load->stale == ON;\n"),
         (SETUP, SETUP + "    safe_mode = board_reset_cause() == BOARD_WATCHDOG;\n")),
        "hang", "braking", "brake_lamps", "local", at="rear",
    ),
    Variant(
        "amperes_for_milliamperes",
        (("load->on ? ma < load->least_ma", "load->on ? ma / 1000 < load->least_ma"),),
        "none", "night_drive", "load_failed", "notice",
    ),
    Variant(
        "copies_the_first_only",
        ((FRESH, "    if (link->state == FRESH)\n        return;\n" + FRESH),),
        "none", "parked", "accessory_socket", "fresh",
    ),
    Variant(
        "dash_time_in_tens", (("FLASH_TIME_UNIT_MS = 5", "FLASH_TIME_UNIT_MS = 10"),),
        "none", "hazards_ignition_off", "indicator_front_left", "in step",
    ),
    Variant(
        "catches_up_on_heartbeats", ((DUE, "    status.due_ms += STATUS_MS;\n"),),
        "held_bus_off", "braking", "RearStatus", "cycle", at="rear",
    ),
    Variant(
        "pins_in_another_order",
        ((INPUTS, INPUTS.replace("HAZARD, OIL_PRESSURE", "OIL_PRESSURE, HAZARD")),),
        "none", "idle", "indicator_rear_left", "fresh",
    ),
    Variant(
        "waits_for_the_voltage",
        ((WORKS, "    while (board_supply_mv() < WORKS_FROM_MV)\n        ;\n"),),
        "brown_out", "parked", "rear", "program",
    ),
    Variant(
        "volts_of_the_start",
        ((LIFE_SIGN, "static uint16_t supply_mv;\n\n" + LIFE_SIGN),
         (VOLTS, "(uint8_t)(supply_mv / 100)"),
         (SETUP, SETUP + "    supply_mv = board_supply_mv();\n")),
        "none", "cranking", "RearStatus.SupplyVoltage", "sensor",
    ),
    Variant(
        "interrupts_left_off",
        ((SETUP, ("static volatile bool came;\nstatic void heard(void) { came = true; }\n\n"
                  + SETUP + "    board_interrupts(false);\n"
                  "    board_on_can(BOARD_CAN_RECEIVED, heard);\n")),
         (READ, ("    bool some = came;\n    came = false;\n"
                "    while (some && board_can_receive(&frame))\n"))),
        "none", "parked", "accessory_socket", "end to end",
    ),
    Variant(
        "waits_300_in_a_byte",
        ((RECOVER, ("        for (uint8_t waited_ms = 0; waited_ms < 300; waited_ms += 10)\n"
                    "            board_delay_ms(10);\n") + RECOVER),),
        "bus_off", "night_drive", "rear", "program", at="rear",
    ),
    Variant(
        "filters_by_its_index",
        ((FILTER, FILTER.replace("links[i].id", "i")),),
        "none", "parked", "accessory_socket", "end to end",
    ),
    Variant(
        "recovers_once", ((OFF, OFF + "!status.came_back && "),),
        "corrupt", "cranking", "rear", "rejoin", at="RearStatus",
    ),
    Variant(
        "half_power_for_the_socket",
        ((WRITE, WRITE.replace("level)", "loads[i].pin == SOCKET ? level / 2 : level)")),),
        "none", "parked", "accessory_socket", "fresh",
    ),
    Variant(
        "pedal_with_the_currents",
        ((WANTED, "static bool braking;\n\n" + WANTED +
                  "    if (load->local == BRAKE_PEDAL)\n        return braking;\n"),
         (LOOKED, "    braking = board_pin_read(BRAKE_PEDAL);\n" + LOOKED)),
        "none", "braking", "brake_lamps", "local",
    ),
]  # fmt: skip
