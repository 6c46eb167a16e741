"""The house: nothing imports upward or in a circle, nodes know no bench, what is public is
documented.
"""

from __future__ import annotations

import ast
import importlib
import inspect
import re
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import linkloss

ROOT = Path(__file__).parents[1]
FLOORS = [
    {"units", "problem"},
    {"document", "shipped", "clock"},
    {"bus", "power"},
    {"firmware"},
    {"vehicle"},
    {"faults", "recording"},
    {"scenario"},
    {"session", "judge"},
    {"logs", "sizing"},
    {"campaign"},
    {"mutants"},
    {"report"},
    {"live"},
    {"desk"},
    {"cli", "pytest_plugin"},
]
"""The rooms of the bench, the ground floor first. Rooms on one floor do not know each other."""

PUBLIC = {
    "BadInput", "CheckReport", "Outcome", "Recording", "RunResult", "Scenario", "Vehicle",
    "Verdict", "check", "find_stories", "load_scenario", "load_vehicle", "run",
}  # fmt: skip


@cache
def modules() -> dict[str, Path]:
    """The modules of both packages by name. The car that ``linkloss new`` copies is none."""
    found = {}
    for package in (ROOT / "bench" / "linkloss", ROOT / "nodes" / "linkloss_nodes"):
        for path in sorted(package.rglob("*.py")):
            place = path.relative_to(package.parent).with_suffix("").parts
            if place[:2] != ("linkloss", "start"):
                found[".".join(place).removesuffix(".__init__")] = path
    return found


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def imported(path: Path) -> Iterator[str]:
    """Every module that a file imports, wherever in it and for whatever purpose."""
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            inner = {f"{node.module}.{alias.name}" for alias in node.names} & set(modules())
            yield from inner
            if len(inner) < len(node.names):
                yield str(node.module)


@cache
def arrows() -> dict[str, set[str]]:
    """Module -> the modules of this house that it imports."""
    return {name: set(imported(path)) & set(modules()) for name, path in modules().items()}


def bench() -> Iterator[str]:
    """The modules of the bench, without the name that hands all of it out."""
    return (name for name in modules() if name.startswith("linkloss."))


def floor(module: str) -> int:
    room = module.split(".")[1]
    heights = [height for height, rooms in enumerate(FLOORS) if room in rooms]
    assert heights, f"{module} stands on no floor of the house"
    return heights[0]


def circles(arrows: dict[str, set[str]]) -> list[set[str]]:
    """Modules that import each other, directly or through others."""
    reached: dict[str, set[str]] = {}
    for start in arrows:
        found: set[str] = set()
        ahead = [start]
        while ahead:
            new = arrows[ahead.pop()] - found
            found |= new
            ahead += new
        reached[start] = found
    tied = [{b for b in reached[a] if a in reached[b]} for a in arrows if a in reached[a]]
    return [circle for number, circle in enumerate(tied) if circle not in tied[:number]]


def test_the_house_has_modules() -> None:
    assert len(list(bench())) > 50
    assert {name.split(".")[1] for name in bench()} == set().union(*FLOORS)
    assert len(modules()) - len(list(bench())) > 10


def test_the_page_for_developers_has_the_same_floors_and_names_files_that_there_are() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| \d+ \| (.*?) \|", page, re.MULTILINE)
    assert [set(re.findall(r"`(\w+)`", row)) for row in rows] == FLOORS
    files = {path.as_posix() for path in ROOT.rglob("*.*") if ".venv" not in path.parts}
    for name in re.findall(r"`([\w/]+\.(?:py|c|h|ino))[`:]", page):
        assert any(file.endswith(f"/{name}") for file in files), name


def test_nothing_imports_upward_or_from_next_door() -> None:
    for own in bench():
        for other in arrows()[own] - {"linkloss"}:
            below = other.startswith("linkloss.") and (
                floor(other) < floor(own) or other.split(".")[1] == own.split(".")[1]
            )
            assert below, f"{own} imports {other}"


def test_no_modules_import_each_other_in_a_circle() -> None:
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"b"}, "d": {"a"}}) == [{"b", "c"}]
    assert circles(arrows()) == []


def test_nodes_import_the_can_libraries_the_standard_library_and_nodes_alone() -> None:
    allowed = sys.stdlib_module_names | {"can", "cantools", "linkloss_nodes"}
    for name, path in modules().items():
        if name.partition(".")[0] == "linkloss_nodes":
            assert {other.partition(".")[0] for other in imported(path)} <= allowed, name


def test_no_two_files_of_the_bench_share_a_name() -> None:
    names = Counter(path.name for name, path in modules().items() if name.startswith("linkloss."))
    assert [name for name, times in names.items() if times > 1 and name != "__init__.py"] == []


def test_no_two_files_of_tests_share_a_name() -> None:
    """They are imported by their names alone, and the second would be refused."""
    names = Counter(path.name for path in Path(__file__).parent.rglob("*.py"))
    assert [name for name, times in names.items() if times > 1 and name != "conftest.py"] == []


def test_every_module_says_why_it_exists() -> None:
    for name, path in modules().items():
        assert not tree_of(path).body or ast.get_docstring(tree_of(path)), name


def test_no_function_has_more_than_50_lines_of_code() -> None:
    for name, path in modules().items():
        for node in ast.walk(tree_of(path)):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                body = node.body[1:] if ast.get_docstring(node) else node.body
                lines = (body[-1].end_lineno or 0) - body[0].lineno + 1 if body else 0
                assert lines <= 50, f"{name}: {node.name}"


def test_no_file_leaves_work_for_later_or_names_a_place_on_one_machine() -> None:
    for name, path in modules().items():
        text = path.read_text(encoding="utf-8")
        found = re.search(r"\b(TODO|FIXME|XXX|HACK)\b|/home/|/work/", text)
        assert not found, f"{name}: {found}"


def test_the_public_names_are_the_documented_ones() -> None:
    assert set(linkloss.__all__) == PUBLIC
    assert list(linkloss.__all__) == sorted(linkloss.__all__)
    assert set(linkloss._HOMES) == PUBLIC


def test_a_public_name_lives_where_it_is_said_to_and_has_docstrings() -> None:
    for name in PUBLIC:
        found = getattr(linkloss, name)
        assert inspect.getdoc(found), name
        assert found.__module__ == linkloss._HOMES[name]
        for key, value in vars(found).items() if inspect.isclass(found) else ():
            value = getattr(value, "func", getattr(value, "fget", value))
            if not key.startswith("_") and inspect.isfunction(value):
                assert inspect.getdoc(value), f"{name}.{key}"


def test_a_name_that_is_not_public_is_told_so() -> None:
    with pytest.raises(AttributeError, match="module 'linkloss' has no attribute 'chekc'"):
        linkloss.chekc  # noqa: B018


def test_what_a_package_hands_out_exists_and_has_a_docstring() -> None:
    for package in ("linkloss.clock", "linkloss.bus", "linkloss.judge", "linkloss.session"):
        module = importlib.import_module(package)
        for name in module.__all__:
            value = getattr(module, name)
            assert not callable(value) or inspect.getdoc(value), name


def test_importing_the_bench_loads_none_of_the_big_libraries() -> None:
    program = (
        "import sys, linkloss; print([n for n in ('can', 'cantools', 'pydantic', 'rich') "
        "if n in sys.modules])"
    )
    ran = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert ran.stdout.strip() == "[]"
