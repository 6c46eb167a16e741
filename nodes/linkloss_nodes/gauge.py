"""The gauge: tell-tales and warning lamps in front of the driver.

A tell-tale shows what another node does and is dark when that is not known. A warning lamp fails
the other way round: without word from the node that watches it is lit. It is lit after a start too,
until the first message, and so shows the driver that it works.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from linkloss_nodes.api import SettingsError, read_settings
from linkloss_nodes.power import PowerNode, PowerSettings

LIT_IN_DOUBT = {"on_stale": "on", "on_reset": "on"}


@dataclass(frozen=True)
class GaugeSettings:
    """The settings of a gauge, times in ms.

    ``tell_tales`` and ``warnings`` hold lamps by name, as in ``FeedSettings``; a warning lamp is
    lit when stale and after a reset unless it says otherwise. ``sleep`` as in ``PowerSettings``.
    """

    status: Any
    tell_tales: Mapping[str, Any] = field(default_factory=dict)
    warnings: Mapping[str, Any] = field(default_factory=dict)
    watchdog_ms: int = 200
    min_gap_ms: float = 10
    flash: Any = field(default_factory=dict)
    sleep: Any = None

    def __post_init__(self) -> None:
        for name in self.warnings:
            if name in self.tell_tales:
                raise SettingsError(f"warnings.{name}", f"'{name}' is a tell-tale already")


class GaugeNode(PowerNode):
    """A gauge's program: a power node whose feeds are lamps."""

    @staticmethod
    def check_settings(settings: Mapping[str, Any]) -> PowerSettings:
        """Read the settings. Raises SettingsError."""
        gauge = read_settings(GaugeSettings, settings)
        warnings = {name: {**LIT_IN_DOUBT, **lamp} for name, lamp in gauge.warnings.items()}
        return PowerSettings(
            outputs={**gauge.tell_tales, **warnings},
            status=gauge.status,
            watchdog_ms=gauge.watchdog_ms,
            min_gap_ms=gauge.min_gap_ms,
            flash=gauge.flash,
            sleep=gauge.sleep,
        )
