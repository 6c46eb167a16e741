"""Which mistakes are planted into a source, and where they have to run to make a difference."""

import ast
import shutil
import sys

import pytest
from rear_cars import ROOT

from linkloss.firmware.build import run_tool
from linkloss.mutants.chosen import EVERYWHERE, changed_spans, chosen, spans_of
from linkloss.mutants.plant import _parser, mutants_of
from linkloss.problem import BadInput

C = """\
#include <stdint.h>
enum { AGE_MS = 250, FEW = 3 };
static const char *text = "1 + 2"; /* 3 + 4 */
static uint8_t buffer[8];

static void look(uint32_t now, uint32_t then, uint8_t byte)
{
    if (now - then >= AGE_MS && !(byte & 0x0F))
        swap(now, then);
    switch (byte) {
    case 7:
        buffer[1] = (uint8_t)(now << 4);
        break;
    }
}
"""
PYTHON = '''\
"""No number 1 in here."""
AGE = 0.25


def look(now: float, then: float | None = None, *, deep=True) -> int:
    """Nor 2."""
    if then is None or not deep:
        return 0
    elif now - then >= AGE:
        now += 1
    print(now, then)
    return now
'''


def changes(file: str, text: str) -> set[tuple[int, str, str]]:
    """(line, kind, the first line that it becomes) of each mutant."""
    return {(m.line, m.kind, m.diff(text)[1][0].strip()) for m in mutants_of(file, text)}


def test_c_gets_the_mistakes_that_firmware_has():
    found = changes("unit.c", C)
    for expected in (
        (2, "number", "enum { AGE_MS = 500, FEW = 3 };"),
        (2, "number", "enum { AGE_MS = 250, FEW = 4 };"),
        (8, "roll-over", "if (now >= then + AGE_MS && !(byte & 0x0F))"),
        (8, "comparison", "if (now - then > AGE_MS && !(byte & 0x0F))"),
        (8, "comparison", "if (now - then < AGE_MS && !(byte & 0x0F))"),
        (8, "arithmetic", "if (now + then >= AGE_MS && !(byte & 0x0F))"),
        (8, "condition", "if (now - then >= AGE_MS || !(byte & 0x0F))"),
        (8, "condition", "if (now - then >= AGE_MS && (byte & 0x0F))"),
        (8, "condition", "if (1)"),
        (8, "condition", "if (0)"),
        (8, "bits", "if (now - then >= AGE_MS && !(byte | 0x0F))"),
        (8, "mask", "if (now - then >= AGE_MS && !(byte & 0x07))"),
        (9, "order of arguments", "swap(then, now);"),
        (9, "left out", ";"),
        (12, "shift", "buffer[1] = (uint8_t)(now >> 4);"),
        (12, "cast left out", "buffer[1] = (now << 4);"),
        (12, "number", "buffer[0] = (uint8_t)(now << 4);"),
        (13, "left out", ";"),
    ):
        assert expected in found


def test_python_gets_them_too():
    found = changes("unit.py", PYTHON)
    for expected in (
        (2, "number", "AGE = 0.5"),
        (5, "condition", "def look(now: float, then: float | None = None, *, deep=False) -> int:"),
        (7, "comparison", "if then is not None or not deep:"),
        (7, "condition", "if then is None and not deep:"),
        (7, "condition", "if then is None or deep:"),
        (8, "result", "return None"),
        (9, "arithmetic", "elif now + then >= AGE:"),
        (9, "condition", "elif True:"),
        (10, "assignment", "now -= 1"),
        (10, "left out", "pass"),
        (11, "order of arguments", "print(then, now)"),
    ):
        assert expected in found


@pytest.mark.parametrize(("file", "text"), [("unit.c", C), ("unit.py", PYTHON)])
def test_texts_types_and_comments_stay_and_lines_keep_their_numbers(file, text):
    lines = text.split("\n")
    untouched = {1, 3, 4} if file == "unit.c" else {1, 6}
    for mutant in mutants_of(file, text):
        assert mutant.line not in untouched
        after = mutant.applied(text)
        assert after != text
        now = after.split("\n")
        assert len(now) == len(lines)
        assert next(n for n, line in enumerate(lines, 1) if now[n - 1] != line) == mutant.line
        if file == "unit.py":
            ast.parse(after)


def test_a_statement_of_several_lines_is_left_out_whole():
    text = "void f(void)\n{\n    g(1,\n      2);\n    h();\n}\n"
    (gone,) = (m for m in mutants_of("unit.c", text) if m.kind == "left out" and m.line == 3)
    assert gone.applied(text) == "void f(void)\n{\n    ;\n\n    h();\n}\n"
    assert gone.diff(text) == (("    g(1,", "      2);"), ("    ;",))


