"""Why a controller does not accept a frame for sending."""

from __future__ import annotations


class TransmitError(Exception):
    """A frame was not accepted for sending.

    TransmitError
     +-- MailboxesFull   every transmit mailbox holds a frame
     +-- BusOff          the controller is bus-off
     +-- NotSending      the controller is switched off, only listens, or has no bus
     +-- NotClassical    a CAN FD frame, and the controller knows classical frames only
    """


class MailboxesFull(TransmitError):  # noqa: N818
    """Every transmit mailbox holds a frame."""


class BusOff(TransmitError):  # noqa: N818
    """The controller is bus-off and takes no part until it has recovered."""


class NotSending(TransmitError):  # noqa: N818
    """The controller is switched off, only listens, or has no bus."""


class NotClassical(TransmitError, ValueError):  # noqa: N818
    """A CAN FD frame, and the controller knows classical frames only: a mistake in the program."""
