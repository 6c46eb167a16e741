"""Every block of code in the folders' READMEs is run, and shows what it says it shows.

The word behind a block's language says what it is: a file that is written (``toml NAME``; ``+NAME``
adds to one), commands (``sh``, with ``exit=2`` for those that are to fail), a program
(``python``), or what the commands before it print (``text``; ``...`` stands for anything).
"""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

from linkloss.cli import main

ROOT = Path(__file__).parents[1]
PAGES = [
    ROOT / folder / "README.md"
    for folder in ("scenarios", "nodes", "nodes/firmware", "dbc", "bench")
]
BLOCK = re.compile(r"^```(\w+)(?: (\S+))?\n(.*?)^```$", re.MULTILINE | re.DOTALL)
PICTURE = "| session: one run in virtual time"
"""A text block that prints nothing: the drawing of the house."""


class Reader:
    """Somebody who follows a page from its beginning, in a folder with what it speaks of."""

    def __init__(self, capsys) -> None:
        self.capsys = capsys
        self.printed = ""

    def follow(self, language: str, word: str, text: str) -> None:
        if language == "sh":
            expected = int(word.removeprefix("exit=")) if word else 0
            shown = [self.command(line, expected) for line in text.splitlines()]
            self.printed = "\n".join(shown)
        elif language == "text":
            if PICTURE not in text:
                self.compare(text)
        elif word:
            place = Path(word.removeprefix("+"))
            place.parent.mkdir(exist_ok=True)
            with place.open("a" if word.startswith("+") else "w", encoding="utf-8") as file:
                file.write(text)
        else:
            assert language == "python", f"nothing runs a block of {language}"
            exec(compile(text, "README.md", "exec"), {})

    def command(self, line: str, expected: int) -> str:
        line, _, target = line.partition(" > ")
        program, *arguments = shlex.split(line)
        if program == "pytest":
            return self.pytest(arguments, expected)
        assert program == "linkloss", f"nothing runs {program}"
        code = main(arguments)
        out, err = self.capsys.readouterr()
        assert code == expected, f"{line}: {code}\n{out}{err}"
        if target:
            Path(target).write_text(out, encoding="utf-8")
        return out + err

    def pytest(self, arguments: list[str], expected: int) -> str:
        plugins = ["-p", "no:cacheprovider", "-p", "no:asyncio", "-p", "no:benchmark"]
        ran = subprocess.run(
            [sys.executable, "-m", "pytest", *plugins, *arguments],
            env={"PYTEST_PLUGINS": "linkloss.pytest_plugin", "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
            | {"PATH": ""},
            capture_output=True,
            text=True,
            check=False,
        )
        assert ran.returncode == expected, ran.stdout + ran.stderr
        return ran.stdout

    def compare(self, text: str) -> None:
        """The lines stand in what was printed, in this order."""
        rest = self.printed
        for line in text.splitlines():
            for piece in line.split("..."):
                if piece.strip():
                    _, found, rest = rest.partition(piece.rstrip())
                    assert found, f"{piece!r} is not in:\n{self.printed}"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.parent.name)
def test_the_page_of_a_folder_is_true(page, tmp_path, monkeypatch, capsys):
    ignored = shutil.ignore_patterns("__pycache__", "*.md")
    for folder in ("scenarios", "dbc"):
        shutil.copytree(ROOT / folder, tmp_path / folder, ignore=ignored)
    if page.parent.name == "firmware" and not (shutil.which("cc") and find_spec("cffi")):
        pytest.skip("no C compiler (Debian: gcc), or no cffi")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    reader = Reader(capsys)
    blocks = BLOCK.findall(page.read_text(encoding="utf-8"))
    assert blocks
    for language, word, text in blocks:
        reader.follow(language, word, text)


def test_a_page_that_is_not_true_is_found_out(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    reader = Reader(capsys)
    reader.follow("sh", "", "linkloss faults\n")
    reader.follow("text", "", "unplug\n...\nreset\n")
    with pytest.raises(AssertionError, match="is not in"):
        reader.follow("text", "", "a fault that nobody knows\n")
    with pytest.raises(AssertionError, match=r"linkloss run nothing\.toml: 2"):
        reader.follow("sh", "", "linkloss run nothing.toml\n")


@pytest.mark.parametrize("page", [*PAGES, ROOT / "README.md", ROOT / "DEVELOPERS.md"], ids=str)
def test_the_links_of_a_page_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)#]+)\)", page.read_text(encoding="utf-8")):
        assert (page.parent / target).exists() or "://" in target, target


def test_the_test_that_the_first_page_shows_passes(tmp_path, monkeypatch, capsys):
    page = (ROOT / "README.md").read_text(encoding="utf-8")
    (shown,) = [text for _, _, text in BLOCK.findall(page) if "async def test_" in text]
    for folder in ("scenarios", "dbc"):
        shutil.copytree(ROOT / folder, tmp_path / folder)
    monkeypatch.chdir(tmp_path)
    Path("scenarios/wren/test_shown.py").write_text(shown, encoding="utf-8")
    reader = Reader(capsys)
    assert "1 passed" in reader.pytest(["-q", "scenarios/wren/test_shown.py"], 0)


@pytest.mark.parametrize(
    ("begins", "command"),
    [
        ("   1.5000 s  fault cut:", "linkloss run scenarios/wren/tail_cable_pulled.toml"),
        ("   1.1000 s  fault brown_out:", "linkloss run scenarios/wren/rear_browns_out.toml"),
        ("bus load: 4.5%", "linkloss timing scenarios/wren/vehicle.toml --situation all"),
    ],
)
def test_what_the_first_page_shows_is_what_the_command_prints(begins, command, monkeypatch, capsys):
    page = (ROOT / "README.md").read_text(encoding="utf-8")
    (shown,) = [text for _, _, text in BLOCK.findall(page) if text.startswith(begins)]
    monkeypatch.chdir(ROOT)
    monkeypatch.setenv("COLUMNS", "80")
    reader = Reader(capsys)
    reader.follow("sh", "", f"{command}\n")
    reader.follow("text", "", shown)
