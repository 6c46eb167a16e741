"""Which lines of a firmware ran: over all lives and processes of a check, and which never did."""

from __future__ import annotations

from c_cars import c_car
from c_life import firmware
from demo_cases import narrow
from life_car import run

from linkloss.campaign.check import check
from linkloss.firmware.build import BuildOptions
from linkloss.firmware.coverage import counting, lines_run, ranges

PROGRAM = """\
static uint8_t starts;
void setup(void) {
    board_memory_read(0, &starts, 1);
    starts++;
    board_memory_write(0, &starts, 1);
    if (starts == 1)
        puts("second life");
    if (starts == 9)
        puts("never");
}
void loop(void) { board_delay_ms(10); }
"""


def test_lines_of_every_life_count_and_the_rest_is_missed(tmp_path):
    with counting() as folder:
        unit = firmware(tmp_path, PROGRAM, options=BuildOptions(coverage=folder))
        run(unit, ("reset", 100, None))
        (source,) = lines_run(folder, [unit.path])
    assert source.missed == (9,)
    assert 7 in source.ran


def test_a_check_adds_up_what_its_processes_ran(tmp_path):
    with counting() as folder:
        vehicle = c_car(tmp_path, build=BuildOptions(coverage=folder))
        program = [vehicle.programs["rear"].path]
        check(vehicle, case="parked/none", jobs=1)
        (few,) = lines_run(folder, program)
        narrow(vehicle, ["none", "bus_off"], ["turning"], "rear")
        (more,) = lines_run(folder, program)
    assert set(few.ran) < set(more.ran)
    assert few.file.endswith("rear.c")


def test_lines_are_told_as_ranges():
    assert ranges((3, 4, 5, 9, 11, 12)) == "3-5, 9, 11-12"
