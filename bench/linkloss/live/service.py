"""A running live session: its threads, its watchers, and their commands.

session   one thread: runs the vehicle, makes a state now and then
judge     one thread: passes on what is new to the judge's process, and what the judge says of it
watchers  any threads: get states, send commands

A command is one small JSON object.

A session can be saved as a scenario file. It is then judged as a whole beside the session; states
tell how far that is, and at its end what the judge says.
"""

from __future__ import annotations

import itertools
import json
import os
import re
import threading
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from linkloss.campaign.isolation import can_branch
from linkloss.clock.wallclock import Wall, monotonic_seconds
from linkloss.live.driven import LiveSession
from linkloss.live.judge_process import Begin, Judged, JudgeError, JudgeProcess
from linkloss.live.view import Offer, Saved, State, View, offers
from linkloss.problem import BadInput
from linkloss.recording import write_frames
from linkloss.report.files import write_whole
from linkloss.report.findings import scenario_toml
from linkloss.scenario import Scenario
from linkloss.vehicle.loading import Vehicle

LONGEST = 4096
"""The longest message from outside, in bytes."""


class CommandError(ValueError):
    """A command that cannot be carried out; the text is for the user."""


class _Command(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Set(_Command):
    """Set an input."""

    do: Literal["set"]
    input: str = Field(max_length=200)
    value: str | float


class Apply(_Command):
    """Apply a fault, by its number among the offers."""

    do: Literal["apply"]
    fault: int = Field(ge=0, le=100_000)


class Clear(_Command):
    """Clear an active fault, by its number among the offers."""

    do: Literal["clear"]
    fault: int = Field(ge=0, le=100_000)


class Plain(_Command):
    """A command without parameters: clear all faults, pause, resume, or start a new session."""

    do: Literal["clear_all", "pause", "resume", "anew"]


class Step(_Command):
    """Advance to the next event, frame or change, and pause there."""

    do: Literal["step"]
    to: Literal["event", "frame", "change"]


class Speed(_Command):
    """Set the speed, in virtual seconds per real second."""

    do: Literal["speed"]
    value: float = Field(ge=0.1, le=10)


class Save(_Command):
    """Save the session as a scenario."""

    do: Literal["save"]
    name: str = Field(max_length=60)


class Seen(_Command):
    """Acknowledge a state that was shown."""

    do: Literal["seen"]
    state: int = Field(ge=0, lt=1 << 53)


Command = Set | Apply | Clear | Plain | Step | Speed | Save | Seen
_ADAPTER: TypeAdapter[Command] = TypeAdapter(Annotated[Command, Field(discriminator="do")])


def parse(text: str) -> Command:
    """The command in a message from a connection.

    :raises CommandError: if it is not a valid command.
    """
    if len(text) > LONGEST:
        raise CommandError(f"got {len(text)} characters; expected at most {LONGEST}")
    try:
        return _ADAPTER.validate_python(json.loads(text, parse_constant=_no_number))
    except ValidationError as error:
        detail = error.errors(include_url=False, include_input=False)[0]
        place = ".".join(str(key) for key in detail["loc"][1:])
        raise CommandError(f"{place}: {detail['msg']}" if place else detail["msg"]) from None
    except (ValueError, RecursionError):
        raise CommandError("this is no JSON") from None


def _no_number(word: str) -> float:
    """JSON has no NaN and no infinities (RFC 8259, section 6), but Python's reader accepts them."""
    raise ValueError(word)


_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,59}")
ABOUT = "Driven by hand in a live session; what came from outside stands at its virtual instant."


def save(scenario: Scenario, folder: Path, name: str) -> Path:
    """Write ``NAME.toml`` into a folder, or ``NAME-2.toml`` if that exists, and return its path.
    Frames from outside go into ``NAME.outside.log`` next to it.

    :raises ValueError: with a text for the user, for a name with other characters or too long.
    :raises BadInput: if the folder cannot be written to.
    """
    _check_name(name)
    endings = itertools.chain([""], (f"-{number}" for number in itertools.count(2)))
    paths = (folder / f"{name}{ending}.toml" for ending in endings)
    path = next(path for path in paths if not path.exists())
    vehicle = os.path.relpath(scenario.vehicle.path.resolve(), folder.resolve())
    log = path.with_suffix(".outside.log")
    if scenario.outside is not None:
        write_whole(log, write_frames(scenario.outside.events))
    text = scenario_toml(
        scenario,
        vehicle=Path(vehicle).as_posix(),
        title=scenario.title,
        about=ABOUT,
        log=log.name,
    )
    write_whole(path, text)
    return path


