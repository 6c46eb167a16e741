"""The house: nothing imports upward, nodes know no bench, and what is public is documented."""

from __future__ import annotations

import ast
import importlib
import inspect
import re
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import linkloss
import pytest

ROOT = Path(__file__).parents[1]
FLOORS = [
    {"shipped", "clock", "wallclock", "model.units", "model.problem"},
    {"bus", "power"},
    {"firmware", "plugin_can", "scripts"},
    {"model"},
    {"clocks", "faults", "outside", "recording", "replay.textlog", "traffic"},
    {"outside_file"},
    {"scenario"},
    {"session", "replay", "judge", "timing", "sizing"},
    {"campaign"},
    {"report", "schema"},
    {"live", "serve"},
    {"cli", "pytest_plugin"},
]
SIDE_BY_SIDE = [
    ("bus", "power"),
    ("power", "bus"),
    ("session", "judge"),
    ("replay", "judge"),
    ("faults", "recording"),
    ("cli", "pytest_plugin"),
]
"""Pairs on one floor of which the second is not to know the first."""

SOURCES = (ROOT / "bench", ROOT / "nodes")
MODULES = sorted(path for folder in SOURCES for path in folder.rglob("*.py"))
START = ROOT / "bench" / "linkloss" / "start"  # a car for the user: copied, never imported
BENCH = [
    path
    for path in MODULES
    if path.is_relative_to(ROOT / "bench") and not path.is_relative_to(START)
]
NODES = [path for path in MODULES if path.is_relative_to(ROOT / "nodes")]


def dotted(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts[1:]).removesuffix(".__init__")


def named(paths: list[Path]):
    return pytest.mark.parametrize("path", paths, ids=dotted)


def imports(path: Path) -> Iterator[str]:
    """Every module that a file imports, wherever in it; names out of packages as modules too."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            assert node.module is not None
            yield node.module
            for alias in node.names:
                inner = [base.joinpath(*node.module.split("."), alias.name) for base in SOURCES]
                if any(path.with_suffix(".py").is_file() or path.is_dir() for path in inner):
                    yield f"{node.module}.{alias.name}"


def floor(module: str) -> int:
    """How high a module of the bench stands; the longest name that fits counts."""
    inside = module.removeprefix("linkloss.")
    while True:
        for height, names in enumerate(FLOORS):
            if inside in names:
                return height
        assert "." in inside, f"{module} stands on no floor of the house"
        inside = inside.rpartition(".")[0]


def test_the_house_has_modules():
    assert len(BENCH) > 50
    assert len(NODES) > 10


def test_no_two_files_of_tests_share_a_name():
    """They are imported by their names alone, and the second would be refused."""
    names = Counter(path.name for path in Path(__file__).parent.rglob("*.py"))
    assert [name for name, times in names.items() if times > 1 and name != "conftest.py"] == []


@named([path for path in BENCH if dotted(path) != "linkloss"])
def test_nothing_imports_upward(path):
    own = dotted(path)
    for other in imports(path):
        if other.startswith("linkloss."):
            assert floor(other) <= floor(own), f"{own} imports {other} from above"


@named(BENCH)
def test_neighbours_that_should_not_know_each_other_do_not(path):
    own = dotted(path)
    for stranger, place in SIDE_BY_SIDE:
        if own.startswith(f"linkloss.{place}"):
            assert not [
                other for other in imports(path) if other.startswith(f"linkloss.{stranger}")
            ]


@named(NODES)
def test_nodes_import_the_can_libraries_the_standard_library_and_nodes_alone(path):
    allowed = sys.stdlib_module_names | {"can", "cantools", "linkloss_nodes"}
    assert {name.partition(".")[0] for name in imports(path)} <= allowed


@named(BENCH)
def test_the_bench_imports_no_node(path):
    assert not [name for name in imports(path) if name.partition(".")[0] == "linkloss_nodes"]


@named(MODULES)
def test_every_module_says_why_it_exists(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    if tree.body:
        assert ast.get_docstring(tree)


@named(MODULES)
def test_no_function_has_more_than_50_lines_of_code(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            body = node.body[1:] if ast.get_docstring(node) else node.body
            lines = body[-1].end_lineno - body[0].lineno + 1 if body else 0
            assert lines <= 50, node.name


@named(MODULES)
def test_no_file_leaves_work_for_later_or_names_a_place_on_one_machine(path):
    text = path.read_text(encoding="utf-8")
    assert not re.search(r"\b(TODO|FIXME|XXX|HACK)\b", text)
    assert "/home/" not in text
    assert "/work/" not in text


PUBLIC = {
    "BadInput", "CheckReport", "Outcome", "Recording", "RunResult", "Scenario", "Vehicle",
    "Verdict", "check", "find_stories", "load_scenario", "load_vehicle", "run",
}  # fmt: skip


def test_the_public_names_are_the_documented_ones():
    assert set(linkloss.__all__) == PUBLIC
    assert list(linkloss.__all__) == sorted(linkloss.__all__)
    assert set(linkloss._HOMES) == PUBLIC


@pytest.mark.parametrize("name", sorted(PUBLIC))
def test_a_public_name_has_a_docstring_and_lives_where_it_is_said_to(name):
    found = getattr(linkloss, name)
    assert inspect.getdoc(found)
    assert found.__module__ == linkloss._HOMES[name]


@pytest.mark.parametrize("name", sorted(PUBLIC))
def test_the_public_methods_of_a_public_class_have_docstrings(name):
    found = getattr(linkloss, name)
    if inspect.isclass(found):
        for key, value in vars(found).items():
            value = getattr(value, "func", getattr(value, "fget", value))
            if not key.startswith("_") and inspect.isfunction(value):
                assert inspect.getdoc(value), f"{name}.{key}"


def test_a_name_that_is_not_public_is_told_so():
    with pytest.raises(AttributeError, match="module 'linkloss' has no attribute 'chekc'"):
        linkloss.chekc  # noqa: B018


@pytest.mark.parametrize(
    "package", ["linkloss.clock", "linkloss.bus", "linkloss.judge", "linkloss.session"]
)
def test_what_a_package_hands_out_exists_and_has_a_docstring(package):
    module = importlib.import_module(package)
    for name in module.__all__:
        value = getattr(module, name)
        assert not callable(value) or inspect.getdoc(value), name


def test_importing_the_bench_loads_none_of_the_big_libraries():
    program = (
        "import sys, linkloss; print([n for n in ('can', 'cantools', 'pydantic', 'rich') "
        "if n in sys.modules])"
    )
    ran = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert ran.stdout.strip() == "[]"
