"""``linkloss check --watch``: the check runs again whenever a file of the car is saved.

    watcher   imported once, has one thread; waits, and forks the two others
    eyes      tell it which files changed
    run       one check: reads the car as it is now, runs it, shows it, and ends

Each run is a fork of the watcher, which has imported the bench and no program of the car, so that
programs are new in every run. The first run hands back its plan, which the next ones take over as
long as the vehicle file and its DBC files are the same. A save ends the run that is on its way.
Nothing that a run meets ends the watcher.
"""

from __future__ import annotations

import importlib
import os
import signal
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from collections.abc import Set as AbstractSet
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from hashlib import sha256
from importlib.util import find_spec
from multiprocessing import Pipe
from multiprocessing.connection import Connection, wait
from pathlib import Path
from traceback import print_exc
from typing import Any, Generic, NamedTuple, TypeVar

from rich.console import Console

from linkloss.campaign.check import Interrupted, cases_named, check
from linkloss.campaign.depth import Depth, Planned, adopt, planned
from linkloss.campaign.isolation import no_branching
from linkloss.cli.checked import Remembered, ended_like_ctrl_c, note, tell
from linkloss.cli.common import bad, compiled, duration_ns, load, refuse
from linkloss.clock.wallclock import epoch_ns
from linkloss.firmware.build import C_SUFFIXES, CPP_SUFFIXES, BuildOptions
from linkloss.problem import EXIT_INTERRUPTED, BadInput, printable
from linkloss.report.screen import heading, make_console
from linkloss.report.terminal import progress_of_check, show_check
from linkloss.report.words import count
from linkloss.shipped import demo_vehicle
from linkloss.vehicle.loading import Vehicle, read_vehicle_file
from linkloss.vehicle.programs import files_behind, header_folders, named_files, own_files
from linkloss.vehicle.tables import by_name
from linkloss.vehicle.toml import read_toml

SUFFIXES = (".toml", ".dbc", ".py", ".h", ".hpp", ".hh", ".inc", *C_SUFFIXES, *CPP_SUFFIXES)
"""What a file may be that is lacking where a car cannot be read."""
STEP_MS, LOOK_MS = 20, 500
"""In ms: writes that follow each other as closely are one save; and how often files are looked at
where the system tells of no change, as on some network drives.
"""
GRACE_S = 2.0
"""A run that is to end has this long, in seconds, before it is killed."""
MOST_LINES = 8
"""Of a mistake in the car, this many lines are shown."""
WARM = ("linkloss.firmware.program", "linkloss.firmware.script", "linkloss.campaign.causes")
"""What a run may need; imported before it where the extras for it are there."""


class Plan(NamedTuple):
    """The cases of a car, without its programs. ``key`` says of which files, ``sound`` whether all
    rules held where it was made.
    """

    key: str
    found: Planned
    sound: bool


class Told(NamedTuple):
    """What a run tells the watcher; None: as before."""

    files: frozenset[Path] | None = None
    """The files that decide what the car does."""
    plan: Plan | None = None
    read: bool = True
    """Whether the car could be read."""


@dataclass(frozen=True)
class Watched:
    """What is watched and how it is checked."""

    path: Path
    depth: Depth
    seed: int
    choice: dict[str, Any]
    """Which cases, and how they run."""
    build: BuildOptions | None
    shown: dict[str, Any]
    """How the report is shown."""
    quiet: bool


FITTING = {
    "watch", "vehicle", "depth", "first", "only", "situation", "seed", "jobs", "no_branch", "limit",
    "sanitize", "no_shrink", "table", "quiet", "verbose",
}  # fmt: skip
"""The options of a check that go with ``--watch``."""


def watched_as(given: Mapping[str, Any]) -> Watched:
    """What to watch, by the options of ``linkloss check``. Raises BadInput for one that does not
    fit.
    """
    for name, value in given.items():
        if name not in FITTING and value not in (None, False):
            option = f"--{name.strip('_').replace('_', '-')}"
            raise bad("--watch", f"shows on the screen what breaks; got '{option}' beside it")
    refuse((given["depth"] == "hunt", "--watch", "runs what is planned; got '--depth hunt'"))
    choice = {"only": given["only"], "situations": given["situation"], "jobs": given["jobs"]}
    limit_ns = duration_ns("--limit", given["limit"]) or 1
    choice |= {"first": given["first"], "branch": not given["no_branch"], "limit_s": limit_ns / 1e9}
    build = BuildOptions(sanitize=True) if given["sanitize"] else None
    shown = {"table": given["table"], "verbose": given["verbose"], "brief": True}
    path = given["vehicle"] or demo_vehicle()
    depth: Depth = given["depth"] or "quick"
    return Watched(path, depth, given["seed"], choice, build, shown, given["quiet"])


