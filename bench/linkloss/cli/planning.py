"""``linkloss plan``: whether fuses and leads suit the loads, before anybody buys cable."""

from __future__ import annotations

from pathlib import Path

from linkloss.cli.common import check_one_screen, check_targets, console_beside, write_target


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
    from linkloss.model.loading import load_vehicle  # noqa: PLC0415
    from linkloss.report.power_plan import (  # noqa: PLC0415
        lead_list,
        plan_exit_code,
        plan_json,
        show_plan,
    )
    from linkloss.shipped import demo_vehicle  # noqa: PLC0415
    from linkloss.sizing.plan import power_plan  # noqa: PLC0415

    found = power_plan(load_vehicle(demo_vehicle() if vehicle is None else vehicle))
    write_target(json, lambda: plan_json(found))
    write_target(csv, lambda: lead_list(found))
    if html is not None:
        from linkloss.report.html import write_page  # noqa: PLC0415
        from linkloss.report.power_plan_page import power_plan_page  # noqa: PLC0415

        write_page(power_plan_page(found), html)
    console = console_beside([json, csv])
    if vehicle is None:
        console.print("No vehicle file was named: this is the bundled demo vehicle.")
    show_plan(console, found)
    return plan_exit_code(found)
