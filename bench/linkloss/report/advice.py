"""The cause of what broke in words: what happened at which node, and what to look at there.

The advice is in the terms of the program at hand: a program in C on ``board.h``, a sketch on its
CAN library, a script on python-can, a Python node on its board.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from rich.console import Console

from linkloss.campaign.mechanism import Diagnosis, Mechanism
from linkloss.report.screen import hanging, shortened
from linkloss.session.watched import Repair
from linkloss.vehicle.loading import Vehicle

C, SKETCH, SCRIPT, PYTHON = "C", "sketch", "script", "Python node"


def kind_of_program(vehicle: Vehicle, node: str) -> str:
    """What a node's program is written as."""
    table = vehicle.nodes.get(node)
    if table is None:
        return PYTHON
    if any(Path(source).suffix == ".ino" for source in table.c):
        return SKETCH
    return C if table.c else SCRIPT if table.script else PYTHON


def why(diagnosis: Diagnosis) -> str:
    """What went another way than in a right car, in a sentence without its full stop."""
    found = diagnosis
    told = _WHY[found.mechanism].format(
        node=f"node {found.node}" if found.node else "a node",
        message=found.message or "its message",
        where=f" at {_place(found.where)}" if found.where else "",
        text=f": {found.text}" if found.text else "",
    )
    if found.mechanism is Mechanism.ACCEPTED and found.repair is not None:
        told = f"node {found.node} acted on {_ACCEPTED[found.repair].format(found.message)}"
    if found.mechanism is Mechanism.ROLLED_OVER and found.where:
        told += f", and its program goes another way at {_place(found.where)}"
    if found.mechanism is Mechanism.SENT_WRONG and not found.message:
        told = f"node {found.node} sends a frame that is none of its messages"
    return told


def proof(diagnosis: Diagnosis) -> str:
    """How the cause was confirmed, in a sentence without its full stop; "" if it was seen."""
    if diagnosis.repair is not None:
        return f"run again, the rule is kept when {diagnosis.repair.value}"
    if diagnosis.mechanism is Mechanism.ROLLED_OVER:
        return "run again, the rule is kept when its clock begins elsewhere"
    return ""


def look_at(vehicle: Vehicle, diagnosis: Diagnosis) -> str:
    """What to look at, in a sentence without its full stop; "" where there is nothing to add."""
    kind = kind_of_program(vehicle, diagnosis.node)
    if diagnosis.mechanism is Mechanism.ACCEPTED and diagnosis.repair is not None:
        return _REFUSE[diagnosis.repair]
    advice = _ADVICE.get(diagnosis.mechanism, "")
    return advice if isinstance(advice, str) else advice.get(kind, advice[""])


def show_cause(
    console: Console, vehicle: Vehicle, diagnosis: Diagnosis, *, indent: int = 0, whole: bool
) -> None:
    """Why a rule broke, in a line, and what to look at; ``whole``: all of it, and how the cause was
    confirmed.
    """
    start = " " * indent
    told = f"{'; '.join(filter(None, [why(diagnosis), proof(diagnosis) if whole else '']))}."
    prefix = f"{start}Why: "
    hanging(console, prefix, told if whole else shortened(told, console.width - len(prefix)))
    advice = look_at(vehicle, diagnosis)
    if advice:
        hanging(console, f"{start}Do:  ", f"{advice}.")


def _place(where: str) -> str:
    """The file by its name and the line; a longer path does not fit a line."""
    file, colon, line = where.rpartition(":")
    return f"{Path(file).name}:{line}" if colon else where


_WHY: Mapping[Mechanism, str] = {
    Mechanism.ENDED: "the program of {node} ended{where}{text}",
    Mechanism.HUNG: "the program of {node} hung{where}{text}",
    Mechanism.RESTARTED: "{node} was restarted, and nothing called for it{text}",
    Mechanism.NOT_STARTED: "{node} never took part on the bus{where}{text}",
    Mechanism.STAYED_BUS_OFF: "the controller of {node} did not come back from bus-off",
    Mechanism.RETURNS: "{node} comes back from bus-off too often, and disturbs the bus each time",
    Mechanism.FILTERED: "a filter of {node} refused {message}, which reached its controller",
    Mechanism.OVERRUN: "the receive queue of {node} overflowed and lost messages",
    Mechanism.NOT_READ: "the program of {node} left {message} in its receive queue",
    Mechanism.IGNORED: "{node} read {message} and did not do what it asks for",
    Mechanism.ACCEPTED: "{node} acted on a message that it has to refuse",
    Mechanism.SILENCE: "{node} does the wrong thing once {message} no longer comes",
    Mechanism.START: "{node} does the wrong thing after a reset, before it can know better",
    Mechanism.UNTOLD: "{node} changed an output, and nothing that it was told calls for that",
    Mechanism.LIMIT: "{node} goes beyond a limit that is declared for the load",
    Mechanism.RHYTHM: "{node} does not flash as declared",
    Mechanism.NOT_SENT: "{node} does not hand over {message} as often as declared",
    Mechanism.SENT_OLD: "{node} sent old content in {message}",
    Mechanism.SENT_WRONG: "{node} sent wrong content in {message}",
    Mechanism.INPUT: "{node} does not do what its input asks for",
    Mechanism.NOT_TOLD: "{node} does not report a failure as declared",
    Mechanism.ROLLED_OVER: "the clock of {node} rolled over",
    Mechanism.ASLEEP: "{node} does not sleep and wake as declared",
    Mechanism.NO_WATCHDOG: "a stopped program of {node} is not restarted by its watchdog",
    Mechanism.HARDWARE: "the supply or an output of {node} cannot do what is asked of it",
    Mechanism.UNPROTECTED: "{message} has nothing that shows false or old content to {node}",
    Mechanism.NOT_FOUND: "cause not found",
}

