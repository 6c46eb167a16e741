"""On a system that is not Linux: what cannot work there refuses in one line, all else is there."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import linkloss.campaign.check
import linkloss.live.opened
import linkloss.live.service  # noqa: F401 - all before the system changes its name
from linkloss.cli import main
from linkloss.problem import EXIT_BAD_INPUT

ROOT = Path(__file__).parents[1]
ELSEWHERE = """
import os, platform, signal, sys, sysconfig

sysconfig.get_config_vars()  # the interpreter looks for its own settings by the system's name
sys.platform, platform.system = "elsewhere", lambda: "Elsewhere"
for module in ("termios", "tty", "pty", "fcntl", "resource", "grp", "pwd"):
    sys.modules[module] = None
for module, names in {
    os: ("fork", "forkpty", "killpg", "openpty", "register_at_fork", "RTLD_NODELETE"),
    signal: ("SIGALRM", "SIGBUS", "SIGHUP", "SIGKILL", "SIGSYS", "SIGUSR1", "setitimer"),
}.items():
    for name in names:
        delattr(module, name)

from linkloss.cli import main

for command in sys.argv[1:]:
    print(f"{command}: exit {main(command.split())}", flush=True)
"""
"""A Python that lacks what only Linux and its like have, and some commands in it."""


def test_without_the_modules_of_linux_commands_work_or_refuse_in_one_line():
    wanted = {
        "--help": 0,
        "schema vehicle": 0,
        "faults": 0,
        "run scenarios/wren/plug_wiggles.toml --quiet": 0,
        "serve --open slcan": EXIT_BAD_INPUT,
        "live --terminal": EXIT_BAD_INPUT,
    }
    ran = subprocess.run(
        [sys.executable, "-c", ELSEWHERE, *wanted],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.stderr.splitlines() == [
        "linkloss: --open slcan: needs Linux, for a pseudo-terminal; this is elsewhere",
        "linkloss: --terminal: needs Linux, for keys that are read one by one; this is elsewhere",
    ]
    for command, code in wanted.items():
        assert f"\n{command}: exit {code}\n" in ran.stdout


@pytest.mark.parametrize(
    ("arguments", "refusal"),
    [
        (["live", "--terminal"], "--terminal: needs Linux, for keys that are read one by one"),
        (["serve", "--open", "slcan"], "--open slcan: needs Linux, for a pseudo-terminal"),
        (["live", "--open", "slcan"], "--open slcan: needs Linux, for a pseudo-terminal"),
        (
            ["serve", "--open", "socketcan:vcan0"],
            "--open socketcan:vcan0: needs Linux, for CAN interfaces of the kernel",
        ),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_a_command_that_needs_linux_refuses_in_one_line(arguments, refusal, monkeypatch, capsys):
    monkeypatch.chdir(ROOT)
    monkeypatch.setattr(sys, "platform", "darwin")
    assert main(arguments) == EXIT_BAD_INPUT
    assert capsys.readouterr().err == f"linkloss: {refusal}; this is darwin\n"


def test_a_vehicle_with_a_program_in_c_is_refused(tmp_path, monkeypatch, capsys):
    assert main(["new", str(tmp_path / "car")]) == 0
    capsys.readouterr()
    monkeypatch.setattr(sys, "platform", "darwin")
    assert main(["check", str(tmp_path / "car" / "vehicle.toml")]) == EXIT_BAD_INPUT
    line = f"{tmp_path}/car/vehicle.toml:18: nodes.rear.c: a program in C needs Linux"
    assert capsys.readouterr().err == f"{line}; this is darwin\n"
