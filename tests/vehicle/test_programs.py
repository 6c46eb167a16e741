"""Programs that cannot be used are told with file and line, and nothing runs."""

from __future__ import annotations

import pytest
from written_car import PROGRAMS, VEHICLE

LINE = VEHICLE.splitlines().index('python = "programs.py:Dash"') + 1
PLACE = f"{LINE}: nodes.dash.python"


def said(car, reference: str) -> str:
    (problem,) = car.change('"programs.py:Dash"', f'"{reference}"').problems()
    assert problem.startswith(f"{PLACE}: ")
    return problem.removeprefix(f"{PLACE}: ")


@pytest.mark.parametrize("reference", ["programs.py", "programs.py:", ":Dash", ""])
def test_a_reference_without_file_or_class(car, reference):
    assert said(car, reference) == (
        f"got '{reference}'; expected 'file.py:Class' or 'package.module:Class'"
    )


def test_a_file_that_is_missing(car):
    assert said(car, "none.py:Dash") == f"there is no file '{car.folder / 'none.py'}'"


def test_a_folder_is_no_file(car):
    (car.folder / "folder.py").mkdir()
    assert said(car, "folder.py:Dash") == f"there is no file '{car.folder / 'folder.py'}'"


def test_a_module_that_is_missing(car):
    assert said(car, "nowhere.at.all:Dash") == (
        "there is no module 'nowhere.at.all'; for a file write 'file.py:Class'"
    )


@pytest.mark.parametrize(
    "reference", ["..nodes:Dash", ".nodes:Dash", "a..b:Dash", " :Dash", "a b:D"]
)
def test_a_module_whose_name_is_none(car, reference):
    assert "Traceback" not in said(car, reference)


def test_a_class_that_is_missing_comes_with_the_nearest_one(car):
    assert said(car, "programs.py:Dsah") == (
        "'programs.py' has no class 'Dsah' (did you mean 'Dash'?)"
    )


def test_a_function_is_no_class(car):
    car.write("more.py", "def Dash(board):\n    pass\n")
    assert said(car, "more.py:Dash") == "'more.py' has no class 'Dash'"


def test_a_class_that_can_neither_start_nor_run(car):
    car.write("more.py", "class Dash:\n    pass\n")
    assert said(car, "more.py:Dash") == (
        "'more.py:Dash' is no node: it has neither 'start' nor 'run'"
    )


def test_a_class_needs_no_base(car):
    car.write(
        "more.py", "class Dash:\n    def __init__(self, board): ...\n    def start(self): ...\n"
    )
    assert car.change('"programs.py:Dash"', '"more.py:Dash"').problems() == []


@pytest.mark.parametrize(
    "source, text",
    [
        ("a = 1\nb = 1 / 0\n", "at line 2: ZeroDivisionError: division by zero"),
        ("a = 1\nif a\n", "at line 2: expected ':'"),
        ("import nowhere_at_all\n", "at line 1: ModuleNotFoundError: No module named"),
        ("import sys\nsys.exit(3)\n", "at line 2: SystemExit: 3"),
        ("def f():\n    raise KeyError('x')\n\n\nf()\n", "at line 2: KeyError: 'x'"),
    ],
)
def test_a_file_that_fails_while_it_is_imported(car, source, text):
    car.write("more.py", source)
    assert said(car, "more.py:Dash").startswith(f"importing 'more.py' failed {text}")


@pytest.mark.parametrize("source", ["import sys\nsys.exit(3)\n", "raise ValueError('x')\n"])
def test_a_package_that_fails_while_it_is_imported(car, source, monkeypatch):
    monkeypatch.syspath_prepend(str(car.folder))
    car.write("package_that_fails.py", source)
    assert said(car, "package_that_fails:Dash").startswith("importing 'package_that_fails' failed")


def test_two_nodes_of_one_file_share_its_module(car):
    programs = car.load().programs
    assert programs["dash"].__module__ == programs["rear"].__module__


def test_files_of_one_name_in_two_folders_are_two_modules(car, tmp_path_factory):
    other = type(car)(tmp_path_factory.mktemp("other"))
    other.write(
        "programs.py", PROGRAMS.replace("class Dash(Node):", "class Dash(Node):\n    x = 1")
    )
    assert not hasattr(car.load().programs["dash"], "x")
    assert other.load().programs["dash"].x == 1


CHECKS = """
class Choosy(Node):
    @staticmethod
    def check_settings(settings):
        if settings.get("gain") == 0:
            error = ValueError("the gain is zero")
            error.key = "gain"
            raise error
        if not settings:
            raise ValueError("there are no settings")
"""


def test_settings_that_a_program_refuses_are_pointed_at(car):
    car.write("programs.py", PROGRAMS + CHECKS)
    car.change('"programs.py:Dash"', '"programs.py:Choosy"\nsettings = { gain = 0 }')
    assert car.problems() == [f"{LINE + 1}: nodes.dash.settings.gain: the gain is zero"]


def test_settings_that_are_refused_as_a_whole_are_told_at_the_node(car):
    car.write("programs.py", PROGRAMS + CHECKS)
    car.change('"programs.py:Dash"', '"programs.py:Choosy"')
    assert car.problems() == [f"{LINE - 1}: nodes.dash.settings: there are no settings"]


def test_settings_keep_the_types_of_the_file(car):
    car.change('"programs.py:Dash"', '"programs.py:Dash"\nsettings = { a = 3, b = 3.0, c = [1] }')
    settings = car.load().nodes["dash"].settings
    assert [type(value) for value in settings.values()] == [int, float, list]
