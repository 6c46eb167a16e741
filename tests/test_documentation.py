"""Every page is true: its commands print what it shows, its links lead somewhere.

The words behind a block's language say what it is:

``console``
    Commands behind ``$`` and what each of them prints, line by line. A line ``...`` stands for any
    lines, ``...`` within a line for any text. ``exit=2``: the last one is to fail with that code.
    Where nothing is shown below a command, its output is not compared.
``sh``
    Commands that are not run here: they install, wait for a browser or an adapter, or take minutes.
    Their options exist.
``toml NAME``, ``c NAME`` ...
    A file that is written. ``+NAME`` adds to it.
``python``
    A program that is run.
``text``
    A drawing, or a form to fill in.

Each page is followed from its beginning in a folder that has ``scenarios`` and ``dbc``.
"""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from difflib import ndiff
from importlib.util import find_spec
from pathlib import Path

import pytest
from page_parts import MADE, PART, ROOT, made_anew, pages

from linkloss.cli import app, main

BLOCK = re.compile(r"^```(\w+)(?: (\S+))?\n(.*?)^```$", re.MULTILINE | re.DOTALL)
PAGES = pages()
WITH_BLOCKS = [page for page in PAGES if BLOCK.search(page.read_text(encoding="utf-8"))]
LONGEST = {"README.md": 8_000, "DEVELOPERS.md": 10_000}
"""Bytes."""


def named(page: Path) -> str:
    return page.relative_to(ROOT).as_posix()


