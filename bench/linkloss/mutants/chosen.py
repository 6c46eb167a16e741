"""Into which lines of a program mistakes are planted."""

from __future__ import annotations

import re
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path, PurePath

from linkloss.firmware.build import run_tool
from linkloss.firmware.coverage import ranges
from linkloss.mutants.plant import Mutant
from linkloss.problem import BadInput, unknown

_SPAN = re.compile(r"(?:(?P<file>.+):)?(?P<first>\d+)(?:-(?P<last>\d+))?")
_HUNK = re.compile(r"^@@ -\S+ \+(\d+)(?:,(\d+))? @@", re.MULTILINE)
EVERYWHERE = range(1, 1 << 30)
Spans = Mapping[str, Sequence[range]]
"""Lines by source."""


def spans_of(words: Sequence[str], files: Mapping[str, Path]) -> Spans:
    """The lines in an option such as ``40-80`` or ``rear.c:40-80``; ``files`` are the sources by
    name. Raises BadInput.
    """
    found: dict[str, list[range]] = {}
    for word in words:
        told = _SPAN.fullmatch(word)
        if told is None:
            text = f"got '{word}'; expected lines such as 40-80 or {next(iter(files))}:40-80"
            raise _bad("--lines", text)
        first, last = int(told["first"]), int(told["last"] or told["first"])
        if not 0 < first <= last:
            raise _bad("--lines", f"got '{word}'; expected the first line before the last")
        found.setdefault(_named(told["file"], files), []).append(range(first, last + 1))
    return found


def _named(name: str | None, files: Mapping[str, Path]) -> str:
    if name is None:
        if len(files) == 1:
            return next(iter(files))
        one = PurePath(next(iter(files))).name
        text = f"the program has {len(files)} sources; expected the name of one: {one}:40-80"
        raise _bad("--lines", text)
    for each in files:
        if name in (each, PurePath(each).name):
            return each
    raise _bad("--lines", unknown("source", name, [PurePath(each).name for each in files]))


def changed_spans(files: Mapping[str, Path]) -> Spans:
    """The lines that differ from the last commit; of a source that is in none, all. Raises BadInput
    where there is no repository, and where nothing differs.
    """
    git = shutil.which("git")
    if git is None:
        raise _bad("--changed", "needs git, which is not installed; expected '--lines' instead")
    found: dict[str, list[range]] = {}
    for name, path in files.items():
        begin = [git, "-C", str(path.parent)]
        if run_tool([*begin, "rev-parse", "--git-dir"]).returncode != 0:
            text = f"'{path.name}' lies in no repository of git; expected '--lines' instead"
            raise _bad("--changed", text)
        known = run_tool([*begin, "cat-file", "-e", f"HEAD:./{path.name}"]).returncode == 0
        if not known:
            found[name] = [EVERYWHERE]
            continue
        told = run_tool([*begin, "diff", "--unified=0", "--no-ext-diff", "HEAD", "--", path.name])
        hunks = [(int(first), int(count or 1)) for first, count in _HUNK.findall(told.stdout)]
        found[name] = [range(first, first + count) for first, count in hunks if count]
    if not any(found.values()):
        names = ", ".join(path.name for path in files.values())
        raise _bad("--changed", f"nothing in {names} differs from the last commit")
    return found


def chosen(
    mutants: Sequence[Mutant], spans: Spans | None, files: Mapping[str, Path]
) -> list[Mutant]:
    """The mutants of these lines; None: of all. Raises BadInput where there is none, with the
    nearest lines that have some.
    """
    if spans is None:
        if mutants:
            return list(mutants)
        names = ", ".join(path.name for path in files.values())
        raise _bad("mutants", f"there is nothing in {names} to plant a mistake into")
    found = [
        mutant
        for mutant in mutants
        if any(mutant.line in span for span in spans.get(mutant.file, ()))
    ]
    if found:
        return found
    file, span = next((file, span) for file, each in spans.items() for span in each)
    there = sorted({mutant.line for mutant in mutants if mutant.file == file})
    shown = "these lines" if span == EVERYWHERE else ranges(tuple(span))
    near = sorted(there, key=lambda line: min(abs(line - span[0]), abs(line - span[-1])))[:3]
    text = f"there is nothing in {shown} of {file} to plant a mistake into"
    hint = f"; the nearest such lines: {ranges(tuple(sorted(near)))}" if near else ""
    raise _bad("--lines", text + hint)


def _bad(option: str, text: str) -> BadInput:
    return BadInput.one("linkloss", option, text)
