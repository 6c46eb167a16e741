"""The six mistakes of a beginner: the first five lines of a check name the cause and the remedy.

A misspelled import, a wrong chip select, a wrong oscillator, an endless loop, no way back from
bus-off, no time-out; in C, as a sketch, as a script and in Python, where they apply.
"""

from __future__ import annotations

from io import StringIO

import pytest
from base_power import HomeRear
from c_cars import REAR_C, c_car
from demo_cases import narrow
from script_cars import REAR_SCRIPT, REAR_SKETCH, script_car, sketch_car
from variants import Variant
from wrong_cars import car
from wrong_list import every

from linkloss.campaign.causes import diagnose_findings
from linkloss.campaign.stories import Stories
from linkloss.report.findings import Told
from linkloss.report.terminal import make_console, show_check

HUNG = "the program of node rear hung"
ENDED = ("the program of node rear ended", "mend that line")
OFF = "the controller of node rear did not come back from bus-off"
SILENT = ("once LampRequest no longer comes", "note when the last good message came")
NEVER_ON = "node rear never took part on the bus"
NAMED = {
    "script/misspelled_import": ENDED,
    "sketch/chip_select_of_another_shield": (NEVER_ON, "compare chip select"),
    "sketch/registers_of_an_8_mhz_board": (NEVER_ON, "compare chip select, oscillator"),
    "script/bit_timing_of_another_car": (NEVER_ON, "interface, channel and bitrate"),
    "c/never_recovers": (OFF, "board_can_recover()"),
    "script/never_recovers": (OFF, "board.recover_bus()"),
    "python/NeverRecovers": (OFF, "ask the controller to recover"),
    "c/no_time_out": SILENT,
    "sketch/no_time_out": SILENT,
    "script/no_time_out": SILENT,
    "python/NoTimeout": SILENT,
}
QUICK = ("sketch/chip_select_of_another_shield", "python/NeverRecovers", "c/no_time_out")


def first_lines(report) -> list[str]:
    """The first five lines of the screen, as the check prints them without shrinking."""
    told = Told(diagnoses=diagnose_findings(report, Stories(), jobs=1, limit_s=20))
    stream = StringIO()
    show_check(make_console(stream, 80), report, told=told)
    lines = stream.getvalue().splitlines()
    first = next(n for n, line in enumerate(lines) if "rules broken, by" in line)
    return lines[
        first : first + 4
    ]  # the car's name, before it, is one line where its path is short


def assert_named(report, cause: str, remedy: str) -> None:
    """The cause in what broke and why, and the beginning of the remedy."""
    text = " ".join(line.strip() for line in first_lines(report))
    assert cause in text, text
    assert remedy in text, text


PARAMS = [pytest.param(name, marks=() if name in QUICK else pytest.mark.slow) for name in NAMED]


@pytest.mark.parametrize("name", PARAMS)
def test_cause_and_remedy_stand_in_the_first_five_lines(tmp_path, name):
    (found,) = [each for each in every() if f"{each.group}/{each.name}" == name]
    assert_named(found.check(tmp_path), *NAMED[name])


class LoopsForEver(HomeRear):
    """Waits for a flag that nobody sets while it does, until its watchdog bites."""

    def loop(self) -> None:
        while self.board.cause == "power-up":
            pass
        super().loop()


FOREVER = {
    "c": ("void loop(void)\n{\n", "void loop(void)\n{\n    for (;;)\n        ;\n"),
    "sketch": ("void loop()\n{\n", "void loop()\n{\n    for (;;)\n        ;\n"),
    "script": ("    switch(time.monotonic())\n", "    while True:\n        pass\n"),
}
MADE = {
    "c": (REAR_C, c_car),
    "sketch": (REAR_SKETCH, sketch_car),
    "script": (REAR_SCRIPT, script_car),
}


@pytest.mark.parametrize(
    "kind",
    [
        "python",
        pytest.param("script", marks=pytest.mark.slow),
        "c",
        pytest.param("sketch", marks=pytest.mark.slow),
    ],
)
def test_an_endless_loop_is_named_with_its_line(tmp_path, monkeypatch, kind):
    monkeypatch.setattr("linkloss.firmware.guard.LOOP_TICKS", 5)  # a second, not two
    if kind == "python":
        vehicle = car({"rear": LoopsForEver})
    else:
        source, made = MADE[kind]
        variant = Variant("forever", (FOREVER[kind],), "none", "parked", "rear", "program")
        vehicle = made(tmp_path, variant.written(source, tmp_path))
    report = narrow(vehicle, ["none"], ["parked"])
    remedy = "give recv() a timeout" if kind == "script" else "give every wait an end"
    assert_named(report, HUNG, remedy)
    assert_named(report, "test_first_lines.py:" if kind == "python" else "forever.", remedy)