def watch(watched: Watched) -> int:
    """Check a vehicle now and after every save, until Ctrl-C. Raises BadInput where that is not
    possible.
    """
    why = no_branching()
    refuse((why, "--watch", f"{why}, and each run is a fork of the watcher"))
    if find_spec("watchfiles") is None:
        raise bad("--watch", "needs the extra 'watch': pip install 'linkloss[watch]'")
    for name in WARM:
        with suppress(ImportError):
            importlib.import_module(name)
    watcher = _Watcher(watched)
    try:
        with ended_like_ctrl_c():
            watcher.go_on()
    except KeyboardInterrupt:
        print("\nlinkloss: no longer watching", file=sys.stderr)
    finally:
        watcher.end()
    return EXIT_INTERRUPTED


T = TypeVar("T")
Tell = Callable[[T], None]
Stamp = tuple[int, int, int] | None
"""What tells one state of a file from the next (the time of its last change in ns, its size, its
number), or None where there is none.
"""


def stamp_of(path: Path) -> Stamp:
    """The stamp of a file."""
    try:
        found = path.stat()
    except OSError:  # an editor may be about to put another one in its place
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino


class _Watcher:
    """Waits for saves, and has one run at a time."""

    def __init__(self, watched: Watched) -> None:
        self._watched = watched
        self._plan: Plan | None = None
        self._stamps: dict[Path, Stamp] = {}
        self._read = True
        self._run: _Child[Told] | None = None
        self._eyes: _Child[list[str]] | None = None
        self._folders: frozenset[Path] = frozenset()

    def go_on(self) -> None:
        """Run, and run again after each save, for ever."""
        changed: frozenset[Path] = frozenset()
        path = self._watched.path.resolve()
        self._stamps[path] = stamp_of(path)
        while True:
            self._look()
            begun_ns = epoch_ns()
            work = partial(_run, self._watched, self._plan, changed)
            self._run = _Child(work, signal.SIGTERM)
            changed = self._saved(begun_ns)
            self._run.end()

    def _look(self) -> None:
        """Watch the folders of all files."""
        folders = frozenset(path.parent for path in self._stamps if path.parent.is_dir())
        if self._eyes is None or self._folders != folders:
            if self._eyes is not None:
                self._eyes.end()
            self._folders = folders
            self._eyes = _Child(partial(_see, folders), signal.SIGKILL)

    def _saved(self, begun_ns: int) -> frozenset[Path]:
        """Wait for a save after an instant, and for what the run tells; what was saved."""
        run, strange = self._run, set[Path]()
        assert run is not None
        while True:
            assert self._eyes is not None
            ready = wait([child.reader for child in (run, self._eyes) if not child.ended])
            if run.reader in ready:
                told = run.told()
                if told is None:
                    print("linkloss: waiting for the next save; Ctrl-C ends it", file=sys.stderr)
                else:
                    self._take(told, begun_ns)
            if self._eyes.reader in ready:
                strange.update(map(Path, self._eyes.told() or ()))
            found = {path for path, stamp in self._stamps.items() if _differs(path, stamp)}
            if not self._read:
                found |= {path for path in strange if path.suffix in SUFFIXES}
            if found:
                self._stamps |= {path: stamp_of(path) for path in found if path in self._stamps}
                return frozenset(found)

    def _take(self, told: Told, begun_ns: int) -> None:
        """Take in what a run tells. A file that was saved after it began counts as not yet seen."""
        self._read = told.read
        if told.files is not None:
            known = told.files if told.read else told.files.union(self._stamps)
            fresh = {path: stamp_of(path) for path in known}
            late = {path for path, stamp in fresh.items() if stamp and stamp[0] > begun_ns}
            self._stamps = {
                path: self._stamps.get(path, None if path in late else stamp)
                for path, stamp in fresh.items()
            }
            self._look()
        self._plan = told.plan or self._plan

    def end(self) -> None:
        """End all processes."""
        for child in (self._run, self._eyes):
            if child is not None:
                child.end()


