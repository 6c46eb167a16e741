"""What accounts for each change of a load: verdicts with margins."""

from linkloss.judge.judging import Unjudged, declared_rules, judge, unjudged
from linkloss.judge.verdict import Outcome, Verdict, worst

__all__ = ["Outcome", "Unjudged", "Verdict", "declared_rules", "judge", "unjudged", "worst"]
