"""What the judge says of one rule in one run, and the only place that puts it into words.

A verdict holds values: what was observed, what was allowed, since when, and a cause from the list
below. Its words are made from the template of the cause:

    LATE_DARK   "was dark for {observed} after the reset of node {0}; allowed: {allowed}"
                              1.2 s                              rear           500 ms

``{0}``, ``{1}`` ... are the verdict's ``about``: the other names and values that the words need.
What follows ``|`` is the tail, left out in sentences that say it anyway.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import Any

from linkloss.units import show_duration


class Outcome(Enum):
    """A rule that was not exercised is never called kept."""

    KEPT = "kept"
    BROKEN = "broken"
    NOT_EXERCISED = "not exercised"


_WRONG = "|; wrong for {wrong_for}"
_LATE = "|; late by {wrong_for}"
_FOR = "|, for {wrong_for}"


class Cause(Enum):
    """What was wrong, as a template of its words. The names appear in results for programs."""

    # what a load does, against what it was told or its inputs ask for
    OTHER_STATE = "was {observed} instead of {allowed}" + _WRONG
    UNCAUSED = "went {observed} without cause; right: {allowed}{more}" + _WRONG
    NOT_AS_INPUTS_ASK = "was {observed} while its inputs ask for {allowed}" + _WRONG
    FORBIDDEN_STATE = "was {observed} while {0}, for {1}; allowed: {allowed}"
    UNREACHED = (
        "message {0} did not reach node {1} although no fault was left; look at node {culprit}"
    )
    LATE_DARK = "was dark for {observed} after the reset of node {0}; allowed: {allowed}"
    NOT_BACK = "was off {allowed} after its supply was back" + _LATE

    # flashing
    NOT_BEGUN = "did not begin to flash with a lit phase"
    NOT_LIT_AGAIN = "did not light up again within {allowed}"
    RATE = "flashed {observed} times per minute; allowed: {allowed}"
    ON_SHARE = "was lit for {observed} of a cycle; allowed: {allowed}"
    OUT_OF_STEP = "lit up {observed} away from {0}; allowed: {allowed}"
    LEFT_RHYTHM = "lit up {observed} away from {0}; allowed: {allowed}; {1} left the rhythm of {2}"

    # requests and messages
    ASKED_WRONG = "node {culprit} asked for {observed} while its inputs ask for {allowed}" + _WRONG
    ASKED_OLD = (
        "node {culprit} asked for {observed} with content {0} old, which nobody asks for any more;"
        " expected at most {allowed}"
    )
    OVERDUE = "{subject} was not handed over within {allowed}|; missing for {wrong_for} more"
    TOO_SOON = "{subject} came {observed} after the one before; at least {allowed}"
    NOTHING_NEW = (
        "{subject} came {observed} after the one before with nothing new in it; at least {allowed}"
    )
    LENGTH = "{subject} had {observed} bytes; expected {allowed}"
    CHECKSUM = "{subject} had a wrong checksum"
    RANGE = "{0} was {observed}; expected {allowed}"
    COUNTER = "{0} went from {observed}; expected {allowed}"
    FOREIGN = "handed over a frame {observed}, {0}, which {1} sends{more}"
    UNSENT = "handed over a frame {observed}, {0}, which no node sends{more}"
    UNDEFINED = (
        "handed over a frame {observed}, which no message of the message definition has{more}"
    )
    NOT_PASSED = "did not hand over {0} within {allowed} of {1}" + _LATE
    PASSED_STALE = (
        "passed on {observed} as {0}, {1} after the last good {2}; expected {allowed}" + _WRONG
    )
    PASSED_UNHEARD = "passed on {observed} as {0} before any good {1}; expected {allowed}" + _WRONG
    PASSED_BAD = (
        "passed on {observed} as {0} out of a message {1} that was not good; expected {allowed}"
    )
    PASSED_OLD = "passed on {observed} as {0}, which was out of date; expected {allowed}" + _WRONG
    PASSED_WRONG = "passed on {observed} as {0}; expected {allowed}" + _WRONG
    KEPT_ALIVE = (
        "was {observed} only because node {culprit} repeated {0} while {1} was silent; right:"
        " {allowed}" + _WRONG
    )
    GAVE_UP = "passed on {observed} as {0} although {1} was there; expected {allowed}" + _WRONG
    SENSOR = "showed {observed} while {0} was {allowed}" + _WRONG

    # nodes
    SILENT = "sent no {0} although no fault was left" + _FOR
    NO_WATCHDOG = "node {0} has no watchdog: a stopped program never restarts"
    NOT_RESTARTED = "node {0} was not restarted within {allowed} after its program stopped" + _LATE
    CRASHED = "the program failed at {0}: {observed}"
    RESET_ITSELF = "was reset by {observed} without any fault that called for it"
    RAN_WILD = "ran wild on too little voltage: nothing held its processor in reset"
    SLEEP_UNDECLARED = "fell asleep, and no 'sleeps_when' is declared" + _WRONG
    SLEEP_TOO_EARLY = "fell asleep while '{0}' did not hold" + _WRONG
    SLEPT_ON = "slept on though it was called" + _WRONG
    STILL_AWAKE = "was still awake when it had to sleep" + _WRONG
    WOKEN = "was woken by '{observed}', which is not in its 'wakes_by'"
    LOAD_WHILE_ASLEEP = "{0} was {observed} instead of {allowed} while its node slept" + _WRONG
    TOO_MANY_RETURNS = (
        "came back from bus-off {observed} times within a second; expected at most {allowed}"
    )
    TOO_LOUD = (
        "came back from bus-off only to fail again: its failed attempts took more than {allowed}"
        " of the bus within a second"
    )

    # notices
    UNFOUNDED = "the notice was given without cause" + _WRONG
    NOT_GIVEN = "the notice was not given" + _WRONG
    NOT_TOLD = "was not told as failed (notice {0})" + _WRONG
    NEVER_TOLD = "was not told as failed, not once while it flashed" + _WRONG

    # supply
    STARVED = "lost its supply without any fault"
    FEED_FUSE = "lost its supply without any fault: the fuse in the feed of {subject} opened"
    OWN_FUSE = "its fuse ({0}) opened without any fault"
    POWER_WHEN_OFF = "got current though its node had switched it off" + _FOR
    NO_POWER = "got no current though its node switched it on" + _FOR
    PART_POWER = "got {observed} of its power though its node commands {allowed}" + _FOR
    SHORT_TOOK_NODE = "the short of {0} took the supply of node {1}"
    SHORT_TOOK_LOAD = "the short of {0} took {1} down for {observed}; allowed: {allowed}"
    TRIED_TOO_OFTEN = "was tried again {observed} times in a row; right: {allowed} at most"
    TRIED_TOO_SOON = "was tried again {observed} after the time before; right: {allowed}"

    # stated by a scenario, by a person, or by what a process left behind
    NOT_EXPECTED = "was {observed} at {0}|; expected: {allowed}"
    TOLD = "{observed}"


@dataclass(frozen=True, slots=True)
class Verdict:
    """One rule of one subject.

    - ``subject``: a load, a node, a request (``Message.Signal``) or a notice.
    - ``rule``: its name; README has the table, ``declared_rules`` the list for a vehicle.
    - ``margin_ns``: time that was left before the deadline, negative when it was missed; None where
      the rule has no deadline or was not exercised.
    - ``at_ns``, ``wrong_for_ns``: when the rule was first broken and for how long.
    - ``cause``: what was wrong; ``observed`` and ``allowed``: what was there, and what should have
      been; ``about``: what else its words name; ``more``: how many more of the kind there were.
    - ``culprit``: the node to look at, if it is known.
    """

    subject: str
    rule: str
    outcome: Outcome
    margin_ns: int | None = None
    at_ns: int | None = None
    wrong_for_ns: int | None = None
    cause: Cause | None = None
    observed: str = ""
    allowed: str = ""
    about: tuple[str, ...] = ()
    more: int = 0
    culprit: str = ""

    @classmethod
    def wrong(
        cls,
        subject: str,
        rule: str,
        at_ns: int,
        lasts_ns: int | None,
        cause: Cause,
        observed: str = "",
        allowed: str = "",
        *,
        about: tuple[str, ...] = (),
        margin_ns: int | None = None,
        more: int = 0,
        culprit: str = "",
    ) -> Verdict:
        """A broken rule: wrong from ``at_ns`` on for ``lasts_ns`` (0: at an instant only, None:
        unknown).
        """
        return cls(
            subject, rule, Outcome.BROKEN, margin_ns, at_ns, lasts_ns,
            cause, observed, allowed, about, more, culprit,
        )  # fmt: skip

    @classmethod
    def missed(
        cls,
        subject: str,
        rule: str,
        due_ns: int,
        late_ns: int,
        cause: Cause,
        observed: str = "",
        allowed: str = "",
        *,
        about: tuple[str, ...] = (),
        more: int = 0,
        culprit: str = "",
    ) -> Verdict:
        """A broken rule with a deadline: nothing came by ``due_ns`` and for ``late_ns`` after it,
        or the wrong thing stayed.
        """
        return cls.wrong(
            subject, rule, due_ns, late_ns, cause, observed, allowed,
            about=about, margin_ns=-late_ns, more=more, culprit=culprit,
        )  # fmt: skip

    def row(self) -> list[Any]:
        """Plain values, one for each of :data:`COLUMNS`."""
        return [
            self.subject, self.rule, self.outcome.value,
            self.margin_ns, self.at_ns, self.wrong_for_ns,
            self.cause and self.cause.name.lower(),
            self.observed, self.allowed, list(self.about), self.more, self.culprit, self.text,
        ]  # fmt: skip

    @classmethod
    def from_row(cls, row: Sequence[Any]) -> Verdict:
        """The verdict in a row. Raises ValueError or KeyError if the row holds none."""
        plain = dict(zip(COLUMNS, row, strict=True))
        del plain["text"]
        cause = plain["cause"]
        return cls(
            **{
                **plain,
                "outcome": Outcome(plain["outcome"]),
                "cause": None if cause is None else Cause[cause.upper()],
                "about": tuple(plain["about"]),
            }
        )

    @property
    def text(self) -> str:
        """All of it in plain words, without the tail if it was wrong only at an instant."""
        if self.cause is None:
            return ""
        body, _, tail = self.cause.value.partition("|")
        return self._filled(body if self.wrong_for_ns == 0 else body + tail)

    @property
    def deed(self) -> str:
        """What the subject did, in words that leave out the tail."""
        return "" if self.cause is None else self._filled(self.cause.value.partition("|")[0])

    @property
    def continues_its_subject(self) -> bool:
        """Whether the deed is a verb with what follows it, to be put after the subject's name."""
        if self.cause is None or self.cause is Cause.TOLD:
            return self.observed.startswith("was ")
        return not self.cause.value.startswith(("{", "node ", "the ", "its ", "message "))

    def _filled(self, template: str) -> str:
        return template.format(
            *self.about,
            subject=self.subject,
            culprit=self.culprit,
            observed=self.observed,
            allowed=self.allowed,
            more=self._more(),
            wrong_for=show_duration(self.wrong_for_ns or 0),
        )

    def _more(self) -> str:
        if not self.more:
            return ""
        plural = "s" if self.more > 1 else ""
        if self.cause is Cause.UNCAUSED:
            return f" ({self.more} more such change{plural})"
        kinds = self.about[-1]  # the number of identifiers that the frames had
        of = "" if kinds == "1" else f" of {kinds} identifiers"
        return f"; {self.more} more such frame{plural}{of}"

    @property
    def broken(self) -> bool:
        """Whether the rule was broken."""
        return self.outcome is Outcome.BROKEN


COLUMNS = (
    "subject", "rule", "outcome", "margin_ns", "at_ns", "wrong_for_ns",
    "cause", "observed", "allowed", "about", "more", "culprit", "text",
)  # fmt: skip
"""What a row holds; ``text`` is for readers only."""


def smallest(margins: Iterable[int | None]) -> int | None:
    """The smallest of the margins that are known; None if none is."""
    known = [margin for margin in margins if margin is not None]
    return min(known) if known else None


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """Several verdicts on one rule as one: broken before kept before not exercised.

    The earliest break represents all; the margin is the smallest of all. Raises ValueError when
    there is no verdict.
    """
    found = list(verdicts)
    if not found:
        raise ValueError("no verdict to choose from")
    broken = [verdict for verdict in found if verdict.broken]
    if broken:
        first = min(broken, key=lambda verdict: verdict.at_ns or 0)
        return replace(first, margin_ns=smallest(verdict.margin_ns for verdict in broken))
    kept = [verdict for verdict in found if verdict.outcome is Outcome.KEPT]
    if kept:
        return replace(kept[0], margin_ns=smallest(verdict.margin_ns for verdict in kept))
    return found[0]
