"""Runs with ``pytest``: the whole check of the car has to be clean."""

from pathlib import Path

from linkloss import check, load_vehicle


def test_every_rule_is_kept_whatever_breaks() -> None:
    report = check(load_vehicle(Path(__file__).parent / "vehicle.toml"))
    assert [(each.verdict.subject, each.verdict.text) for each in report.findings] == []
