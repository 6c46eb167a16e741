"""The sketch of the rear node with fresh mistakes: a mask, a key, a converter, a pause."""

from __future__ import annotations

from variants import Variant

DOG = "    wdt_enable(WDTO_120MS);\n"
STEP = "step = (count - link.count) & 0x0F;"
HEARTBEAT = "void sendHeartbeat(unsigned long now)\n{\n"
VOLTS = "(byte)(supplyMv() / 100)"

WRONG = [
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
