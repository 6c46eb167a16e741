"""Fault confinement: the two error counters of a controller and the state that follows.

The rules are those of Bosch CAN Specification 2.0, part B section 8; the numbers in the docstrings
are its rule numbers.
"""

from __future__ import annotations

from enum import Enum

WARNING_LEVEL = 96
"""Error-warning level (common to controllers; Bosch CAN 2.0 says "about 96")."""

PASSIVE_LEVEL = 128
BUS_OFF_LEVEL = 256


class ErrorState(Enum):
    """Where a controller stands in fault confinement."""

    ACTIVE = "error-active"
    PASSIVE = "error-passive"
    BUS_OFF = "bus-off"


class Confinement:
    """TEC, REC and the error state."""

    __slots__ = ("rec", "state", "tec")

    def __init__(self) -> None:
        self.tec = 0
        self.rec = 0
        self.state = ErrorState.ACTIVE

    @property
    def warning(self) -> bool:
        """Whether a counter stands at the error-warning level of 96 or above."""
        return self.tec >= WARNING_LEVEL or self.rec >= WARNING_LEVEL

    def count_sent(self) -> None:
        """Rule 7: a frame was sent without an error, TEC goes down by one. TEC must not be 0."""
        self.tec -= 1
        if self.tec == PASSIVE_LEVEL - 1:
            self.refresh_state()

    def count_transmit_error(self) -> None:
        """Rule 3: an error flag was sent as transmitter, TEC goes up by eight."""
        self.tec += 8
        self.refresh_state()

    def count_received(self) -> None:
        """Rule 8: a frame was received without an error, REC goes down by one. It must not be 0.

        From above 127 it is set to 127; the rule allows any value from 119 to 127.
        """
        if self.rec >= PASSIVE_LEVEL:
            self.rec = PASSIVE_LEVEL - 1
            self.refresh_state()
        else:
            self.rec -= 1

    def count_receive_error(self, amount: int = 1) -> None:
        """Rules 1 and 2. Above 127 the counter need not go on counting (addendum), so it stops."""
        if self.rec < PASSIVE_LEVEL:
            self.rec += amount
            self.refresh_state()

    def refresh_state(self) -> None:
        """Rules 9 to 11: derive the state from the counters. Bus-off ends only by rule 12."""
        if self.tec >= BUS_OFF_LEVEL:
            state = ErrorState.BUS_OFF
        elif self.tec >= PASSIVE_LEVEL or self.rec >= PASSIVE_LEVEL:
            state = ErrorState.PASSIVE
        else:
            state = ErrorState.ACTIVE
        if state is not self.state and self.state is not ErrorState.BUS_OFF:
            self.state = state
            self.state_changed()

    def reset_counters(self) -> None:
        """Both counters at zero and error-active: rule 12, or a controller switched on."""
        self.tec = self.rec = 0
        self.state = ErrorState.ACTIVE

    def state_changed(self) -> None:
        """Called after each change of the state that the counters brought about."""
