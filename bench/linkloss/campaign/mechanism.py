"""The ways in which a node comes to break a rule, and what a broken rule says of them by itself.

A verdict says what was seen (its rule) and how it looked (its cause). Where nothing else is found
out, these tables give the mechanism that most often lies behind it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from linkloss.campaign.run import PROCESS
from linkloss.judge import Verdict
from linkloss.judge.verdict import Cause
from linkloss.recording import Crash
from linkloss.session.watched import Repair
from linkloss.vehicle.expression import split_signal
from linkloss.vehicle.loading import Vehicle


class Mechanism(Enum):
    """How a node came to break a rule. The values stand in results for programs."""

    ENDED = "ended"
    HUNG = "hung"
    RESTARTED = "restarted"
    NOT_STARTED = "not started"
    STAYED_BUS_OFF = "stayed bus-off"
    RETURNS = "returns"
    FILTERED = "filtered"
    OVERRUN = "overrun"
    NOT_READ = "not read"
    IGNORED = "ignored"
    ACCEPTED = "accepted"
    SILENCE = "silence"
    START = "start"
    UNTOLD = "untold"
    LIMIT = "limit"
    RHYTHM = "rhythm"
    NOT_SENT = "not sent"
    SENT_OLD = "sent old"
    SENT_WRONG = "sent wrong"
    INPUT = "input"
    NOT_TOLD = "not told"
    ROLLED_OVER = "rolled over"
    ASLEEP = "asleep"
    NO_WATCHDOG = "no watchdog"
    UNPROTECTED = "unprotected"
    HARDWARE = "hardware"
    NOT_FOUND = "not found"


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """The cause of a broken rule.

    - ``node``: the node to look at; "" if none is known.
    - ``message``: the message that it is about; "" if it is about none, or several.
    - ``at_ns``: when it happened; None where it has no instant.
    - ``where``, ``text``: the place in the program (``file:line``), and what was said there.
    - ``repair``: what was set right to confirm it; None for what is seen without that.
    """

    mechanism: Mechanism
    node: str
    message: str = ""
    at_ns: int | None = None
    where: str = ""
    text: str = ""
    repair: Repair | None = None


def suspect(vehicle: Vehicle, verdict: Verdict) -> str:
    """The node that a rule points at: the culprit if it is known, else the node that the subject
    belongs to; empty for a subject that belongs to none.
    """
    subject = verdict.subject
    if verdict.culprit:
        return verdict.culprit
    if subject in vehicle.loads:
        return vehicle.loads[subject].node
    if subject in vehicle.notices:
        return vehicle.sender(split_signal(vehicle.notices[subject].signal)[0])
    if subject in vehicle.requests:
        return vehicle.sender(split_signal(subject)[0])
    if subject in vehicle.routes:
        return vehicle.sender(vehicle.routes[subject].target_message)
    return subject if subject in vehicle.nodes else ""


def vagueness(verdict: Verdict) -> int:
    """How little a rule says about why it broke: of several that one mistake breaks, the lowest
    tells it.
    """
    if verdict.subject == PROCESS or verdict.rule in ("program", "stopped"):
        return 0
    if verdict.cause in _VAGUE:
        return 3
    if verdict.rule in ("asleep", "quiet recovery"):
        return 0
    return _VAGUE_RULES.get(verdict.rule.partition(" ")[0], 1)


_VAGUE = (Cause.OUT_OF_STEP, Cause.NOT_TOLD)
"""Causes that leave open which of two nodes is wrong."""
_VAGUE_RULES = {"rejoin": 2, "in": 2, "notice": 3, "end": 4}
"""By the first word of the rule."""


def of_crash(crash: Crash) -> Diagnosis:
    """A program that ended; one whose bit timing is refused was never on the bus."""
    text = crash.text.lower()
    if "endless loop" in text:
        return Diagnosis(
            Mechanism.HUNG, crash.node, at_ns=crash.at_ns, where=crash.where, text=crash.text
        )
    timing = any(word in text or word in crash.where for word in _OF_BIT_TIMING)
    mechanism = Mechanism.NOT_STARTED if timing else Mechanism.ENDED
    return Diagnosis(mechanism, crash.node, at_ns=crash.at_ns, where=crash.where, text=crash.text)


_OF_BIT_TIMING = ("bit timing", "bit rate", "bitrate", "bit/s", "interface", "channel")

BY_CAUSE: Mapping[Cause | None, Mechanism] = {
    Cause.SILENT: Mechanism.NOT_SENT,
    Cause.OVERDUE: Mechanism.NOT_SENT,
    Cause.TOO_SOON: Mechanism.NOT_SENT,
    Cause.NOTHING_NEW: Mechanism.NOT_SENT,
    Cause.UNREACHED: Mechanism.NOT_SENT,
    Cause.ASKED_WRONG: Mechanism.INPUT,
    Cause.ASKED_OLD: Mechanism.SENT_OLD,
    Cause.CHECKSUM: Mechanism.SENT_WRONG,
    Cause.LENGTH: Mechanism.SENT_WRONG,
    Cause.RANGE: Mechanism.SENT_WRONG,
    Cause.COUNTER: Mechanism.SENT_WRONG,
    Cause.FOREIGN: Mechanism.SENT_WRONG,
    Cause.UNSENT: Mechanism.SENT_WRONG,
    Cause.UNDEFINED: Mechanism.SENT_WRONG,
    Cause.SENSOR: Mechanism.SENT_WRONG,
    Cause.NOT_PASSED: Mechanism.NOT_SENT,
    Cause.PASSED_STALE: Mechanism.SILENCE,
    Cause.PASSED_UNHEARD: Mechanism.START,
    Cause.PASSED_BAD: Mechanism.SENT_WRONG,
    Cause.PASSED_OLD: Mechanism.SENT_OLD,
    Cause.PASSED_WRONG: Mechanism.SENT_WRONG,
    Cause.KEPT_ALIVE: Mechanism.SILENCE,
    Cause.GAVE_UP: Mechanism.SENT_WRONG,
    Cause.TOO_MANY_RETURNS: Mechanism.RETURNS,
    Cause.TOO_LOUD: Mechanism.RETURNS,
    Cause.SLEEP_UNDECLARED: Mechanism.ASLEEP,
    Cause.SLEEP_TOO_EARLY: Mechanism.ASLEEP,
    Cause.SLEPT_ON: Mechanism.ASLEEP,
    Cause.STILL_AWAKE: Mechanism.ASLEEP,
    Cause.WOKEN: Mechanism.ASLEEP,
    Cause.LOAD_WHILE_ASLEEP: Mechanism.ASLEEP,
    Cause.UNFOUNDED: Mechanism.NOT_TOLD,
    Cause.NOT_GIVEN: Mechanism.NOT_TOLD,
    Cause.NOT_TOLD: Mechanism.NOT_TOLD,
    Cause.NEVER_TOLD: Mechanism.NOT_TOLD,
    Cause.TRIED_TOO_OFTEN: Mechanism.LIMIT,
    Cause.TRIED_TOO_SOON: Mechanism.LIMIT,
    Cause.FORBIDDEN_STATE: Mechanism.LIMIT,
    Cause.NOT_BEGUN: Mechanism.RHYTHM,
    Cause.NOT_LIT_AGAIN: Mechanism.RHYTHM,
    Cause.RATE: Mechanism.RHYTHM,
    Cause.ON_SHARE: Mechanism.RHYTHM,
    Cause.OUT_OF_STEP: Mechanism.RHYTHM,
    Cause.LEFT_RHYTHM: Mechanism.RHYTHM,
    Cause.NO_WATCHDOG: Mechanism.NO_WATCHDOG,
    Cause.NOT_RESTARTED: Mechanism.NO_WATCHDOG,
    Cause.LATE_DARK: Mechanism.START,
    Cause.RAN_WILD: Mechanism.HARDWARE,
    Cause.STARVED: Mechanism.HARDWARE,
    Cause.FEED_FUSE: Mechanism.HARDWARE,
    Cause.OWN_FUSE: Mechanism.HARDWARE,
    Cause.POWER_WHEN_OFF: Mechanism.HARDWARE,
    Cause.NO_POWER: Mechanism.HARDWARE,
    Cause.PART_POWER: Mechanism.HARDWARE,
    Cause.SHORT_TOOK_NODE: Mechanism.HARDWARE,
    Cause.SHORT_TOOK_LOAD: Mechanism.HARDWARE,
    Cause.NOT_BACK: Mechanism.START,
}

MISSING = (Cause.SILENT, Cause.OVERDUE, Cause.UNREACHED)
"""Causes by which a message does not come. One that comes too often tells its content all the same,
and that is what is wrong with it.
"""

TELLS_ITSELF = frozenset(
    cause
    for cause, mechanism in BY_CAUSE.items()
    if mechanism
    in (Mechanism.SENT_WRONG, Mechanism.RETURNS, Mechanism.HARDWARE, Mechanism.NO_WATCHDOG)
)
"""Causes that say what is wrong; nothing that reached the node can excuse them."""

BY_RULE = {
    "fresh": Mechanism.IGNORED,
    "level": Mechanism.IGNORED,
    "rejoin": Mechanism.IGNORED,
    "local": Mechanism.INPUT,
    "control": Mechanism.INPUT,
    "sensor": Mechanism.SENT_WRONG,
    "cycle": Mechanism.NOT_SENT,
    "stale": Mechanism.SILENCE,
    "then": Mechanism.SILENCE,
    "reset": Mechanism.START,
    "dark": Mechanism.START,
    "steady": Mechanism.UNTOLD,
    "flash": Mechanism.RHYTHM,
    "in": Mechanism.RHYTHM,
    "never": Mechanism.LIMIT,
    "longest_on": Mechanism.LIMIT,
    "shortest_off": Mechanism.LIMIT,
    "trip": Mechanism.LIMIT,
    "tries": Mechanism.LIMIT,
    "notice": Mechanism.NOT_TOLD,
    "stopped": Mechanism.NO_WATCHDOG,
    "asleep": Mechanism.ASLEEP,
    "fed": Mechanism.HARDWARE,
    "power": Mechanism.HARDWARE,
    "neighbours": Mechanism.HARDWARE,
    "back": Mechanism.START,
}

OF_STATES = ("fresh", "steady", "reset", "stale", "never")
"""Rules of a load whose breaking shows in the state that it has."""
