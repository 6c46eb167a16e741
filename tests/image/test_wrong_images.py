"""Mistakes that only the image has: the same source is right where an int has 32 bits, where
nothing interrupts plain computing and memory has no end. Each is caught in one run of the car that
``linkloss new`` writes, and the right image keeps its rules in such runs.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from linkloss.campaign.diagnosis import diagnose
from linkloss.cli.from_nodes import car_from_nodes
from linkloss.faults.catalogue import make_fault
from linkloss.firmware.avr import AvrSources, build_image
from linkloss.judge import judge
from linkloss.scenario import Scenario, TimedAction, TimedFault
from linkloss.session import simulate
from linkloss.vehicle.loading import Vehicle, load_vehicle

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
SETUP = "void setup() {\n"
TICKS = """ISR(TIMER2_COMPA_vect) { ticks++; } /* WRITER */
void startTicks(byte top) {
    TCCR2A = 2;
    TCCR2B = 4; /* every 4 us */
    OCR2A = top;
    TIMSK2 = 2;
}
void setup() {
"""
OWN_TIME = "volatile unsigned long ticks; /* ms */\n" + TICKS
OWED = "volatile byte ticks; /* quarters of a ms */\nunsigned long quarters;\n" + TICKS
CHANGES = """void switchLoads"""
LINES = """String told[9]; /* the last lines */
void note() {
    static byte turn;
    String line = "at ";
    for (byte i = 0; i < turn * 67 % 170; i++) line += '.'; /* HERE */
    told[turn++ % 9] = line; /* HERE */
}
void setup() {
"""
KEPT = """byte kept(byte value) {
    EEAR = 5;
    EEDR = value;
    cli();
    EECR |= 1 << EEMPE;
    EECR |= 1 << EEPE;
    sei();
    %s
    EEAR = 5;
    EECR |= 1 << EERE; /* HERE */
    return EEDR;
}
void setup() {
"""
MODE = "    for (const Load &load : loads) pinMode(load.pin, OUTPUT);"
LEVELS = """    switchLoads(heard); /* the levels first, then the pins: no output twitches */
"""
WRITES = "digitalWrite(load.pin, here || (load.on && (lit || !load.flashes)));"
LOW_HORN = (
    (
        "rear.ino",
        WRITES,
        WRITES.replace("here ||", "(load.pin == 8) != (here ||").replace("));", ")));"),
    ),
)
LOW_PIN = (("\nhorn = 8\n", '\nhorn = { pin = 8, active = "low" }\n'),)
RESETS_AT = 'brown_out = "5.6 V"\n\n[supply]'
NOW_IS = "    unsigned long now = millis();\n    if"
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


def detector(level: str) -> tuple[tuple[str, str], ...]:
    """The level of the brown-out detector, in place of the voltage that the file had."""
    return (
        ('board = "uno"\n', f'board = "uno"\nfuses = {{ brown_out = "{level}" }}\n'),
        (RESETS_AT, "\n[supply]"),
    )


WRONG = [
    Wrong(
        "milliseconds_in_an_int",
        (("rear.ino", "unsigned long heard, lostAt", "int heard; unsigned long lostAt"),
         ("rear.ino", "    if (now - heard < LOST_AFTER) return;\n",
          "    int passed = (int)now; if (passed < heard + 250) return; /* HERE */\n")),
        rule="end to end", vehicle=later("32 s"),
    ),
    Wrong(
        "milliseconds_in_an_unsigned_int",
        (("rear.ino", "unsigned long heard, lostAt", "unsigned heard; unsigned long lostAt"),
         ("rear.ino", "    if (now - heard < LOST_AFTER) return;\n",
          "    if (now - heard < LOST_AFTER) return; /* HERE */\n")),
        rule="end to end", vehicle=later("64 s"),
    ),
    Wrong(
        "watchdog_bites_in_setup_after_its_reset",
        (("rear.ino", BOOT, "    delay(40); /* HERE */\n" + BOOT),), rule="program", bites="HERE",
        fault="hang",
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
    Wrong(
        "a_time_of_four_bytes_read_while_its_interrupt_writes_it",
        (("rear.ino", SETUP, OWN_TIME),
         ("rear.ino", BOOT, "    startTicks(249);\n    heard = 0;\n"),
         ("rear.ino", NOW_IS, "    unsigned long now = ticks; /* HERE */\n    if"),
         *((("rear.ino", f"    {name}(now);\n", f"    {name}(ticks); /* HERE */\n"))
           for name in ("watchLink", "switchLoads", "sendStatus"))),
        ends="'ticks' is read in pieces",
    ),
    Wrong(
        "an_update_that_is_lost_between_interrupt_and_loop",
        (("rear.ino", SETUP, OWED), ("rear.ino", BOOT, "    startTicks(61);\n" + BOOT),
         ("rear.ino", NOW_IS, "    while (ticks) { ticks--; quarters++; } /* HERE */\n" + NOW_IS)),
        ends="an interrupt changes 'ticks' between the instructions",
    ),
    Wrong(
        "a_heap_that_fragments_by_strings",
        (("rear.ino", SETUP, LINES),
         ("rear.ino", READS, READS + "        note();\n")),
        ends="the heap has no room",
    ),
    Wrong(
        "eeprom_read_before_it_is_ready",
        (("rear.ino", SETUP, KEPT % ""),
         ("rear.ino", READS, READS + "        kept(count);\n")),
        ends="the EEPROM is read before",
    ),
    Wrong(
        "a_pin_that_is_an_output_before_it_has_its_level",
        (*LOW_HORN, ("rear.ino", LEVELS, ""),
         ("rear.ino", MODE, MODE + " /* HERE */\n" + LEVELS.rstrip())),
        ends="pin PB0 becomes an output before it has its level", vehicle=LOW_PIN,
    ),
    Wrong(
        "no_brown_out_detector_in_a_dip", (), rule="end to end",
        fault="brown_out", vehicle=detector("off"),
    ),
]  # fmt: skip


def elf(folder: Path) -> str:
    """The right image, for an oscillator of 16 MHz."""
    sources = AvrSources(folder, ("rear.ino",), "atmega328p", 16_000_000, "uno")
    return str(build_image(sources)) if (folder / "rear.ino").is_file() else ""


def write_car(folder: Path, wrong: Wrong) -> Vehicle:
    """The car with a mistake."""
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
    return load_vehicle(folder / "vehicle.toml")


def story(vehicle: Vehicle, wrong: Wrong, seed: int) -> Scenario:
    """The run in which a mistake shows."""
    table = vehicle.situations["night"]
    faults = ()
    if wrong.fault:
        dip = {"profile": "momentary_drop"}
        hit = dip if wrong.fault == "brown_out" else {"node": "rear"}
        made = make_fault(wrong.fault, hit, vehicle)
        faults = (TimedFault(made, 1_200 * MS, 1_700 * MS if made.lasting else None),)
    return Scenario(
        name="night", title="", vehicle=vehicle, situation="night", inputs=table.inputs,
        actions=tuple(TimedAction(action.at, action.set) for action in table.actions),
        faults=faults, lasts_ns=table.lasts, seed=seed,
    )  # fmt: skip


def ran(folder: Path, wrong: Wrong, seed: int = 0):
    """What became of a run of the car with a mistake: its recording, and the rules that broke."""
    scenario = story(write_car(folder, wrong), wrong, seed)
    recording = simulate(scenario)
    return recording, {each.rule for each in judge(scenario.vehicle, recording) if each.broken}


def caught(folder: Path, wrong: Wrong, seed: int = 0) -> bool:
    """Whether a run gives a mistake away by all that it is known by, with a line that is marked if
    one is: of a crash, of the watchdog's bite, or of the cause of the rule that broke.
    """
    scenario = story(write_car(folder, wrong), wrong, seed)
    recording = simulate(scenario)
    marked = any("HERE" in new for _, _, new in wrong.changes)
    if wrong.ends:
        ends = [each for each in recording.crashes if each.text.startswith(wrong.ends)]
        return any("HERE" in line_of(each.where) or not marked for each in ends)
    broken = [each for each in judge(scenario.vehicle, recording) if each.broken]
    of_rule = [each for each in broken if each.rule == wrong.rule]
    if wrong.bites:
        places = [each.by for each in recording.nodes["rear"] if each.cause == "watchdog"]
        there = any(wrong.bites in line_of(place) for place in places)
        return there and (bool(of_rule) or not wrong.rule)
    if not of_rule or not marked:
        return bool(of_rule)
    return "HERE" in line_of(diagnose(scenario, of_rule[0].subject, wrong.rule).where)


def line_of(place: str) -> str:
    """The text of a line of source, ``file:line``; empty where there is none."""
    if not place:
        return ""
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


ATOMIC = "    noInterrupts();\n    %s\n    interrupts();\n"
RIGHT = [
    Wrong(
        "a_time_of_four_bytes_read_with_interrupts_off",
        (("rear.ino", SETUP, OWN_TIME),
         ("rear.ino", BOOT, "    startTicks(249);\n    heard = 0;\n"),
         ("rear.ino", NOW_IS,
          ATOMIC % "unsigned long now = ticks;" + "    if")),
    ),
    Wrong(
        "an_update_with_interrupts_off",
        (("rear.ino", SETUP, OWED), ("rear.ino", BOOT, "    startTicks(61);\n" + BOOT),
         ("rear.ino", NOW_IS, ATOMIC % "quarters += ticks; ticks = 0;" + NOW_IS)),
    ),
    Wrong(
        "strings_that_have_their_room",
        (("rear.ino", SETUP, LINES.replace("turn * 67 % 170", "20")),
         ("rear.ino", READS, READS + "        note();\n")),
    ),
    Wrong(
        "eeprom_that_is_waited_for",
        (("rear.ino", SETUP, KEPT % "while (EECR & 1 << EEPE) { }"),
         ("rear.ino", "    wdt_reset();\n",
          "    wdt_reset();\n    if (count == 3) kept(count);\n")),
    ),
    Wrong("a_pin_that_has_its_level_first", LOW_HORN, vehicle=LOW_PIN),
    Wrong(
        "a_brown_out_detector_in_a_dip", (), fault="brown_out", vehicle=detector("4.3 V"),
    ),
]  # fmt: skip


@pytest.mark.parametrize("right", RIGHT, ids=lambda each: each.name)
def test_a_right_image_that_does_the_same_keeps_its_rules(tmp_path, right):
    recording, broken = ran(tmp_path, right)
    assert recording.crashes == []
    assert broken == set()


@pytest.mark.slow
@pytest.mark.parametrize("right", [Wrong("right", ()), *RIGHT], ids=lambda each: each.name)
def test_a_right_image_keeps_its_rules_with_ten_seeds(tmp_path, right):
    for seed in range(10):
        recording, broken = ran(tmp_path, right, seed)
        assert recording.crashes == [], seed
        assert broken == set(), seed


@pytest.mark.parametrize("fault", ["hang", "reset"])
def test_the_right_image_survives_the_faults(tmp_path, fault):
    assert ran(tmp_path, Wrong("right", (), fault=fault))[1] == set()


QUICK = (
    "milliseconds_in_an_int", "waits_inside_an_interrupt", "no_brown_out_detector_in_a_dip",
    "an_update_that_is_lost_between_interrupt_and_loop", "eeprom_read_before_it_is_ready",
    "a_pin_that_is_an_output_before_it_has_its_level",
)  # fmt: skip


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
