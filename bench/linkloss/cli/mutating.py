"""``linkloss mutants``: how many mistakes in a program of the user's a check catches."""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter

from linkloss.cli.checked import ended_like_ctrl_c
from linkloss.cli.common import (
    Flag,
    Quiet,
    Verbose,
    Words,
    check_targets,
    compiled,
    console_beside,
    duration_ns,
    load,
    refuse,
    write_target,
)

if TYPE_CHECKING:
    from linkloss.mutants.score import Wish


def mutants(
    vehicle: Path,
    /,
    *,
    node: str | None = None,
    depth: Literal["quick", "full", "pairs"] = "quick",
    sample: int | None = None,
    for_: Annotated[str | None, Parameter(name="--for")] = None,
    lines: Words = None,
    changed: Flag = False,
    only: Words = None,
    situation: Words = None,
    seed: int = 0,
    jobs: int | None = None,
    limit: str = "60 s",
    fail_under: float | None = None,
    json: Path | None = None,
    html: Path | None = None,
    quiet: Quiet = False,
    verbose: Verbose = False,
) -> int:
    """Plant small mistakes into your own program, one at a time, and see which of them a check
    catches (extra 'mutants').

    Each runs through the check until the first rule breaks. What is not caught is shown, with the
    reason. A second time only what changed runs. A vehicle file is code: open only files that you
    trust.

    Parameters
    ----------
    vehicle
        The vehicle file.
    node
        The node whose program gets the mistakes. Default: the only one with a program of yours.
    depth
        The depth of the check.
    sample
        So many mistakes, drawn at random. Default: all.
    for_
        Real time after which no further mistake is begun, such as "10 min"; the check without a
        mistake comes before, and those that have begun are tried to their end.
    lines
        Only mistakes in these lines, such as 40-80 or rear.c:40-80.
    changed
        Only mistakes in lines that differ from the last commit.
    only
        Kinds of faults to try; 'none' stands for no fault.
    situation
        Situations to try.
    seed
        Seed of everything that is left to chance.
    jobs
        Processes to use. Default: all cores.
    limit
        A case counts as hung once it has computed for so long, as in a check.
    fail_under
        Exit 1 when a smaller share is caught, in percent, such as 90.
    json
        Write the result as JSON to this file; - is the standard output.
    html
        Write the source with what was not caught as one HTML file that opens offline.
    quiet
        No progress: only the result.
    verbose
        List everything that was not caught.
    """
    check_targets([json, html])
    for_ns, limit_ns = duration_ns("--for", for_), duration_ns("--limit", limit)
    both = "names other lines than '--changed'; expected one of them"
    least = "expected at least 1"
    share = f"got {fail_under}; expected a share in percent, 0 to 100"
    refuse(
        (sample is not None and sample < 1, "--sample", f"got {sample}; {least}"),
        (jobs is not None and jobs < 1, "--jobs", f"got {jobs}; {least}"),
        (fail_under is not None and not 0 <= fail_under <= 100, "--fail-under", share),
        (lines and changed, "--lines", both),
    )
    from linkloss.mutants.score import Wish

    return _scored(
        vehicle,
        Wish(
            node=node,
            depth=depth,
            seed=seed,
            sample=sample,
            for_s=None if for_ns is None else for_ns / 1e9,
            lines=tuple(lines or ()),
            changed=changed,
            only=None if only is None else tuple(only),
            situations=None if situation is None else tuple(situation),
            jobs=jobs,
            limit_s=(limit_ns or 1) / 1e9,
        ),
        fail_under,
        json,
        html,
        quiet=quiet,
        verbose=verbose,
    )


def _scored(
    vehicle: Path,
    wish: Wish,
    fail_under: float | None,
    json: Path | None,
    html: Path | None,
    *,
    quiet: bool,
    verbose: bool,
) -> int:
    from linkloss.mutants.score import score
    from linkloss.problem import EXIT_INTERRUPTED
    from linkloss.report.html import write_page
    from linkloss.report.mutants_report import (
        mutants_exit_code,
        mutants_json,
        mutants_page,
        score_sentence,
        show_mutants,
    )
    from linkloss.report.terminal import progress_of_check

    with ended_like_ctrl_c():
        found = score(compiled(load(vehicle)), wish, partial(progress_of_check, quiet=quiet))
    write_target(json, lambda: mutants_json(found))
    if html is not None:
        write_page(mutants_page(found), html)
    show_mutants(console_beside([json]), found, verbose=verbose)
    if found.interrupted:
        text = "what was being tried is not counted, and takes long where nothing catches it"
        print(f"linkloss: interrupted: {text}. The same command goes on from here", file=sys.stderr)
        return EXIT_INTERRUPTED
    code = mutants_exit_code(found, fail_under)
    if code and found.planted and not found.unbroken:
        text = f"linkloss: {score_sentence(found)} Expected {fail_under:g} % at least."
        print(text, file=sys.stderr)
    return code