def _check_name(name: str) -> None:
    if not _NAME.fullmatch(name):
        raise ValueError(f"got the name '{name}'; expected letters, digits, '-' and '_', up to 60")


STATES_PER_S = 25
_PATIENCE_S = 30.0
_REST_NS = 250_000_000
_REST_SHARE = 0.5
"""The judge rests this many times as long as it worked: the processor has others to serve."""
MOST_SAVED = 5
"""The last saved sessions, of which states tell."""
Watch = Callable[[State], object]


class Running:
    """One vehicle in a live session that can be watched, commanded and started again."""

    def __init__(self, vehicle: Vehicle, make: Callable[[], LiveSession], folder: Path) -> None:
        """``make`` builds a new session of the vehicle; saved sessions go into ``folder``."""
        self.vehicle = vehicle
        self.offers: tuple[Offer, ...] = offers(vehicle)
        self.failed = ""
        """Why the session failed; empty if it did not."""
        self._make = make
        self._folder = folder
        self._watchers: tuple[Watch, ...] = ()
        self._number = 0
        self._threads: tuple[threading.Thread, ...] = ()
        self._over = False
        self._turn = threading.Lock()
        self._judge: Future[JudgeProcess] | None = None
        self._numbers = itertools.count()
        self._saves: dict[int, Path] = {}
        self._judged: dict[int, Judged] = {}
        self._saving = threading.Lock()
        self._live = make()
        self._view = View(self._live, self.offers)

    # ---- start and stop ----

    def start(self) -> None:
        """Start the session. Returns at once."""
        if self._judge is None:
            self._judge = Future()
            if can_branch():  # soon this program has threads, and may not fork any more
                self._start_judge()
            else:
                threading.Thread(target=self._start_judge, daemon=True).start()
        both = (self._live, self._view)
        self._threads = (
            threading.Thread(target=self._run, args=both, name="session", daemon=True),
            threading.Thread(target=self._watch, args=both, name="judge", daemon=True),
        )
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """End the session and its judge."""
        self._over = True
        self._live.end()
        if self._judge is not None and self._judge.done():
            self._judge.result().end()
        self._end()

    def _end(self) -> None:
        self._live.end()
        for thread in self._threads:
            if thread.ident is not None:  # an interrupt may come while they are started
                thread.join(_PATIENCE_S)

    def _restart(self) -> None:
        """End the session and start a new one."""
        with self._turn:
            self._end()
            self._number += 1
            self.failed = ""
            self._live = self._make()
            self._view = View(self._live, self.offers, self._number)
            self._show_saved()
            self.start()

    def _run(self, live: LiveSession, view: View) -> None:
        due_s = 0.0

        def show() -> None:
            nonlocal due_s
            now_s = monotonic_seconds()
            if self._watchers and now_s >= due_s:
                due_s = max(due_s + 1 / STATES_PER_S, now_s - 1 / STATES_PER_S)
                self._tell(view.state())

        try:
            live.run(show)
        except Exception as error:  # noqa: BLE001 - whatever it is, the watchers must be told
            self.failed = f"the session ended with an error: {type(error).__name__}: {error}"
            self._tell(view.state(self.failed))

    def _start_judge(self) -> None:
        assert self._judge is not None
        judge = JudgeProcess(self.vehicle, self._hear)
        self._judge.set_result(judge)
        if self._over:
            judge.end()

    def _watch(self, live: LiveSession, view: View) -> None:
        """Pass on what is new, and show what the judge says, until the session ends."""
        assert self._judge is not None
        wall = Wall()
        while not self._judge.done() and not live.pacer.ended:
            wall.wait(_REST_NS)
        if not self._judge.done():
            self._judge_no_more("the session ended before the judge had begun")
            return
        try:
            self._let_judge(self._judge.result(), live, view)
        except JudgeError as error:
            view.unjudged = f"the judge stopped with an error: {error}"
            self._judge_no_more(str(error))

    def _judge_no_more(self, why: str) -> None:
        for number in [*self._saves]:
            self._hear(Judged(number, 1.0, failed=why))

    @staticmethod
    def _let_judge(judge: JudgeProcess, live: LiveSession, view: View) -> None:
        wall, judged_ns = Wall(), -1
        judge.ask(Begin.of(live))
        while pieces := live.news():
            begun_s = monotonic_seconds()
            for piece in pieces:
                if piece.whole is None and piece.gained.end_ns == judged_ns:
                    continue  # the session stands still
                judged_ns = piece.gained.end_ns
                view.standing = judge.ask(piece) or view.standing
            took_ns = (monotonic_seconds() - begun_s) * 1e9
            wall.wait(max(_REST_NS, round(_REST_SHARE * took_ns)))

    def _hear(self, news: Judged) -> None:
        """News of a saved session that is judged as a whole."""
        with self._saving:
            known = self._judged.get(news.number)
            if known is None or not known.over:
                self._judged[news.number] = news
            self._show_saved()

    def _show_saved(self) -> None:
        self._view.saved = tuple(
            _saved(path, self._judged.get(number, Judged(number)))
            for number, path in [*self._saves.items()][-MOST_SAVED:]
        )

    # ---- watching ----

    def add(self, watcher: Watch) -> None:
        """From now on call ``watcher(state)`` in the thread of the session, about 25 times a
        second. If the session has failed, call it at once.
        """
        if self.failed:
            watcher(self._view.state(self.failed))
        self._watchers += (watcher,)

    def remove(self, watcher: Watch) -> None:
        """Do not call this watcher any more."""
        self._watchers = tuple(one for one in self._watchers if one != watcher)

    def _tell(self, state: State) -> None:
        for watcher in self._watchers:
            watcher(state)

    # ---- commands ----

    def do(self, command: Command) -> str:
        """Carry out a command, and return a message for the user, or an empty text. Starting a
        new session may take a while.

        :raises CommandError: with a text for the user.
        """
        try:
            return self._do(command)
        except (ValueError, BadInput) as error:
            raise CommandError(str(error)) from None

    def _do(self, command: Command) -> str:
        live = self._live
        match command:
            case Set():
                live.act({command.input: command.value})
            case Apply():
                live.apply(self._offer(command.fault).fault)
            case Clear():
                live.clear(self._offer(command.fault).fault)
            case Plain(do="clear_all"):
                live.clear_all()
            case Plain(do="pause"):
                live.pacer.pause()
            case Plain(do="resume") | Step() if live.full:
                raise CommandError("the recording is full: save it, and begin anew")
            case Plain(do="resume"):
                live.pacer.resume()
            case Plain(do="anew"):
                self._restart()
                return "Begun anew: powered up, nothing is wrong with it."
            case Step():
                live.step(command.to)
            case Speed():
                live.pacer.set_speed(command.value)
            case Save():
                return self._save(live, command.name)
        return ""

    def _offer(self, number: int) -> Offer:
        if number >= len(self.offers):
            raise CommandError(f"got fault {number}; there are {len(self.offers)}, from 0 on")
        return self.offers[number]

    def _save(self, live: LiveSession, name: str) -> str:
        _check_name(name)
        number = next(self._numbers)
        path = save(live.cut(number, name=name), self._folder, name)
        with self._saving:
            self._saves[number] = path
            self._show_saved()
        if self._view.unjudged:
            self._hear(Judged(number, 1.0, failed=self._view.unjudged))
        return f"Saved as {path.name}. Again: {_again(path)}"


def _again(path: Path) -> str:
    return f"linkloss run {path}"


def _saved(path: Path, news: Judged) -> Saved:
    failed = f"It was not judged: {news.failed}." if news.failed else ""
    return Saved(name=path.name, share=news.share, text=failed or news.text, again=_again(path))
