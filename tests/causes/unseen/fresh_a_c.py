"""The C rear node with fresh mistakes: a byte, interrupts, an index, a sample, a duty."""

from __future__ import annotations

from variants import Variant

FILTER = "        board_can_filter(links[i].id, 0x7FF, false);\n"
SETUP = "void setup(void)\n{\n"
READ = "    while (board_can_receive(&frame))\n"
RECOVER = "        board_can_recover();\n"
OFF = "    } else if (why == BOARD_CAN_IS_BUS_OFF && "
WRITE = "        board_pwm_write(loads[i].pin, level);\n"
WANTED = "static bool wanted(struct load *load, uint32_t now_ms)\n{\n"
LOOKED = "    looked_ms = now_ms;\n    if (board_supply_mv()"

WRONG = [
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
