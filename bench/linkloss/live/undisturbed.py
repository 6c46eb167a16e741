"""Keeping Python itself from holding up a session that runs on real time.

- A thread that works gives the interpreter to one that waits for it after 5 ms by default: as late
  as everything may be. Here after half a millisecond.
- The garbage collector looks through everything that lives, and a recording only grows: 100 ms at a
  time were measured. What has been recorded is put out of its reach now and then; what nobody
  refers to any more is still let go of at once, only cycles of references among it are kept until
  the end.
"""

from __future__ import annotations

import gc
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

SWITCH_S = 0.0005
_FRAMES = 5_000


@contextmanager
def undisturbed(frames: Callable[[], int]) -> Iterator[Callable[[], None]]:
    """While it lasts, what is yielded is to be called often; ``frames()`` says how much has been
    recorded.
    """
    before_s = sys.getswitchinterval()
    due = 0

    def tidy() -> None:
        nonlocal due
        if frames() >= due:
            due = frames() + _FRAMES
            gc.freeze()

    sys.setswitchinterval(min(before_s, SWITCH_S))
    gc.collect()
    try:
        yield tidy
    finally:
        sys.setswitchinterval(before_s)
        gc.unfreeze()
