"""``--open socketcan:vcan0`` on a real kernel's virtual CAN interface.

Most machines for tests have none and may not make one. Debian's package user-mode-linux is a Linux
that runs as a plain program and has one; the root of its file system is ours, to be read only.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

KERNEL = shutil.which("linux.uml")
MODULES = Path("/usr/lib/uml/modules")

pytestmark = [
    pytest.mark.skipif(KERNEL is None, reason="Debian's user-mode-linux is not installed"),
    pytest.mark.skipif(
        not any(MODULES.glob("*/kernel/drivers/net/can/vcan.ko")),
        reason="the kernel of user-mode-linux has no module vcan",
    ),
    pytest.mark.skipif(not Path("/usr/sbin/ip").exists(), reason="iproute2 is not installed"),
]


@pytest.mark.slow  # a kernel in user mode is started for it
def test_a_program_on_vcan0_takes_part(tmp_path):
    init = tmp_path / "init"
    init.write_text(f"#!{sys.executable}\n{INIT.read_text(encoding='utf-8')}")
    init.chmod(0o755)
    text = init.read_text().replace("Path(__file__).parents[2]", f"Path({str(ROOT)!r})")
    init.write_text(text)
    ran = subprocess.run(
        [KERNEL, "mem=512M", "rootfstype=hostfs", "rootflags=/", "ro", f"init={init}", "con=null",
         f"uml_dir={tmp_path}", "con0=null,fd:1", "quiet"],
        capture_output=True, text=True, timeout=300, errors="replace", stdin=subprocess.DEVNULL,
        cwd=tmp_path, check=False,
    )  # fmt: skip
    if "VCAN0 IS UP" not in ran.stdout:
        pytest.skip(f"user-mode-linux does not come up here: {(ran.stdout + ran.stderr)[-300:]}")
    assert re.search(r"PROGRAM HEARD .*'0xa0'.*'0xd0'", ran.stdout), ran.stdout
    ended = re.search(r"SERVE ENDED (\d+) WITH (\d+) FRAMES", ran.stdout)
    assert ended, ran.stdout
    assert ended[1] in ("0", "3")
    assert int(ended[2]) >= 1


ROOT = Path(__file__).parents[2]
INIT = ROOT / "tests" / "live" / "vcan_init.py"
