"""Whether a change of the code's shape changes a verdict: every case as one line of digests.

A line holds the test or check that runs the case, the case's name, and digests of the frames on
the bus, of its verdicts (subject, rule, outcome, margin, since, wrong for) and of their texts. Run
it on the tree before and on the tree after, and compare the two files::

    python tests/same_verdicts.py check 0 > before.txt   # the demo car's full check, with seed 0
    python tests/same_verdicts.py wrong > before.txt     # every wrong node of tests/wrong
"""

from __future__ import annotations

import os
import sys
import tempfile
from hashlib import md5
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


def digest(words: object) -> str:
    """A short digest of what is printed of plain values."""
    return md5(repr(words).encode(), usedforsecurity=False).hexdigest()[:12]


def frames_of(recording) -> str:
    """A digest of every frame, and attempt at one, on the bus."""
    return digest(
        [
            (
                record.start_ns, record.end_ns, record.sender, record.frame.identifier,
                bytes(record.frame.data), sorted(record.receivers), record.error,
            )
            for record in recording.frames
        ]
    )  # fmt: skip


def line_of(result, frames: str) -> str:
    """A case's line."""
    told = [
        (v.subject, v.rule, v.outcome.value, v.margin_ns, v.at_ns, v.wrong_for_ns)
        for v in result.verdicts
    ]
    texts = [(v.text, v.culprit) for v in result.verdicts]
    where = os.environ.get("PYTEST_CURRENT_TEST", "check").partition(" ")[0]
    return f"{where}\t{result.name}\t{frames}\t{digest(told)}\t{digest(texts)}\n"


def watch(notes: int) -> None:
    """Note every case that is judged from here on, in this process and in those forked from it."""
    from linkloss.campaign import isolation, run

    judged, failed = run.case_result, run.failed_case

    def case_result(scenario, recording, *rest):
        result = judged(scenario, recording, *rest)
        os.write(notes, line_of(result, frames_of(recording)).encode())
        return result

    def failed_case(scenario, text):
        result = failed(scenario, text)
        os.write(notes, line_of(result, "failed").encode())
        return result

    for module in (run, isolation):
        vars(module).update(case_result=case_result, failed_case=failed_case)
    vars(isolation).update(VERDICTS=isolation.Look(case_result, failed_case))


def main(what: str, seed: int = 0) -> None:
    """Run the cases, then print their lines, sorted."""
    with tempfile.TemporaryFile("ab+", buffering=0) as notes:
        watch(notes.fileno())
        if what == "check":
            from linkloss.campaign.check import check
            from linkloss.vehicle.loading import load_vehicle

            check(load_vehicle(ROOT / "scenarios" / "wren" / "vehicle.toml"), seed=seed)
        else:
            import demo_cases

            demo_cases.WHOLE = True
            quiet = ["-W", "ignore::pytest.PytestAssertRewriteWarning"]  # the plug-in is loaded
            plain = ["-q", "-p", "no:cacheprovider", "-n0", "-m", "", *quiet]
            pytest.main([*plain, str(ROOT / "tests" / "wrong")])
        notes.seek(0)
        lines = sorted(notes.read().decode().splitlines(keepends=True))
        if not lines:
            sys.exit("no case was judged where this looks")
        sys.stdout.write("".join(lines))


if __name__ == "__main__":
    main(sys.argv[1], *map(int, sys.argv[2:]))
