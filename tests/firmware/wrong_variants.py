"""The C rear node with one well-known mistake each: what is written otherwise, and what gives it
away. The mistakes are those that real home-built firmware is known for.
"""

from __future__ import annotations

from variants import ROLL_OVER, Variant

RECOVER = "        board_can_recover();\n"
WATCH = "        watch(&links[i], now_ms);\n"
TAKE = "                take(&links[i], &frame, now_ms);\n"
LOOK = "            if (intact(&links[i], &frame))\n"
FEED = "    board_watchdog_feed();\n"
START_DOG = "    board_watchdog_start(WATCHDOG_MS);\n"
HEAR = "        flash.dash_began_ms = now_ms - time * FLASH_TIME_UNIT_MS;\n"
LOST = "    if (link->state == LOST && load->stale != HOLD)\n        return load->stale == ON;\n"
SETUP = "void setup(void)\n{\n"
READ = "    while (board_can_receive(&frame))\n"
DELAY = "    board_delay_ms(LOOP_MS);\n"
MODE = "        board_pin_mode(loads[i].pin, BOARD_OUTPUT);\n"
SEND = "    enum board_can_result result = board_can_send(&frame);\n"

WRONG = [
    Variant("never_recovers", ((RECOVER, ""),), "bus_off", "night_drive", "rear", "rejoin"),
    Variant(
        "asserts_that_it_is_sent",
        ((SEND, SEND + "    assert(result == BOARD_CAN_OK);\n"),
         ('#include "board.h"', '#include "board.h"\n#include <assert.h>')),
        "bus_off", "night_drive", "rear", "program",
    ),
    Variant("no_time_out", ((WATCH, "        ;\n"),), "unplug", "braking", "tail_left", "stale"),
    Variant(
        "compares_with_a_sum",
        (("    if (now_ms - link->heard_ms < link->stale_ms)\n",
          "    if (!(now_ms > link->heard_ms + link->stale_ms))\n"),),
        "none", "braking", "accessory_socket", "end to end", ROLL_OVER,
    ),
    Variant(
        "any_frame_refreshes",
        ((READ, ("    while (board_can_receive(&frame)) {\n"
                "        for (uint8_t i = 0; i < LINKS; i++)\n"
                "            links[i].heard_ms = now_ms;\n")),
         (TAKE, TAKE + "    }\n")),
        "drop", "braking", "tail_left", "stale",
    ),
    Variant(
        "refused_frame_refreshes",
        ((LOOK, "            if (frame.id == links[i].id)\n"
                "                links[i].heard_ms = now_ms;\n"
                "        for (uint8_t i = 0; i < LINKS; i++)\n" + LOOK),),
        "alter", "hazards_ignition_off", "tail_left", "stale",
    ),
    Variant(
        "one_miss_trips",
        ((".stale_ms = 250},\n    [BODY]", ".stale_ms = 60},\n    [BODY]"),),
        "corrupt", "parked", "tail_left", "fresh",
    ),
    Variant(
        "ignores_the_counter",
        (("(step == 0 || step > link->max_step)", "false"),),
        "freeze", "reversing", "accessory_socket", "stale",
    ),
    Variant(
        "ignores_the_checksum",
        ((" && frame->data[0] == checksum(frame)", ""),),
        "alter", "rain", "interior_lamp", "fresh",
    ),
    Variant(
        "zeros_before_the_first_frame",
        (("        return load->reset;\n", "        return false;\n"),),
        "unplug+reset", "braking", "tail_left", "reset",
    ),
    Variant(
        "never_returns",
        (("    if (link->state == LOST && ++link->good < 2)\n", "    if (link->state == LOST)\n"),),
        "unplug", "parked", "tail_left", "rejoin",
    ),
    Variant(
        "time_out_on_arrival",
        ((WATCH, "        ;\n"), (LOOK, "            watch(&links[i], now_ms);\n"
                                      "        for (uint8_t i = 0; i < LINKS; i++)\n" + LOOK)),
        "unplug", "braking", "tail_left", "stale",
    ),
    Variant("no_watchdog", ((START_DOG, ""),), "hang", "braking", "brake_lamps", "stopped"),
    Variant(
        "feeds_from_an_interrupt",
        ((FEED, ""), (START_DOG, START_DOG + "    board_on_timer(50000, board_watchdog_feed);\n")),
        "hang", "braking", "brake_lamps", "stopped",
    ),
    Variant(
        "bites_itself",
        (("WATCHDOG_MS = 200", "WATCHDOG_MS = 2"),),
        "none", "idle", "rear", "program",
    ),
    Variant(
        "pins_high_at_boot",
        (("    switch_loads(now_ms); /*",
          ("    for (uint8_t i = 0; i < LOADS; i++) {\n"
          "        board_pin_mode(loads[i].pin, BOARD_OUTPUT);\n"
          "        board_pin_write(loads[i].pin, true);\n    }\n"
          "    board_delay_ms(5);\n    switch_loads(now_ms); /*")),),
        "reset", "parked", "reverse_lamps", "reset",
    ),
    Variant(
        "restores_the_pump",
        ((SETUP, SETUP + "    uint8_t kept;\n    board_memory_read(0, &kept, 1);\n"
                         "    loads[7].reset = kept == 1;\n"),
         (FEED, FEED + "    uint8_t pump = board_pin_read(FUEL_PUMP);\n"
                       "    board_memory_write(0, &pump, 1);\n")),
        "reset", "cranking", "fuel_pump", "fresh",
    ),
    Variant(
        "flasher_restarted_by_frames",
        ((HEAR, HEAR + "    if (links[LAMP].heard_ms == now_ms)\n"
                       "        flash.running = flash.dash_flashes = false;\n"),),
        "none", "hazards_ignition_off", "indicator_rear_left", "flash",
    ),
    Variant(
        "flashes_in_its_own_phase",
        ((" && time != FLASH_TIME_NONE;", " && false;"),
         ("? (now_ms - flash.dash_began_ms) % CYCLE_MS : 0;", "? 0 : 200;")),
        "none", "hazards_ignition_off", "indicator_front_left", "in step",
    ),
    Variant(
        "polls_too_slowly",
        (("LOOP_MS = 2", "LOOP_MS = 120"),),
        "none", "braking", "brake_lamps", "local",
    ),
    Variant(
        "waits_for_a_frame",
        ((READ, "    while (!board_can_receive(&frame))\n        ;\n    do\n"),
         (TAKE, TAKE + "    while (board_can_receive(&frame));\n")),
        "unplug", "braking", "rear", "program",
    ),
    Variant(
        "prints_too_much",
        ((FEED, FEED + '    board_print("all lamps have been looked after once more\\n");\n'),
         (START_DOG, START_DOG + "    board_serial_begin(9600);\n")),
        "none", "braking", "brake_lamps", "local",
    ),
    Variant(
        "follows_a_null_pointer",
        ((LOST, "    if (link->state == LOST)\n        link = 0;\n"),),
        "unplug", "braking", "rear", "program",
    ),
]  # fmt: skip