_ACCEPTED = {
    Repair.NO_STRANGERS: "a frame that is none of its messages ({})",
    Repair.NO_WRONG_LENGTH: "{} with a wrong length",
    Repair.NO_WRONG_CHECKSUM: "{} with a wrong checksum",
    Repair.NO_REPEATS: "{} although its counter did not move",
    Repair.NO_JUMPS: "{} although its counter jumped too far",
}

_REFUSE = {
    Repair.NO_STRANGERS: (
        "compare the identifier, its format (base or extended) and the remote flag before the"
        " content is used"
    ),
    Repair.NO_WRONG_LENGTH: "refuse a frame whose length is not that of its message",
    Repair.NO_WRONG_CHECKSUM: (
        "work out the checksum and refuse the frame if it differs; a refused frame must not count"
        " as a sign of life either"
    ),
    Repair.NO_REPEATS: (
        "refuse a frame whose counter equals the one before; a refused frame must not count as a"
        " sign of life either"
    ),
    Repair.NO_JUMPS: "refuse a frame whose counter moved by more than 'max_step'",
}

_ADVICE: Mapping[Mechanism, str | Mapping[str, str]] = {
    Mechanism.ENDED: "mend that line; 'linkloss run' shows what led there",
    Mechanism.HUNG: {
        C: (
            "give every wait an end, and call board_delay_ms() or board_wait_for_interrupt() in"
            " loops that wait"
        ),
        SKETCH: "give every wait an end, and call delay(1) in loops that wait",
        SCRIPT: "give recv() a timeout, and sleep in loops that wait",
        "": "give every wait an end",
    },
    Mechanism.RESTARTED: (
        "feed the watchdog in every pass of the loop, well within its time, and do not reset the"
        " board where waiting is enough"
    ),
    Mechanism.NOT_STARTED: {
        C: "call board_can_mode(BOARD_CAN_NORMAL) after the filters are set",
        SKETCH: (
            "compare chip select, oscillator and bit rate with the board ('defines' in the vehicle"
            " file), and set normal mode last"
        ),
        SCRIPT: "compare interface, channel and bitrate of can.Bus() with the vehicle file",
        "": "look at how it opens its port, and that it begins at all",
    },
    Mechanism.STAYED_BUS_OFF: {
        C: "call board_can_recover() when board_can_status() reports BOARD_CAN_BUS_OFF",
        SKETCH: "ask the CAN library to recover when it reports bus-off, or begin it again",
        SCRIPT: "call board.recover_bus() when bus.state is can.BusState.ERROR",
        "": "ask the controller to recover when it reports bus-off",
    },
    Mechanism.RETURNS: "wait before each further return from bus-off, longer each time",
    Mechanism.FILTERED: {
        C: "compare the identifiers and masks of board_can_filter() with the DBC",
        SKETCH: "compare filters and masks with the DBC, and set them before normal mode",
        SCRIPT: "compare can_filters with the DBC: identifier, mask and 'extended'",
        "": "compare its filters with the DBC",
    },
    Mechanism.OVERRUN: "read until the queue is empty in every pass, and wait less between passes",
    Mechanism.NOT_READ: "read until the queue is empty in every pass, and wait less between passes",
    Mechanism.IGNORED: "compare byte, bit, scale and condition with the DBC and the vehicle file",
    Mechanism.SILENCE: (
        "note when the last good message came, and compare with now in every pass, not only when"
        " something arrives"
    ),
    Mechanism.START: "set every output before its pin is driven, and clear what must not be kept",
    Mechanism.UNTOLD: "look for writes to this output on other ways than the request",
    Mechanism.LIMIT: "compare times and conditions with the load in the vehicle file",
    Mechanism.RHYTHM: "take the rhythm from one time base, and do not restart it with each message",
    Mechanism.NOT_SENT: "send on a fixed cycle whatever happens, and look at what sending returns",
    Mechanism.SENT_OLD: "fill the message anew, counter included, at the instant it is sent",
    Mechanism.SENT_WRONG: (
        "compare identifier, start bit, byte order, scale and offset with the DBC; for a request,"
        " its condition and times with the vehicle file"
    ),
    Mechanism.INPUT: "read the input in every pass, and compare debounce and polarity",
    Mechanism.NOT_TOLD: "compare what the status reports with what the output does",
    Mechanism.ROLLED_OVER: "compare times by subtraction, unsigned: now - since >= limit",
    Mechanism.ASLEEP: "compare with 'sleeps_when', 'asleep_within' and 'wakes_by'",
    Mechanism.NO_WATCHDOG: (
        "start the watchdog, and feed it from the main loop alone, not from an interrupt"
    ),
    Mechanism.UNPROTECTED: (
        "give the message a counter and a checksum in the DBC, and let its receivers look at them"
    ),
    Mechanism.HARDWARE: "see 'linkloss plan' for fuses, leads and supply",
}
