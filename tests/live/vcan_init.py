"""The first process of a small Linux that has virtual CAN interfaces; see test_socketcan.py.

It makes vcan0, runs ``linkloss serve`` with a python-can program at the other end, and ends.
"""

from __future__ import annotations

import ctypes
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
MODULES = ("net/can/can.ko", "net/can/can-raw.ko", "net/can/can-bcm.ko",
           "drivers/net/can/dev/can-dev.ko", "drivers/net/can/vcan.ko")  # fmt: skip
FINIT_MODULE = 313
"""Number of the system call on x86-64 (Linux, arch/x86/entry/syscalls/syscall_64.tbl)."""
POWER_OFF = 0x4321FEDC
"""reboot(2)."""
PROGRAM = """
import can
with can.Bus(interface="socketcan", channel="vcan0") as bus:
    message = can.Message(arbitration_id=0x651, data=[7], is_extended_id=False)
    task = bus.send_periodic(message, 0.05)
    print("READY", flush=True)
    seen = set()
    for message in bus:
        seen.add(message.arbitration_id)
        if {0x0A0, 0x0D0} <= seen:
            print("PROGRAM HEARD", sorted(map(hex, seen)), flush=True)
            break
    while True:
        bus.recv()
"""


def prepare() -> None:
    libc = ctypes.CDLL(None, use_errno=True)
    libc.mount(b"proc", b"/proc", b"proc", 0, None)
    libc.mount(b"tmpfs", b"/mnt", b"tmpfs", 0, None)
    modules = Path("/usr/lib/uml/modules") / os.uname().release / "kernel"
    for name in MODULES:
        with (modules / name).open("rb") as module:
            if libc.syscall(FINIT_MODULE, module.fileno(), b"", 0):
                raise OSError(ctypes.get_errno(), name)
    for words in ("link set lo up", "link add dev vcan0 type vcan", "link set vcan0 up"):
        subprocess.run(["/usr/sbin/ip", *words.split()], check=True)


def main() -> None:
    prepare()
    print("VCAN0 IS UP", flush=True)
    program = subprocess.Popen([sys.executable, "-c", PROGRAM], stdout=subprocess.PIPE, text=True)
    assert program.stdout is not None
    program.stdout.readline()
    serve = ["serve", "scenarios/wren/vehicle.toml", "--open", "socketcan:vcan0"]
    more = ["--lasts", "1500 ms", "--log", "/mnt/all.log", "-q"]
    command = [sys.executable, "-m", "linkloss.cli", *serve, *more]
    ran = subprocess.run(command, cwd=ROOT, check=False)
    program.kill()
    print(program.communicate()[0], end="")
    own = [line for line in Path("/mnt/all.log").read_text().splitlines() if " 651#07" in line]
    print(f"SERVE ENDED {ran.returncode} WITH {len(own)} FRAMES", flush=True)


try:
    os.environ.update(HOME="/mnt", TMPDIR="/mnt", PYTHONDONTWRITEBYTECODE="1")
    main()
finally:
    ctypes.CDLL(None).reboot(POWER_OFF)
