"""Judging a recording by the vehicle's rules: allowed states, deadlines, margins."""

from bench.judge.judge import declared_rules, judge
from bench.judge.unjudged import Unjudged, unjudged
from bench.judge.verdict import Outcome, Verdict, worst

__all__ = ["Outcome", "Unjudged", "Verdict", "declared_rules", "judge", "unjudged", "worst"]
