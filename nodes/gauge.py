"""The gauge: warning lamps and tell-tales in front of the driver.

Its lamps are feeds like any other. What makes a gauge is the other way of failing: a warning lamp
that nobody controls is lit, and lit after a start until the first message, which shows the driver
that it works.
"""

from __future__ import annotations

from nodes.power import PowerNode


class GaugeNode(PowerNode):
    """A gauge's program."""
