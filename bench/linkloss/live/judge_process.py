"""The judge of a live session in a process of its own, so that it never holds up the session.

    session thread   what is new in the recording, in order            (driven.py)
    judge thread     passes it on, and waits for what the judge says   (service.py)
    judge process    its own copy of the recording, judged again and again
                     a saved session: judged as a whole, in one more thread of that process

The process ends with this one, however this one ends. Where this one has no threads yet it is
forked at once; otherwise it takes as long to start as this one did, and loads the vehicle file
anew.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from itertools import pairwise
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, NamedTuple

from linkloss.campaign.isolation import can_branch
from linkloss.campaign.run import judged
from linkloss.live.driven import LiveSession, Piece, beginning
from linkloss.live.growth import Gained, Growth, add, empty_copy
from linkloss.live.standing import Standing, Watcher, tally
from linkloss.recording import Outside, Recording
from linkloss.scenario import Scenario
from linkloss.vehicle.loading import Vehicle, load_vehicle


class Begin(NamedTuple):
    """A session begins: what an empty copy of it needs."""

    situation: str
    outside: Outside | None
    vehicle: str
    seed: int
    logged: tuple[str, ...]

    @classmethod
    def of(cls, live: LiveSession) -> Begin:
        """How a session began."""
        base, recording = live.journal.base, live.session.recording
        return cls(live.situation, base.outside, recording.vehicle, base.seed, recording.logged)


class Judged(NamedTuple):
    """How far the judging of a saved session is (``share``, 0 to 1) and, at its end, what the judge
    says in a sentence, or why there is nothing to say.
    """

    number: int
    share: float = 0.0
    text: str = ""
    failed: str = ""

    @property
    def over(self) -> bool:
        """Whether nothing more will come."""
        return bool(self.text or self.failed)


Hear = Callable[[Judged], object]


class Desk:
    """What the judge process does, one message after the other.

    :param hear: gets the news of whole judgements, from their own threads.
    """

    def __init__(self, vehicle: Vehicle, hear: Hear) -> None:
        self._vehicle = vehicle
        self._hear = hear

    def begin(self, told: Begin) -> None:
        """Forget the last session; a new one begins."""
        base = beginning(self._vehicle, told.situation, told.seed)[0]
        self._base = replace(base, outside=told.outside)
        self._copy = Recording(vehicle=told.vehicle, seed=told.seed, logged=told.logged)
        self._watcher = Watcher(self._vehicle, self._base, self._copy)

    def look(self, gained: Gained) -> Standing:
        """What the judge says now."""
        add(self._copy, gained)
        return self._watcher.look()

    def judge_whole(self, gained: Gained, number: int) -> threading.Thread:
        """Begin to judge the session up to here, as one that was saved."""
        add(self._copy, gained)
        scenario, frozen = self._base, empty_copy(self._copy)
        add(frozen, Growth(self._copy).gained(gained.end_ns))
        if scenario.outside is not None:
            came = replace(scenario.outside, events=tuple(frozen.outside))
            scenario = replace(scenario, outside=came)
        scenario = replace(scenario, lasts_ns=gained.end_ns)
        work = threading.Thread(target=self._judge, args=(scenario, frozen, number), daemon=True)
        work.start()
        return work

    def _judge(self, scenario: Scenario, recording: Recording, number: int) -> None:
        def done(share: float) -> None:
            self._hear(Judged(number, share))

        try:
            self._hear(Judged(number, 1.0, tally(judged(scenario, recording, done))))
        except Exception as error:  # noqa: BLE001 - whoever saved it must be told
            self._hear(Judged(number, 1.0, failed=f"{type(error).__name__}: {error}"))


_NICE = 5


def _forked(vehicle: Vehicle, looks: Connection, wholes: Connection) -> None:
    """The judge process, with everything that this one has: it closes all that is not its own, so
    that a port is free as soon as this process ends.
    """
    own = sorted((looks.fileno(), wholes.fileno()))
    for low, high in pairwise([2, *own, os.sysconf("SC_OPEN_MAX")]):
        os.closerange(low + 1, high)
    _work(vehicle, looks, wholes)


def _spawned(path: Path, looks: Connection, wholes: Connection) -> None:
    _work(load_vehicle(path), looks, wholes)


def _work(vehicle: Vehicle, looks: Connection, wholes: Connection) -> None:
    """The judge process, until the other end of its pipes is closed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the session
    if hasattr(os, "nice"):
        os.nice(_NICE)  # the session goes first
    one_at_a_time = threading.Lock()

    def hear(news: Judged) -> None:
        with one_at_a_time, suppress(OSError):
            wholes.send(news)

    with suppress(EOFError, OSError):
        desk = Desk(vehicle, hear)
        while True:
            order = looks.recv()
            try:
                looks.send(_answer(desk, order))
            except Exception as error:  # noqa: BLE001 - silence would look like "nothing is broken"
                looks.send(f"{type(error).__name__}: {error}")


def _answer(desk: Desk, order: Begin | Piece) -> Standing | None:
    if isinstance(order, Begin):
        desk.begin(order)
    elif order.whole is not None:
        desk.judge_whole(order.gained, order.whole)
    else:
        return desk.look(order.gained)
    return None


class JudgeError(Exception):
    """The judge failed; the text says how."""


class JudgeProcess:
    """The judge's process, seen from the session's. One thread may call it.

    :param hear: called in a thread of its own with the news of whole judgements.
    """

    def __init__(self, vehicle: Vehicle, hear: Hear) -> None:
        forks = can_branch()
        context: Any = multiprocessing.get_context("fork" if forks else "spawn")
        self._looks, looks = context.Pipe()
        self._wholes, wholes = context.Pipe()
        target, known = (_forked, vehicle) if forks else (_spawned, vehicle.path)
        self.process = context.Process(target=target, args=(known, looks, wholes), daemon=True)
        self.process.start()
        looks.close()
        wholes.close()
        threading.Thread(target=self._listen, args=(hear,), name="saved", daemon=True).start()

    def ask(self, order: Begin | Piece) -> Standing | None:
        """Pass something on, and wait for the answer; None if there is nothing to say.

        :raises JudgeError: if the judge failed, or its process has ended.
        """
        try:
            self._looks.send(order)
            answer: Standing | str | None = self._looks.recv()
        except (EOFError, OSError):
            raise JudgeError("its process has ended") from None
        if isinstance(answer, str):
            raise JudgeError(answer)
        return answer

    def end(self) -> None:
        """End the process, whatever it does; whoever waits for an answer gets JudgeError."""
        self.process.terminate()
        self.process.join()

    def _listen(self, hear: Hear) -> None:
        with suppress(EOFError, OSError):
            while True:
                hear(self._wholes.recv())
