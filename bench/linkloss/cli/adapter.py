"""The options of ``serve`` for a real node behind an adapter."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from linkloss.cli.common import bad, duration_ns

if TYPE_CHECKING:
    from rich.console import Console

    from linkloss.campaign.result import RunResult
    from linkloss.judge import Verdict
    from linkloss.model.loading import Vehicle
    from linkloss.scenario import TimedFault
    from linkloss.serve.endpoint import Endpoint
    from linkloss.serve.opened import OpenBus


@dataclass(frozen=True, slots=True)
class Adapter:
    """What was given. Without ``--real`` there is none, and the other options have no use."""

    real: str | None
    interface: str | None
    channel: str | None
    bitrate: int | None
    delay: str | None
    checklist: bool

    @property
    def delay_ns(self) -> int:
        """The longest way through the adapter. Raises BadInput."""
        from linkloss.serve.real import DELAY_NS  # noqa: PLC0415

        if self.real is None:
            return 0
        given = duration_ns("--delay", self.delay)
        return DELAY_NS if given is None else given

    def endpoints(self, vehicle: Vehicle, faults: Sequence[TimedFault]) -> list[Endpoint]:
        """The endpoint of the real node, if there is one. Raises BadInput for options that do not
        go together.
        """
        if self.real is None:
            for option in ("interface", "channel", "bitrate", "delay", "checklist"):
                if getattr(self, option):
                    raise bad(f"--{option}", "belongs to a real node; expected '--real NODE' too")
            return []
        if self.interface is None or self.channel is None:
            raise bad("--real", "expected '--interface' and '--channel' of the adapter too")
        rate = vehicle.bus.bit_rate
        if self.bitrate not in (None, rate):
            text = f"got {self.bitrate}; the bus of {vehicle.title} runs at {rate}"
            raise bad("--bitrate", text)
        from linkloss.serve.adapter import AdapterEndpoint  # noqa: PLC0415
        from linkloss.serve.real import ensure_real  # noqa: PLC0415

        ensure_real(vehicle, self.real, faults)
        more = {"bitrate": rate}
        return [AdapterEndpoint(self.real, self.interface, self.channel, "--real", more)]

    def warn(self, console: Console, vehicle: Vehicle, speed: float) -> None:
        """The caution, before anything runs. Raises BadInput for a speed but that of real nodes."""
        if self.real is not None and speed != 1:
            raise bad("--speed", f"got {speed:g}; '{self.real}' is real and knows only 1")
        if self.real is not None and not self.checklist:  # which begins with it
            from linkloss.report.screen import paragraph  # noqa: PLC0415
            from linkloss.serve.real import caution  # noqa: PLC0415

            paragraph(console, caution(vehicle, self.real), style="bold")

    def walk(self, console: Console, found: list[Verdict]) -> Callable[[OpenBus], object] | None:
        """The guided checklist, if it was asked for; it puts its verdicts into ``found``."""
        node = self.real
        if node is None or not self.checklist:
            return None
        from linkloss.report.screen import paragraph  # noqa: PLC0415
        from linkloss.serve.checklist import Checklist  # noqa: PLC0415
        from linkloss.wallclock import wait_seconds  # noqa: PLC0415

        def go(opened: OpenBus) -> None:
            guide = Checklist(
                opened, node, console.input, lambda text: paragraph(console, text), wait_seconds
            )
            found.extend(guide.walk())

        return go

    def account(self, console: Console, vehicle: Vehicle, result: RunResult) -> None:
        """What the run can say of the real node and what it cannot, and why not."""
        if self.real is None:
            return
        from linkloss.judge import Outcome  # noqa: PLC0415
        from linkloss.judge.reported import UNREPORTED  # noqa: PLC0415
        from linkloss.report.screen import paragraph  # noqa: PLC0415
        from linkloss.serve.real import scope  # noqa: PLC0415

        for text in scope(vehicle, self.real):
            paragraph(console, text)
        reasons: dict[str, list[str]] = {}
        for verdict in result.verdicts:
            if verdict.outcome is Outcome.NOT_EXERCISED and verdict.text:
                reasons.setdefault(verdict.text, []).append(f"{verdict.subject} ({verdict.rule})")
        for reason, rules in reasons.items():
            if reason != UNREPORTED:  # that is told already
                paragraph(console, f"Not exercised, {reason}: {', '.join(rules)}.")
