"""``linkloss plan`` and ``linkloss timing``: before anything is bought or soldered.

``linkloss plan``: whether fuses and leads suit the loads, before anybody buys cable.

``linkloss timing``: whether a message plan is fast enough.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from linkloss.cli.common import (
    Verbose,
    Words,
    bad,
    check_one_screen,
    check_targets,
    console_beside,
    write_target,
)

if TYPE_CHECKING:
    from linkloss.scenario import Scenario
    from linkloss.vehicle.loading import Vehicle


def timing(
    vehicle: Path | None = None,
    /,
    *,
    situation: Words = None,
    scenario: Words = None,
    bit_rate: Words = None,
    json: Path | None = None,
    plot: Path | None = None,
    html: Path | None = None,
    verbose: Verbose = False,
) -> int:
    """Work out every message's worst-case response time, and the bus load.

    Parameters
    ----------
    vehicle
        The vehicle file. Default: the bundled demo vehicle, Wren.
    situation
        Run these situations without a fault and hold their response times against the bounds;
        'all' stands for all of them.
    scenario
        Run these scenario files for the same purpose.
    bit_rate
        Further bit rates to look at, such as "83.333 kbit/s".
    json
        Write every message at every bit rate as JSON to this file.
    plot
        Draw the response times seen beside their bounds into this SVG file. Runs all situations
        unless told which.
    html
        Write tables and picture as one HTML file that opens offline.
    verbose
        A table of all messages for every bit rate.
    """
    check_targets([json, plot, html])
    rates = [_rate(text) for text in bit_rate or ()]
    from linkloss.report.timing_report import show_timing
    from linkloss.sizing.analysis import BIT_RATES
    from linkloss.sizing.observed import timing as work_out

    loaded = _load(vehicle)
    names = ["all"] if (plot or html) and not (situation or scenario) else situation or []
    runs = [*_situations(loaded, names), *_scenarios(loaded, scenario or [])]
    report = work_out(loaded, scenarios=runs, bit_rates=[*BIT_RATES, *rates])
    if json is not None:
        from linkloss.report.timing_report import timing_json

        _write(json, timing_json(report))
    if plot is not None:
        from linkloss.report.timing_report import response_plot

        _write(plot, response_plot(report))
    if html is not None:
        from linkloss.report.html import write_page
        from linkloss.report.timing_report import timing_page

        write_page(timing_page(report), html)
    from linkloss.report.screen import make_console

    console = make_console()
    if vehicle is None:
        console.print("No vehicle file was named: this is the bundled demo vehicle.")
    show_timing(console, report, verbose=verbose)
    return report.exit_code


def _load(vehicle: Path | None) -> Vehicle:
    from linkloss.shipped import demo_vehicle
    from linkloss.vehicle.loading import load_vehicle

    return load_vehicle(demo_vehicle() if vehicle is None else vehicle)


def _write(path: Path, text: str) -> None:
    from linkloss.report.files import write_whole

    write_whole(path, text)


def _rate(text: str) -> int:
    from linkloss.units import parse_bit_rate

    try:
        return parse_bit_rate(text)
    except ValueError as error:
        raise bad("--bit-rate", str(error)) from None


def _situations(vehicle: Vehicle, names: list[str]) -> list[Scenario]:
    from linkloss.problem import unknown
    from linkloss.sizing.observed import plain_run

    if names == ["all"]:
        names = list(vehicle.situations)
        if not names:
            raise bad("--situation", f"{vehicle.path} declares no situation to run")
    for name in names:
        if name not in vehicle.situations:
            raise bad("--situation", unknown("situation", name, [*vehicle.situations, "all"]))
    return [plain_run(vehicle, name) for name in names]


def _scenarios(vehicle: Vehicle, paths: list[str]) -> list[Scenario]:
    from linkloss.scenario import load_scenario

    found = [load_scenario(path) for path in paths]
    for path, scenario in zip(paths, found, strict=True):
        if scenario.vehicle.path.resolve() != vehicle.path.resolve():
            text = f"it is a scenario of {scenario.vehicle.path}, not of {vehicle.path}"
            raise bad(f"--scenario {path}", text)
    return found


def plan(
    vehicle: Path | None = None,
    /,
    *,
    json: Path | None = None,
    csv: Path | None = None,
    html: Path | None = None,
) -> int:
    """Look at every fuse, lead and feed of a vehicle, and at what it draws asleep.

    Parameters
    ----------
    vehicle
        The vehicle file. Default: the bundled demo vehicle, Wren.
    json
        Write everything as JSON to this file; '-' stands for the standard output.
    csv
        Write the lead list (from, to, colour, size, length, fuse) as CSV; '-' stands for the
        standard output.
    html
        Write the plan as one HTML file that opens offline.
    """
    check_one_screen([json, csv])
    check_targets([json, csv, html])
    from linkloss.report.power_report import lead_list, plan_exit_code, plan_json, show_plan
    from linkloss.shipped import demo_vehicle
    from linkloss.sizing.power_plan import power_plan
    from linkloss.vehicle.loading import load_vehicle

    found = power_plan(load_vehicle(demo_vehicle() if vehicle is None else vehicle))
    write_target(json, lambda: plan_json(found))
    write_target(csv, lambda: lead_list(found))
    if html is not None:
        from linkloss.report.html import write_page
        from linkloss.report.power_report import power_plan_page

        write_page(power_plan_page(found), html)
    console = console_beside([json, csv])
    if vehicle is None:
        console.print("No vehicle file was named: this is the bundled demo vehicle.")
    show_plan(console, found)
    return plan_exit_code(found)
