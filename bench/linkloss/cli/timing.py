"""``linkloss timing``: whether a message plan is fast enough."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from linkloss.cli.common import Verbose, Words, bad, check_targets

if TYPE_CHECKING:
    from linkloss.model.loading import Vehicle
    from linkloss.scenario import Scenario


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
    from linkloss.campaign.timing import timing as work_out  # noqa: PLC0415
    from linkloss.report.timing import show_timing  # noqa: PLC0415
    from linkloss.timing.analysis import BIT_RATES  # noqa: PLC0415

    loaded = _load(vehicle)
    names = ["all"] if (plot or html) and not (situation or scenario) else situation or []
    runs = [*_situations(loaded, names), *_scenarios(loaded, scenario or [])]
    report = work_out(loaded, scenarios=runs, bit_rates=[*BIT_RATES, *rates])
    if json is not None:
        from linkloss.report.timing_json import timing_json  # noqa: PLC0415

        _write(json, timing_json(report))
    if plot is not None:
        from linkloss.report.response_plot import response_plot  # noqa: PLC0415

        _write(plot, response_plot(report))
    if html is not None:
        from linkloss.report.html import write_page  # noqa: PLC0415
        from linkloss.report.timing_page import timing_page  # noqa: PLC0415

        write_page(timing_page(report), html)
    from linkloss.report.screen import make_console  # noqa: PLC0415

    console = make_console()
    if vehicle is None:
        console.print("No vehicle file was named: this is the bundled demo vehicle.")
    show_timing(console, report, verbose=verbose)
    return report.exit_code


def _load(vehicle: Path | None) -> Vehicle:
    from linkloss.model.loading import load_vehicle  # noqa: PLC0415
    from linkloss.shipped import demo_vehicle  # noqa: PLC0415

    return load_vehicle(demo_vehicle() if vehicle is None else vehicle)


def _write(path: Path, text: str) -> None:
    from linkloss.report.files import write_whole  # noqa: PLC0415

    write_whole(path, text)


def _rate(text: str) -> int:
    from linkloss.model.units import parse_bit_rate  # noqa: PLC0415

    try:
        return parse_bit_rate(text)
    except ValueError as error:
        raise bad("--bit-rate", str(error)) from None


def _situations(vehicle: Vehicle, names: list[str]) -> list[Scenario]:
    from linkloss.campaign.timing import plain_run  # noqa: PLC0415
    from linkloss.model.problem import unknown  # noqa: PLC0415

    if names == ["all"]:
        names = list(vehicle.situations)
        if not names:
            raise bad("--situation", f"{vehicle.path} declares no situation to run")
    for name in names:
        if name not in vehicle.situations:
            raise bad("--situation", unknown("situation", name, [*vehicle.situations, "all"]))
    return [plain_run(vehicle, name) for name in names]


def _scenarios(vehicle: Vehicle, paths: list[str]) -> list[Scenario]:
    from linkloss.scenario import load_scenario  # noqa: PLC0415

    found = [load_scenario(path) for path in paths]
    for path, scenario in zip(paths, found, strict=True):
        if scenario.vehicle.path.resolve() != vehicle.path.resolve():
            text = f"it is a scenario of {scenario.vehicle.path}, not of {vehicle.path}"
            raise bad(f"--scenario {path}", text)
    return found
