"""``linkloss plan`` and ``linkloss timing``: checks before anything is bought or soldered.

``plan`` tells whether fuses and leads suit the loads, ``timing`` whether a message plan is fast
enough.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from linkloss.cli.common import (
    Verbose,
    Words,
    bad,
    bit_rate_of,
    check_targets,
    console_beside,
    load,
    refuse,
    write_target,
)
from linkloss.problem import EXIT_BROKEN

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
    bus: str | None = None,
    verbose: Verbose = False,
) -> int:
    """Work out every message's worst-case response time, and the bus load.

    Reading the vehicle file imports its programs in Python: open only files that you trust.

    Parameters
    ----------
    vehicle
        The vehicle file. Default: the bundled demo vehicle, Wren.
    situation
        Run these situations without a fault and compare their response times with the bounds;
        'all' stands for all of them.
    scenario
        Run these scenario files for the same purpose.
    bit_rate
        More bit rates to look at, such as "83.333 kbit/s".
    json
        Write every message at every bit rate as JSON to this file.
    plot
        Draw the observed response times beside their bounds into this SVG file. Runs all
        situations unless told which.
    html
        Write tables and picture as one HTML file that opens offline.
    bus
        Of several buses only this one. Default: one after another. What is written to a file is of
        one bus.
    verbose
        Show a table of all messages for every bit rate.
    """
    check_targets([json, plot, html])
    rates = [bit_rate_of("--bit-rate", text) or 0 for text in bit_rate or ()]
    from linkloss.report.timing_report import (
        response_plot,
        show_timing,
        timing_json,
        timing_page,
    )
    from linkloss.sizing.analysis import BIT_RATES
    from linkloss.sizing.observed import timing as work_out

    loaded = load(vehicle)
    buses = _buses(loaded, bus, files=bool(json or plot or html))
    names = ["all"] if (plot or html) and not (situation or scenario) else situation or []
    runs = [*_situations(loaded, names), *_scenarios(loaded, scenario or [])]
    reports = [
        work_out(loaded, scenarios=runs, bit_rates=[*BIT_RATES, *rates], bus=name) for name in buses
    ]
    report = reports[0]
    write_target(json, lambda: timing_json(report))
    write_target(plot, lambda: response_plot(report))
    if html is not None:
        from linkloss.report.html import write_page

        write_page(timing_page(report), html)
    for one in reports:
        show_timing(console_beside([json, plot], vehicle), one, verbose=verbose)
    codes = [one.exit_code for one in reports]
    return EXIT_BROKEN if EXIT_BROKEN in codes else max(codes)


def _buses(vehicle: Vehicle, bus: str | None, *, files: bool) -> list[str]:
    from linkloss.problem import unknown

    known = [*vehicle.file.bus]
    if bus is not None and (len(known) == 1 or bus not in known):
        text = unknown("bus", bus, known) if len(known) > 1 else "the car has one bus only"
        raise bad("--bus", text)
    if bus is None and files and len(known) > 1:
        text = f"a file is of one bus; expected one of: {', '.join(known)}"
        raise bad("--bus", text)
    return known if bus is None else [bus]


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
    plot: Path | None = None,
    suggest: Path | None = None,
    drawing: Path | None = None,
) -> int:
    """Look at every fuse, lead and feed of a vehicle, and at the current that it draws asleep.

    Reading the vehicle file imports its programs in Python: open only files that you trust.

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
    plot
        Draw the circuit from the battery to each load, with what has to be changed, into this SVG
        file: a sheet of A4.
    suggest
        Write the sizes of fuses, leads and grounds that satisfy the rules as a patch to the vehicle
        file, and show what to buy; '-' stands for the standard output. The vehicle file stays.
    drawing
        Draw the wires between a node on the desk and its I/O board ('[io.NODE]') into this SVG
        file.
    """
    check_targets([json, csv, html, plot, suggest, drawing])
    from linkloss.report.circuit_picture import circuit_drawing
    from linkloss.report.desk_drawing import show_wires, wires_drawing
    from linkloss.report.power_report import (
        lead_list,
        plan_exit_code,
        plan_json,
        power_plan_page,
        show_plan,
    )
    from linkloss.sizing.desk_wires import desk_wires
    from linkloss.sizing.power_plan import power_plan

    loaded = load(vehicle)
    found = power_plan(loaded)
    wires = [desk_wires(loaded, node) for node in loaded.io]
    refuse(
        (bool(drawing) and not wires, "--drawing", f"{loaded.path} has no table '[io.NODE]'"),
        (bool(drawing) and len(wires) > 1, "--drawing", "draws one node, and there are several"),
    )
    write_target(drawing, lambda: wires_drawing(wires[0]))
    write_target(json, lambda: plan_json(found))
    write_target(csv, lambda: lead_list(found))
    write_target(plot, lambda: circuit_drawing(found))
    if html is not None:
        from linkloss.report.html import write_page

        write_page(power_plan_page(found), html)
    console = console_beside([json, csv, plot, suggest, drawing], vehicle)
    for each in wires:
        show_wires(console, each)
    if suggest is None:
        show_plan(console, found)
    else:
        from linkloss.sizing.suggest import suggest as sized

        suggestion = sized(found.vehicle)
        write_target(suggest, lambda: suggestion.patch)
        show_plan(console, found, suggestion, str(suggest))
    return plan_exit_code(found)
