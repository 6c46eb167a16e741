"""What accounts for each change of a load: verdicts with margins."""

from bench.judge.judge import declared_rules, judge
from bench.judge.unjudged import Unjudged, unjudged
from bench.judge.verdict import Outcome, Verdict, worst

__all__ = ["Outcome", "Unjudged", "Verdict", "declared_rules", "judge", "unjudged", "worst"]
