"""What accounts for each change of a load: verdicts with margins."""

from linkloss.judge.judge import declared_rules, judge
from linkloss.judge.unjudged import Unjudged, unjudged
from linkloss.judge.verdict import Outcome, Verdict, worst

__all__ = ["Outcome", "Unjudged", "Verdict", "declared_rules", "judge", "unjudged", "worst"]
