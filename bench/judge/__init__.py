"""Judging a recording by the vehicle's rules: allowed states, deadlines, margins."""

from bench.judge.judge import declared_rules, judge
from bench.judge.verdict import Outcome, Verdict, worst

__all__ = ["Outcome", "Verdict", "declared_rules", "judge", "worst"]