def _differs(path: Path, stamp: Stamp) -> bool:
    """Whether a file is there and is not what it was."""
    now = stamp_of(path)
    return now is not None and now != stamp


class _Child(Generic[T]):
    """A forked process, in a session of its own, that tells what it finds through a pipe."""

    def __init__(
        self, work: Callable[[Callable[[T], None]], None], ends_by: signal.Signals
    ) -> None:
        """``work(tell)`` is all that it does; ``ends_by`` is the signal that ends it early."""
        self.reader, writer = Pipe(duplex=False)
        self.ended = False
        self._ends_by = ends_by
        sys.stdout.flush()
        sys.stderr.flush()
        self._process = os.fork()
        if self._process == 0:
            self.reader.close()
            _work(work, writer)
        writer.close()

    def told(self) -> T | None:
        """What it tells next; None once it has ended."""
        try:
            found: T = self.reader.recv()
        except (EOFError, OSError):
            self._reap()
            return None
        return found

    def end(self) -> None:
        """End it, and whatever it has begun, if it still runs."""
        if self.ended:
            return
        with suppress(ProcessLookupError):
            os.kill(self._process, self._ends_by)
        with suppress(EOFError, OSError):  # the pipe ends with the last of its processes
            while self.reader.poll(GRACE_S):
                self.reader.recv()
        with suppress(ProcessLookupError):
            os.killpg(self._process, signal.SIGKILL)
        self._reap()

    def _reap(self) -> None:
        self.ended = True
        self.reader.close()
        os.waitpid(self._process, 0)


def _work(work: Callable[[Tell[T]], None], writer: Connection) -> None:
    """Everything that the child does; it never returns."""
    code = 0
    try:
        os.setsid()
        work(writer.send)
        sys.stdout.flush()
        sys.stderr.flush()
    except KeyboardInterrupt:  # the watcher ends it
        pass
    except BaseException:  # noqa: BLE001 - whatever it is, the watcher goes on
        print_exc()
        code = 1
    finally:
        os._exit(code)


def _see(folders: Iterable[Path], tell: Tell[list[str]]) -> None:
    """Tell of every change in some folders, and now and then of none."""
    import watchfiles

    for polling in (None, True):  # the system may have no more watches to give
        with suppress(OSError, RuntimeError):
            for changes in watchfiles.watch(
                *folders,
                watch_filter=None,
                debounce=10 * STEP_MS,
                step=STEP_MS,
                rust_timeout=LOOK_MS,
                yield_on_timeout=True,
                recursive=False,
                force_polling=polling,
            ):
                tell([path for _, path in changes])


def _run(
    watched: Watched,
    plan: Plan | None,
    changed: AbstractSet[Path],
    tell_watcher: Tell[Told],
) -> None:
    """One run: everything that happens after a save."""
    with ended_like_ctrl_c():
        sys.dont_write_bytecode = True  # a second save within a second would go unnoticed
        importlib.invalidate_caches()
        console = make_console()
        if changed:
            heading(console, f"{', '.join(sorted(map(_short, changed)))} changed")
            sys.stdout.flush()
        try:
            vehicle = compiled(load(watched.path, watched.build))
        except BadInput as error:
            tell_watcher(Told(frozenset(_named(watched.path)), read=False))
            _show_mistakes(error)
            return
        tell_watcher(Told(frozenset(_files(vehicle))))
        try:
            _check(watched, vehicle, plan, changed, console, tell_watcher)
        except BadInput as error:
            _show_mistakes(error)


