"""``linkloss check --real``: a check of a real node on the desk."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from linkloss.cli.common import (
    bad,
    check_targets,
    compiled,
    console_beside,
    duration_ns,
    load,
    write_target,
)

if TYPE_CHECKING:
    from linkloss.campaign.result import CheckReport
    from linkloss.desk.real_case import Adapter
    from linkloss.desk.real_check import Order
    from linkloss.desk.wired_node import WiredNode
    from linkloss.vehicle.loading import Vehicle

FITTING = (
    "vehicle", "real", "interface", "channel", "io", "delay", "for_", "case", "first", "only",
    "situation", "seed", "results", "resume", "json", "junit", "markdown", "save", "html", "table",
    "quiet", "verbose", "limit",
)  # fmt: skip
"""The options of a check that go with ``--real``."""


def check_on_desk(given: Mapping[str, Any]) -> int:
    """Check a real node, by the options of ``linkloss check``. Raises BadInput for options that do
    not fit, and where adapter or board cannot be used.
    """
    _ensure_fitting(given)
    targets = [given[key] for key in ("json", "junit", "markdown", "save", "html")]
    check_targets(targets)
    from linkloss.campaign.store import CaseStore, identity
    from linkloss.cli.checked import ended_like_ctrl_c
    from linkloss.desk.real_check import RealCheck, ensure_results
    from linkloss.desk.wired_node import ensure_wired
    from linkloss.live.real_node import DELAY_NS, caution
    from linkloss.problem import EXIT_INTERRUPTED
    from linkloss.report.screen import bullet, paragraph
    from linkloss.report.terminal import progress_of_check
    from linkloss.sizing.desk_wires import CAUTIONS

    ensure_results(given["results"], resume=given["resume"])
    vehicle = compiled(load(given["vehicle"]))
    node: str = given["real"]
    ensure_wired(vehicle, node)
    console = console_beside(targets[:4], given["vehicle"])
    paragraph(console, caution(vehicle, node), style="bold")
    for text in CAUTIONS:
        bullet(console, text, style="bold")
    choice = {key: given[key] for key in ("real", "seed", "only", "situation", "case")}
    path: Path | None = given["results"]
    resume: bool = given["resume"]
    store = None if path is None else CaseStore.at(path, identity(vehicle, choice), resume=resume)
    stated_ns = duration_ns("--delay", given["delay"])
    with (
        _at_the_desk(vehicle, given, DELAY_NS if stated_ns is None else stated_ns) as (
            wired,
            adapter,
        ),
        progress_of_check(quiet=given["quiet"], doing="on the desk", vehicle=vehicle) as progress,
        ended_like_ctrl_c(),
    ):
        tell = (lambda _: None) if progress is None else progress.tell
        check = RealCheck(wired, adapter, _order(given), store, tell, progress)
        report = check.run()
    _write(report, given)
    from linkloss.report.terminal import show_check

    show_check(console, report, table=given["table"], verbose=given["verbose"])
    return EXIT_INTERRUPTED if check.interrupted or check.account.stopped else report.exit_code


def _order(given: Mapping[str, Any]) -> Order:
    from linkloss.desk.real_check import Order

    for_ns = duration_ns("--for", given["for_"])
    return Order(
        seed=given["seed"],
        for_s=None if for_ns is None else for_ns / 1e9,
        only=given["only"],
        situations=given["situation"],
        case=given["case"],
        first=given["first"],
    )


def _ensure_fitting(given: Mapping[str, Any]) -> None:
    """Refuse options that mean nothing at a real node. Raises BadInput."""
    for name, value in given.items():
        if name not in FITTING and value not in (None, False):
            option = f"--{name.strip('_').replace('_', '-')}"
            raise bad(
                "--real", f"runs cases at a real node, in real time; got '{option}' beside it"
            )
    for name in ("interface", "channel", "io"):
        if given[name] is None:
            expected = "'--interface' and '--channel' of the adapter, and '--io' of the I/O board"
            raise bad("--real", f"expected {expected}")


@contextmanager
def _at_the_desk(
    vehicle: Vehicle, given: Mapping[str, Any], stated_ns: int
) -> Iterator[tuple[WiredNode, Adapter]]:
    """The board and the adapter, open. Raises BadInput if one cannot be."""
    from linkloss.desk.adapter_way import AdapterWay
    from linkloss.desk.board_link import BoardLink
    from linkloss.desk.real_case import Adapter
    from linkloss.desk.wired_node import WiredNode
    from linkloss.live.endpoints import open_adapter

    node: str = given["real"]
    rate = vehicle.bus_of(node).bit_rate
    more: dict[str, Any] = {"bitrate": rate}
    if vehicle.fd:
        more |= {"fd": True, "data_bitrate": vehicle.bus_of(node).data_bit_rate or rate}
    bus = open_adapter(given["interface"], given["channel"], "--real", more)
    try:
        with BoardLink(given["io"]) as link:
            way = AdapterWay(vehicle, node, stated_ns)
            adapter = Adapter(given["interface"], given["channel"], bus, way)
            yield WiredNode(vehicle, node, link), adapter
    finally:
        with suppress(Exception):  # an adapter that was pulled cannot close
            bus.shutdown()


def _write(report: CheckReport, given: Mapping[str, Any]) -> None:
    from linkloss.campaign.store import baseline_json
    from linkloss.report.files import write_whole
    from linkloss.report.html import check_page, render
    from linkloss.report.junit import junit_xml
    from linkloss.report.machine import check_json_parts
    from linkloss.report.markdown import check_markdown

    write_target(given["json"], lambda: check_json_parts(report))
    write_target(given["junit"], lambda: junit_xml(report))
    write_target(given["markdown"], lambda: check_markdown(report))
    write_target(given["save"], lambda: baseline_json(report))
    if given["html"] is not None:
        write_whole(given["html"], render(check_page(report, {})))