class Reader:
    """Somebody who follows a page from its beginning, in a folder with what it speaks of."""

    def __init__(self, capsys) -> None:
        self.capsys = capsys

    def follow(self, language: str, word: str, text: str) -> None:
        if language == "console":
            self.console(text, int(word.removeprefix("exit=") or 0))
        elif language == "sh":
            for line in text.replace("\\\n", " ").splitlines():
                self.ensure_options(line)
        elif language == "text":
            assert not text.startswith("$ "), "a command is a block of 'console'"
        elif word:
            place = Path(word.removeprefix("+"))
            place.parent.mkdir(exist_ok=True)
            with place.open("a" if word.startswith("+") else "w", encoding="utf-8") as file:
                file.write(text)
        elif language == "python":
            exec(compile(text, "README.md", "exec"), {})
        else:
            assert language == "toml", f"nothing is done with a block of {language}"

    def console(self, text: str, code: int) -> None:
        assert text.startswith("$ "), f"no command before: {text}"
        entries = re.split(r"^\$ ", text, flags=re.MULTILINE)[1:]
        for entry in entries:
            typed, shown = re.fullmatch(r"((?:.*\\\n)*.*\n)([\s\S]*)", entry).groups()
            command = typed.replace("\\\n", " ").strip()
            printed = self.command(command, code if entry is entries[-1] else 0)
            if shown:
                compare(command, shown, printed)

    def command(self, line: str, expected: int) -> str:
        line, _, target = line.partition(" > ")
        program, *arguments = shlex.split(line)
        if program == "linkloss":
            code = main(arguments)
            out, err = self.capsys.readouterr()
        elif program in ("pytest", "sed", "cat"):
            ran = self.program(program, arguments)
            code, out, err = ran.returncode, ran.stdout, ran.stderr
        else:
            raise AssertionError(f"nothing runs {program}")
        assert code == expected, f"{line}: {code}\n{out}{err}"
        if target:
            Path(target).write_text(out, encoding="utf-8")
            out = ""
        return out + err

    def program(self, name: str, arguments: list[str]) -> subprocess.CompletedProcess[str]:
        words, env = [name, *arguments], None
        if name == "pytest":
            plugins = ["-p", "no:cacheprovider", "-p", "no:asyncio", "-p", "no:benchmark"]
            words = [sys.executable, "-m", "pytest", *plugins, *arguments]
            env = {"PYTEST_PLUGINS": "linkloss.pytest_plugin", "PATH": ""}
            env |= {"PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
        return subprocess.run(words, env=env, capture_output=True, text=True, check=False)

    def ensure_options(self, line: str) -> None:
        """What a command of ours is given can be read; nothing runs."""
        for command in re.split(r"&&|;", line.partition(" #")[0]):
            words = shlex.split(command)
            if words and Path(words[0]).name == "linkloss":
                app.parse_args(words[1:], exit_on_error=False, print_error=False)


def compare(command: str, shown: str, printed: str) -> None:
    """What a page shows is all that a command printed, but for what ``...`` stands for."""
    printed = "".join(f"{line.rstrip()}\n" for line in printed.strip("\n").splitlines())
    pattern = ""
    for line in shown.strip("\n").splitlines():
        pieces = [re.escape(piece) for piece in line.rstrip().split("...")]
        pattern += r"(?:.*\n)*?" if line == "..." else ".*".join(pieces) + r"\n"
    if not re.fullmatch(pattern, printed):
        difference = "".join(ndiff(shown.splitlines(True), printed.splitlines(True)))
        raise AssertionError(f"'{command}' prints something else:\n{difference}")


@pytest.fixture
def reader(tmp_path, monkeypatch, capsys) -> Reader:
    ignored = shutil.ignore_patterns("__pycache__", "*.md")
    for folder in ("scenarios", "dbc"):
        shutil.copytree(ROOT / folder, tmp_path / folder, ignore=ignored)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    return Reader(capsys)


@pytest.mark.parametrize("page", WITH_BLOCKS, ids=named)
def test_what_a_page_shows_is_what_happens(page, reader):
    blocks = BLOCK.findall(page.read_text(encoding="utf-8"))
    programs_in_c = any(language == "c" or "linkloss new" in text for language, _, text in blocks)
    if programs_in_c and not (shutil.which("cc") and find_spec("cffi")):
        pytest.skip("no C compiler (Debian: gcc), or no cffi")
    for language, word, text in blocks:
        reader.follow(language, word, text)


def test_a_page_that_is_not_true_is_found_out(reader):
    reader.follow("console", "", "$ linkloss faults\n...\n* unplug: ...\n...\n* reset: ...\n...\n")
    for wrong in ("* reset: ...\n", "...\n* unheard_of: ...\n...\n", "...\n* unplug: ...\n"):
        with pytest.raises(AssertionError, match="'linkloss faults' prints something else"):
            reader.follow("console", "", f"$ linkloss faults\n{wrong}")
    with pytest.raises(AssertionError, match=r"linkloss run nothing\.toml: 2"):
        reader.follow("console", "", "$ linkloss run nothing.toml\n")
    with pytest.raises(Exception, match="--unheard-of"):
        reader.follow("sh", "", "pip install x && linkloss check my.toml --unheard-of 1\n")


def anchors(page: Path) -> set[str]:
    """What a heading is called in a link to it: small letters, hyphens for spaces, no signs."""
    text = BLOCK.sub("", page.read_text(encoding="utf-8"))
    heads = re.findall(r"^#+ (.+)$", text, re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("page", PAGES, ids=named)
def test_the_links_of_a_page_lead_somewhere(page):
    text = BLOCK.sub("", page.read_text(encoding="utf-8"))
    links = re.findall(r"\]\(([^)]+)\)|(?:src|srcset)=\"([^\"]+)\"", text)
    for target in (link or picture for link, picture in links):
        if "://" not in target:
            file, _, anchor = target.partition("#")
            place = page.parent / file if file else page
            assert place.exists(), target
            assert not anchor or anchor in anchors(place), target


@pytest.mark.parametrize("page", PAGES, ids=named)
def test_the_parts_that_are_made_from_the_code_are_up_to_date(page):
    text = page.read_text(encoding="utf-8")
    assert made_anew(text) == text, "run 'python tests/page_parts.py'"


def test_every_part_that_can_be_made_stands_on_a_page():
    used = [part[1] for page in PAGES for part in PART.findall(page.read_text(encoding="utf-8"))]
    assert sorted(used) == sorted(MADE)


def test_the_first_pages_stay_short():
    for name, most in LONGEST.items():
        assert len((ROOT / name).read_bytes()) <= most, name


def test_the_commands_for_a_fresh_machine_are_those_that_the_build_runs():
    build = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    page = (ROOT / "README.md").read_text(encoding="utf-8")
    commands = [line for line in page.splitlines() if line.startswith("python3 -m venv")]
    assert len(commands) == 2
    assert [line for line in build.splitlines() if line.startswith("python3 -m venv")] == commands