def _check(
    watched: Watched,
    vehicle: Vehicle,
    plan: Plan | None,
    changed: AbstractSet[Path],
    console: Console,
    tell_watcher: Tell[Told],
) -> None:
    """Run the cases, show what broke, and why."""
    key = _key(watched, vehicle)
    fits = plan is not None and plan.key == key
    if plan is None or not fits:
        plan = _planned(watched, vehicle, key)
        tell_watcher(Told(plan=plan))
    memory = Remembered(vehicle.path, watched.seed)
    names = memory.names()
    again = cases_named(vehicle, watched.seed, names)
    known, gone = {case.name for case in plan.found.cases}, set(names).difference(again)
    more = [_without_programs(case) for name, case in again.items() if name not in known]
    found = plan.found._replace(cases=[*more, *plan.found.cases])
    adopt(vehicle, watched.depth, watched.seed, found)
    choice = {"again": tuple(again), "near": _near(vehicle, changed), **watched.choice}
    with progress_of_check(quiet=watched.quiet, vehicle=vehicle) as progress:
        told = None if progress is None else progress.tell
        choice |= {"depth": watched.depth, "seed": watched.seed}
        try:
            report = check(vehicle, progress=progress, tell=told, **choice)
        except Interrupted as stopped:  # by the next save, which begins with what broke so far
            note(memory, stopped.report, gone)
            raise
    note(memory, report, gone)
    causes = None
    if report.findings:
        runs: dict[str, Any] = {name: watched.choice[name] for name in ("first", "jobs", "limit_s")}
        causes = tell(report, None, budget=0, quiet=watched.quiet, **runs)
    show_check(console, report, told=causes, **watched.shown)
    sys.stdout.flush()
    if not (report.findings or plan.sound):  # made while something was broken
        plan = _planned(watched, replace(vehicle), key) if fits else plan
        tell_watcher(Told(plan=plan._replace(sound=True)))


def _planned(watched: Watched, vehicle: Vehicle, key: str) -> Plan:
    found = planned(vehicle, watched.depth, watched.seed)
    cases = [_without_programs(case) for case in found.cases]
    return Plan(key, found._replace(cases=cases), sound=False)


def _without_programs(case: Any) -> Any:
    """A case as it goes from one process to another: programs cannot."""
    return replace(case, vehicle=None)


def _key(watched: Watched, vehicle: Vehicle) -> str:
    """What a plan is made of, beside the programs."""
    digest = sha256(f"{watched.depth} {watched.seed}".encode())
    for path in (vehicle.path, *vehicle.dbc_paths):
        digest.update(path.read_bytes())
    return digest.hexdigest()


def _near(vehicle: Vehicle, changed: AbstractSet[Path]) -> tuple[str, ...]:
    """The nodes whose programs changed; where no node's own file did, those that may import it."""
    programs = vehicle.programs.items()
    own = [name for name, program in programs if not changed.isdisjoint(own_files(program))]
    behind = [name for name, program in programs if not changed.isdisjoint(files_behind(program))]
    return tuple(own or behind)


def _files(vehicle: Vehicle) -> Iterator[Path]:
    """The files that decide what a car does."""
    yield from (path.resolve() for path in (vehicle.path, *vehicle.dbc_paths))
    for program in vehicle.programs.values():
        yield from files_behind(program)


def _named(path: Path) -> Iterator[Path]:
    """The files that a vehicle file names, as far as it can be read."""
    yield path.resolve()
    try:
        document, _ = read_toml(path, "vehicle")
        buses = by_name(document.get("bus", {}))
        for table in (document, *(buses.values() if isinstance(buses, dict) else ())):
            dbc = table.get("dbc", ()) if isinstance(table, dict) else ()
            for name in [dbc] if isinstance(dbc, str) else dbc:
                yield (path.parent / str(name)).resolve()
        _, file, _ = read_vehicle_file(path)
    except (BadInput, TypeError):
        return
    for node in file.nodes.values():
        yield from named_files(node, path.parent)
    for folder in header_folders(file, path.parent):
        yield from (each.resolve() for each in folder.glob("*") if each.suffix in SUFFIXES)


def _short(path: Path) -> str:
    """A file as somebody in this folder would name it."""
    here = Path.cwd()
    return str(path.relative_to(here) if path.is_relative_to(here) else path)


def _show_mistakes(error: BadInput) -> None:
    lines = str(error).splitlines()
    more = len(lines) - MOST_LINES
    tail = [f"and {count(more, 'line')} more"] if more > 0 else []
    for line in [*lines[:MOST_LINES], *tail]:
        print(printable(line), file=sys.stderr)