def test_what_decides_how_a_line_is_come_by_needs_its_function():
    found = mutants_of("unit.c", C)
    label = {m.anchor for m in found if m.line == 11}
    assert label == {None}, "which case is taken is decided above it"
    assert {m.function for m in found if m.line == 11} == {(6, 15)}
    assert {(m.anchor, m.function) for m in found if m.line == 2} == {(None, None)}
    assert {(m.anchor, m.function) for m in found if m.line == 9} == {(9, (6, 15))}
    worked_out = "constexpr int f(int a)\n{\n    return a + 1;\n}\n"
    assert {(m.anchor, m.function) for m in mutants_of("unit.cpp", worked_out)} == {(None, None)}


def test_a_name_that_is_no_longer_assigned_to_needs_its_function():
    text = "def f(a):\n    if a:\n        b = 1\n        g(a)\n    return b\n"
    left_out = {m.line: m for m in mutants_of("unit.py", text) if m.kind == "left out"}
    assert (left_out[3].anchor, left_out[3].function) == (None, (1, 5))
    assert (left_out[4].anchor, left_out[4].function) == (4, None)


@pytest.mark.parametrize(
    "path",
    ["nodes/firmware/rear.c", "nodes/firmware/rear_sketch.ino", "nodes/linkloss_nodes/rear.py"],
)
def test_the_shipped_programs_have_hundreds(path):
    text = (ROOT / path).read_text(encoding="utf-8")
    found = mutants_of(path, text)
    assert len(found) > 400
    assert len({m.applied(text) for m in found}) == len(found)


def test_lines_are_chosen_by_source_and_number(tmp_path):
    files = {"src/unit.c": tmp_path / "unit.c"}
    assert spans_of(("8-9", "unit.c:12"), files) == {"src/unit.c": [range(8, 10), range(12, 13)]}
    every = mutants_of("src/unit.c", C)
    found = chosen(every, {"src/unit.c": [range(8, 10)]}, files)
    assert {mutant.line for mutant in found} == {8, 9}
    assert chosen(every, None, files) == every


@pytest.mark.parametrize(
    ("word", "text"),
    [
        ("x", "got 'x'; expected lines such as 40-80 or unit.c:40-80"),
        ("9-8", "got '9-8'; expected the first line before the last"),
        ("unti.c:3", "unknown source 'unti.c'; expected one of: unit.c (did you mean 'unit.c'?)"),
    ],
)
def test_lines_that_cannot_be_read_are_told(word, text, tmp_path):
    with pytest.raises(BadInput) as told:
        spans_of((word,), {"unit.c": tmp_path / "unit.c"})
    assert str(told.value) == f"linkloss: --lines: {text}"


def test_lines_with_nothing_to_change_name_the_nearest(tmp_path):
    with pytest.raises(BadInput) as told:
        chosen(mutants_of("unit.c", C), {"unit.c": [range(3, 6)]}, {"unit.c": tmp_path / "unit.c"})
    assert str(told.value).endswith(
        "there is nothing in 3-5 of unit.c to plant a mistake into; the nearest such lines: 2, 8-9"
    )


def test_what_differs_from_the_last_commit_is_asked_of_git(tmp_path):
    git = shutil.which("git")
    if git is None:
        pytest.skip("needs git")

    def run(*words: str) -> None:
        named = ["-c", "user.name=n", "-c", "user.email=n@example.org"]
        assert run_tool([git, "-C", str(tmp_path), *named, *words]).returncode == 0

    unit, new = tmp_path / "unit.c", tmp_path / "new.c"
    unit.write_text(C, encoding="utf-8")
    with pytest.raises(BadInput, match="lies in no repository of git"):
        changed_spans({"unit.c": unit})
    run("init", "-q")
    run("add", "unit.c")
    run("commit", "-q", "-m", "first")
    with pytest.raises(BadInput, match="differs from the last commit"):
        changed_spans({"unit.c": unit})
    unit.write_text(C.replace("swap(now, then)", "swap(now, 0)"), encoding="utf-8")
    new.write_text(C, encoding="utf-8")
    found = changed_spans({"unit.c": unit, "new.c": new})
    assert found == {"unit.c": [range(9, 10)], "new.c": [EVERYWHERE]}


def test_without_the_extra_it_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "tree_sitter_cpp", None)
    _parser.cache_clear()
    with pytest.raises(BadInput) as told:
        mutants_of("unit.c", C)
    assert str(told.value) == (
        "linkloss: mutants: needs the extra 'mutants': pip install 'linkloss[mutants]'"
    )
