"""What the judge says of one rule in one run."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import Enum


class Outcome(Enum):
    """A rule that was not put to the test is never called kept."""

    KEPT = "kept"
    BROKEN = "broken"
    NOT_EXERCISED = "not exercised"


@dataclass(frozen=True, slots=True)
class Verdict:
    """One rule of one subject.

    - ``subject``: a load, a node, a request (``Message.Signal``) or a notice.
    - ``rule``: its name; README has the table, ``declared_rules`` the list for a vehicle.
    - ``margin_ns``: time that was left before the deadline, negative when it was missed; None
      where the rule has no deadline or was not exercised.
    - ``at_ns``, ``wrong_for_ns``: when the rule was first broken and for how long.
    - ``text``: the same in plain words; ``culprit``: the node to look at, if it is known.
    """

    subject: str
    rule: str
    outcome: Outcome
    margin_ns: int | None = None
    at_ns: int | None = None
    wrong_for_ns: int | None = None
    text: str = ""
    culprit: str = ""

    @property
    def broken(self) -> bool:
        """Whether the rule was broken."""
        return self.outcome is Outcome.BROKEN


def smallest(margins: Iterable[int | None]) -> int | None:
    """The smallest margin of those that are known."""
    known = [margin for margin in margins if margin is not None]
    return min(known) if known else None


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """Several verdicts on one rule as one: broken before kept before not exercised.

    The earliest break speaks for all; the margin is the smallest of all. Raises ValueError when
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
