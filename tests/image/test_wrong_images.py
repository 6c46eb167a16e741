"""Mistakes that only the image has: the same source is right where an int has 32 bits, where
nothing interrupts plain computing and memory has no end. Each is caught in one run of the car that
``linkloss new`` writes, and the right image keeps its rules in such runs.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from linkloss.cli.from_nodes import car_from_nodes
from linkloss.faults.catalogue import make_fault
from linkloss.firmware.avr import AvrSources, build_image
from linkloss.judge import judge
from linkloss.scenario import Scenario, TimedAction, TimedFault
from linkloss.session import simulate
from linkloss.vehicle.loading import load_vehicle

MS = 1_000_000
BOOT = "    heard = millis();\n"
NOW = "    unsigned long now = millis();\n    if (canCame) {"
ISR = "static void canInterrupt() { canCame = true; }"
WAITING_ISR = """static void canInterrupt() {
    canCame = true;
    unsigned long t = millis();
    while (millis() - t < 5) { } /* HERE */
}"""
ASKING_ISR = "static byte canStatus();\nstatic void canInterrupt() { canCame = true; canStatus(); }"
DEEP = """byte deep(byte n) {
    volatile byte a[60];
    a[0] = n;
    byte got = n == 255 ? 0 : deep(n + 1);
    return got + a[0];
}
void setup() {"""
READS = "        while (canRead(frame)) take(frame, now);\n"


@dataclass(frozen=True)
class Wrong:
    """One mistake: what is written otherwise, in which run it shows, and what gives it away: a rule
    that breaks, words of a crash, or a watchdog that bites at a line with these words.
    """

    name: str
    changes: tuple[tuple[str, str, str], ...]
    rule: str = ""
    ends: str = ""
    bites: str = ""
    fault: str = ""
    vehicle: tuple[tuple[str, str], ...] = ()


def later(clock: str) -> tuple[tuple[str, str], ...]:
    """The node's clock has run for so long."""
    return (('target = "avr"', f'target = {{ family = "avr", clock_start = "{clock}" }}'),)


WRONG = [
    Wrong(
        "milliseconds_in_an_int",
        (("rear.ino", "unsigned long heard, lostAt", "int heard; unsigned long lostAt"),
         ("rear.ino", "    if (now - heard < LOST_AFTER) return;\n",
          "    int passed = (int)now; if (passed < heard + 250) return;\n")),
        rule="end to end", vehicle=later("32 s"),
    ),
    Wrong(
        "milliseconds_in_an_unsigned_int",
        (("rear.ino", "unsigned long heard, lostAt", "unsigned heard; unsigned long lostAt"),),
        rule="end to end", vehicle=later("64 s"),
    ),
    Wrong(
        "watchdog_bites_in_setup_after_its_reset",
        (("rear.ino", BOOT, "    delay(40);\n" + BOOT),), rule="stopped", fault="hang",
    ),
    Wrong(
        "waits_inside_an_interrupt",
        (("can_chip.h", ISR, WAITING_ISR),),
        bites="HERE",
    ),
    Wrong(
        "recursion_without_an_end",
        (("rear.ino", "void setup() {", DEEP),
         ("rear.ino", READS, READS + "        deep(0);\n")),
        ends="the stack has grown into static data",
    ),
    Wrong(
        "calls_a_handler_that_was_never_set",
        (("rear.ino", "void setup() {", "void (*volatile later)();\nvoid setup() {"),
         ("rear.ino", READS, READS + "        later();\n")),
        ends="a jump to address 0",
    ),
    Wrong(
        "one_frame_for_each_edge_of_a_level_line",
        (("rear.ino", READS, "        if (canRead(frame)) take(frame, now);\n"),
         ("can_chip.h", "volatile bool canCame = true;", "volatile bool canCame = false;"),
         ("rear.ino", "    wdt_reset();\n", "    wdt_reset();\n    delay(30);\n")),
        rule="fresh",
    ),
    Wrong(
        "a_flag_that_is_not_volatile",
        (("can_chip.h", "static volatile bool canCame", "static bool canCame"),
         ("rear.ino", NOW, "    while (!canCame) { } /* HERE */\n" + NOW)),
        bites="HERE",
    ),
    Wrong(
        "compiled_for_another_oscillator", (), rule="flash",
        vehicle=(('c = ["rear.ino"]\ntarget = "avr" ', 'image = "{elf}"\nclock = "8 MHz" '),),
    ),
    Wrong(
        "speaks_to_the_chip_in_its_interrupt_too",
        (("can_chip.h", ISR, ASKING_ISR), ("rear.ino", "BUS_EVERY = 3", "BUS_EVERY = 0")),
        ends="an interrupt sends bytes to the CAN controller",
    ),
]  # fmt: skip


def elf(folder: Path) -> str:
    """The right image, for an oscillator of 16 MHz."""
    sources = AvrSources(folder, ("rear.ino",), "atmega328p", 16_000_000, "uno")
    return str(build_image(sources)) if (folder / "rear.ino").is_file() else ""


def ran(folder: Path, wrong: Wrong, seed: int = 0):
    """The car with a mistake, and what became of a run of it."""
    files = car_from_nodes("dash,rear=image").files
    for name, content in sorted(files.items()):
        text = content.decode()
        changes = [(old, new) for file, old, new in wrong.changes if file == name]
        changes += wrong.vehicle if name == "vehicle.toml" else ()
        changes = [(old, new.replace("{elf}", elf(folder))) for old, new in changes]
        for old, new in changes:
            assert text.count(old) == 1, (name, old)
            text = text.replace(old, new)
        (folder / name).write_text(text, encoding="utf-8")
    vehicle = load_vehicle(folder / "vehicle.toml")
    table = vehicle.situations["night"]
    faults = ()
    if wrong.fault:
        made = make_fault(wrong.fault, {"node": "rear"}, vehicle)
        faults = (TimedFault(made, 1_200 * MS, 1_700 * MS if made.lasting else None),)
    scenario = Scenario(
        name="night", title="", vehicle=vehicle, situation="night", inputs=table.inputs,
        actions=tuple(TimedAction(action.at, action.set) for action in table.actions),
        faults=faults, lasts_ns=table.lasts, seed=seed,
    )  # fmt: skip
    recording = simulate(scenario)
    return recording, {each.rule for each in judge(vehicle, recording) if each.broken}


def caught(folder: Path, wrong: Wrong, seed: int = 0) -> bool:
    """Whether a run gives a mistake away by what it is, and where there is a line, by that."""
    recording, broken = ran(folder, wrong, seed)
    if wrong.ends:
        return any(each.text.startswith(wrong.ends) for each in recording.crashes)
    if wrong.bites:
        places = [each.by for each in recording.nodes["rear"] if each.cause == "watchdog"]
        return any(wrong.bites in line_of(place) for place in places)
    return wrong.rule in broken


def line_of(place: str) -> str:
    """The text of a line of source, ``file:line``."""
    file, _, number = place.rpartition(":")
    return Path(file).read_text(encoding="utf-8").splitlines()[int(number) - 1]


@pytest.mark.parametrize("vehicle", [(), later("32 s"), later("64 s")], ids=["0 s", "32 s", "64 s"])
def test_the_right_image_keeps_its_rules(tmp_path, vehicle):
    recording, broken = ran(tmp_path, Wrong("right", (), vehicle=vehicle))
    assert broken == set()
    assert recording.crashes == []


def test_an_image_that_asks_its_controller_in_each_turn_is_right_as_well(tmp_path):
    recording, broken = ran(
        tmp_path, Wrong("busy", (("rear.ino", "BUS_EVERY = 3", "BUS_EVERY = 0"),))
    )
    assert broken == set()
    assert recording.crashes == []


@pytest.mark.parametrize("fault", ["hang", "reset"])
def test_the_right_image_survives_the_faults(tmp_path, fault):
    assert ran(tmp_path, Wrong("right", (), fault=fault))[1] == set()


QUICK = ("milliseconds_in_an_int", "waits_inside_an_interrupt")


@pytest.mark.parametrize(
    "wrong",
    [
        pytest.param(each, id=each.name, marks=[] if each.name in QUICK else [pytest.mark.slow])
        for each in WRONG
    ],
)
def test_a_mistake_that_only_the_image_has_is_caught(tmp_path, wrong):
    assert caught(tmp_path, wrong)


@pytest.mark.slow
@pytest.mark.parametrize("wrong", WRONG, ids=lambda each: each.name)
def test_it_is_caught_with_nine_of_ten_seeds(tmp_path, wrong):
    found = 0
    for seed in range(10):
        folder = tmp_path / str(seed)
        folder.mkdir()
        found += caught(folder, wrong, seed)
    assert found >= 9
