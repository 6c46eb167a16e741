"""Something done in a process of its own: a program that crashes or hangs there takes nobody
along.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable
from contextlib import suppress
from multiprocessing import Pipe
from multiprocessing.connection import Connection
from traceback import format_exc
from typing import TypeVar

T = TypeVar("T")

CAN_FORK = hasattr(os, "fork")


def no_branching() -> str:
    """Why processes cannot be forked from here; empty where they can: the system forks, and this
    is its only thread.
    """
    if not CAN_FORK:
        return "this system forks no processes"
    threads = threading.active_count()
    return "" if threads == 1 else f"this program has {threads} threads, and only one may fork"


def can_branch() -> bool:
    """Whether processes can be forked from here."""
    return not no_branching()


def apart(call: Callable[[], T], limit_s: float) -> T | None:
    """What ``call()`` returns in a forked process; None if that died or took longer than
    ``limit_s`` seconds of real time. Where nothing can be forked it is called right here. Raises
    whatever the call raises.
    """
    if not can_branch():
        return call()
    reader, writer = Pipe(duplex=False)
    child = os.fork()
    if child == 0:
        _answer(call, writer)
    writer.close()
    try:
        if reader.poll(limit_s):
            found: T | None
            found, raised = reader.recv()
            if raised is not None:
                raise raised
            return found
    except EOFError:
        pass
    finally:
        reader.close()
        with suppress(ProcessLookupError):
            os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
    return None


def _answer(call: Callable[[], T], writer: Connection) -> None:
    """The child's whole life; it never returns."""
    try:
        writer.send((call(), None))
    except Exception as error:  # noqa: BLE001 - told to the parent
        error.add_note(format_exc())
        writer.send((None, error))
    finally:
        os._exit(0)
