"""Compiles C and C++ sources into a shared object with the system's compiler; cached by content.

The cache key covers everything that goes into the object: the preprocessed sources (and so all
headers and definitions), the flags, the compiler, and the bench's own parts. Any change makes a new
object; the dates of sources are never compared.

Calls that do not exist on a board are refused: they would reach the machine that the bench runs on.

A firmware that reads this machine's clock, or waits on it, would not run in virtual time and would
not give the same result twice. The error says what to call instead.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import struct
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from subprocess import CompletedProcess, run

from linkloss.firmware.sketch import as_cpp, code_of, shorten_longs
from linkloss.shipped import cache_folder, shipped


class BuildError(Exception):
    """A firmware that cannot be built; the text is for the user."""


def run_tool(command: Sequence[str], given: str | None = None) -> CompletedProcess[str]:
    """Run the user's own compiler, or a tool that comes with it, on a text if one is given."""
    fixed = {**os.environ, "SOURCE_DATE_EPOCH": "0", "LC_ALL": "C"}
    return run(  # noqa: S603 - on purpose
        command,
        input=given,
        capture_output=True,
        text=True,
        check=False,
        env=fixed,
        errors="replace",
    )


_WAIT = "board_delay_ms() or board_delay_us()"
_TIME = "board_ms() or board_us()"
_NOTHING = "there is no such thing on a board"
INSTEAD = {
    **dict.fromkeys(("sleep", "usleep", "nanosleep", "clock_nanosleep"), _WAIT),
    **dict.fromkeys(("time", "clock", "clock_gettime", "gettimeofday", "times"), _TIME),
    **dict.fromkeys(
        (
            "fopen", "fopen64", "freopen", "fdopen", "fclose", "open", "open64", "close",
            "closefrom", "close_range", "dup", "dup2", "dup3", "socket", "fork", "vfork", "_Fork",
            "forkpty", "clone", "system", "popen", "execl", "execle", "execlp", "execv", "execve",
            "execvp", "execvpe", "fexecve", "posix_spawn", "posix_spawnp", "syscall", "prctl",
            "ptrace", "pthread_create", "pthread_sigmask", "sigprocmask", "select", "poll",
            "signal", "sigaction", "alarm", "setitimer", "timer_create", "getenv", "setenv",
            "putenv", "getpid", "setlocale", "mprotect", "munmap",
        ),
        _NOTHING,
    ),
    **dict.fromkeys(("random", "srandom", "drand48", "rand_r"), "rand() and srand()"),
    **dict.fromkeys(("write", "read"), "board_serial_write()"),
}  # fmt: skip
"""What a firmware must not call -> what to call instead."""


def refuse_host_calls(made: Mapping[str, str]) -> None:
    """Search all compiled sources of a firmware for calls that reach this machine. A function that
    the firmware itself defines may have any name.

    :param made: source name -> object file.
    :raises BuildError: if there is such a call.
    """
    own = {name for file in made.values() for name in _symbols(file, "--defined-only")}
    for source, file in made.items():
        for name in _symbols(file, "--undefined-only"):
            if name in INSTEAD and name not in own:
                raise BuildError(f"{source} calls {name}(); expected: {INSTEAD[name]}")


def _symbols(file: str, which: str) -> list[str]:
    tool = shutil.which("nm")
    if tool is None:
        return []  # the linker comes with it, and will report that it is missing
    found = run_tool([tool, which, "--format=posix", file]).stdout
    names = (line.partition(" ")[0] for line in found.splitlines())
    return [name.removeprefix("__gcov_") for name in names]  # coverage adds this prefix to some


C_FOLDER = Path(__file__).parent / "c"
HEADERS = shipped("nodes/firmware")
SKETCH_HEADERS = HEADERS / "sketch"
OWN_PARTS = ("board.c", "libc.c", "sanitize.c")

C_SUFFIXES, CPP_SUFFIXES = (".c",), (".cpp", ".cc", ".cxx", ".ino")
HOST_LONG_BITS = 8 * struct.calcsize("l")
"""Bits of a ``long`` on this machine."""

_COMMON = (
    "-gdwarf-4", "-Og", "-fPIC", "-fvisibility=hidden", "-fno-omit-frame-pointer",
    "-fstack-protector-strong", "-U_FORTIFY_SOURCE", "-D_FORTIFY_SOURCE=0",
    "-fno-delete-null-pointer-checks",  # else a write through a null pointer may be optimised away
)  # fmt: skip
_QUIET = ("-w",)
"""For the bench's own parts, and while preprocessing."""
_WARNINGS = (
    "-Wall",
    "-Wno-format",  # a long that became an int has the wrong letter in its format
    "-Wno-parentheses", "-Wno-sign-compare", "-Wno-misleading-indentation",  # matters of taste
    "-Wno-maybe-uninitialized",  # wrong too often without optimization
)  # fmt: skip
_CPP = ("-fno-threadsafe-statics", "-fno-gnu-unique")
_LINK = ("-shared", "-lm", "-Wl,-Bsymbolic,-z,now,-z,norelro,-z,defs,--exclude-libs,ALL")
_COUNTING = ("--coverage", "-fprofile-update=single")
_LINK_COUNTING = ("--coverage", "-Wl,-u,__gcov_dump")
_SANITIZE = (
    "-fsanitize=undefined,float-cast-overflow", "-fno-sanitize=vptr", "-fno-sanitize-recover=all",
)  # fmt: skip
_SHORT_LONG = ("-U__LONG_MAX__", "-D__LONG_MAX__=0x7fffffffL", "-DFIRMWARE_LONG_IS_INT")
_USERS_ONLY = (*_SANITIZE, *_COUNTING, *_SHORT_LONG[:2])
"""Flags that the bench's own parts are not compiled with."""
_ERRORS_SHOWN = 5
WARNINGS = "warnings"
"""The file beside a firmware that holds what the compiler said of it, a warning a line."""
READ = "read"
"""The file beside a firmware that names the sources and headers it was made of, without those of
the system, one a line.
"""
BUILT_IN = "built-in"
"""The file that names the folder in which a firmware was compiled, before it was moved into the
cache.
"""


@dataclass(frozen=True, slots=True)
class BuildOptions:
    """How all firmwares of a check are built. With ``coverage`` they count the lines that run, in
    files below this folder. They are kept in ``folder``; None: in the cache.
    """

    sanitize: bool = False
    coverage: Path | None = None
    folder: Path | None = None


@dataclass(frozen=True, slots=True)
class Sources:
    """What one firmware is made of. Relative names start at ``folder``; ``definitions`` are
    ``NAME`` or ``NAME=VALUE``; ``std`` names a language standard, such as ``c11`` or ``gnu++17``.
    ``long_bits`` and ``signed_char`` are those of the target. ``texts`` are what some files hold
    instead of what is on disk, by their names.
    """

    folder: Path
    files: tuple[str, ...]
    definitions: tuple[str, ...] = ()
    includes: tuple[str, ...] = ()
    std: str | None = None
    long_bits: int = 32
    signed_char: bool = True
    texts: Mapping[str, str] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True)
class _Unit:
    """One preprocessed source and its language."""

    name: str
    text: str
    cpp: bool


def build(sources: Sources, options: BuildOptions | None = None) -> Path:
    """The shared object of a firmware, compiled now or earlier.

    :raises BuildError: if it cannot be built.
    """
    options = options or BuildOptions()
    units = [_preprocessed(sources, name) for name in sources.files]
    flags = [*_flags(sources), *(_SANITIZE if options.sanitize else ())]
    flags += _COUNTING if options.coverage is not None else ()
    folder = (options.folder or cache_folder("firmware")) / _key(units, flags)
    made = folder / "firmware.so"
    if not made.is_file():
        _make(folder, sources, units, flags)
    return made


def warnings_of(made: Path) -> list[str]:
    """What the compiler warned of in a firmware, each with file and line."""
    try:
        return (made.parent / WARNINGS).read_text(encoding="utf-8").splitlines()
    except OSError:  # an earlier version of the bench made it
        return []


def files_read(made: Path) -> list[Path]:
    """The sources and headers that a firmware was made of, without those of the system."""
    return [Path(line) for line in (made.parent / READ).read_text(encoding="utf-8").splitlines()]


_LINE_MARKER = re.compile(r'^# \d+ "(/[^"\n]+)"([ \d]*)$', re.MULTILINE)
_OF_THE_SYSTEM = "3"


def _read_by(units: Iterable[_Unit]) -> Iterator[str]:
    """The files that the line markers of preprocessed sources name."""
    for unit in units:
        for name, flags in _LINE_MARKER.findall(unit.text):
            if _OF_THE_SYSTEM not in flags.split() and Path(name).is_file():
                yield str(Path(name).resolve())


def runtime() -> Path:
    """The shared object of ``c/runtime.c``, which switches stacks.

    :raises BuildError: if it cannot be built.
    """
    unit = _Unit("runtime.c", (C_FOLDER / "runtime.c").read_text(encoding="utf-8"), cpp=False)
    machine = (C_FOLDER / "machine.h").read_text(encoding="utf-8")
    folder = cache_folder("firmware") / digest_of([unit.text, machine, compiler(cpp=False)])
    made = folder / "runtime.so"
    if not made.is_file():
        with workplace(folder) as place:
            command = ["-O1", "-g", "-fPIC", "-shared", f"-I{C_FOLDER}", str(C_FOLDER / unit.name)]
            _compile([compiler(cpp=False), *command, "-o", str(place / made.name)])
    return made


@cache
def compiler(*, cpp: bool) -> str:
    """The system's C or C++ compiler: ``CC`` or ``CXX``, else ``cc`` or ``c++``.

    :raises BuildError: if there is none.
    """
    variable, usual = ("CXX", "c++") if cpp else ("CC", "cc")
    wanted = os.environ.get(variable) or usual
    found = shutil.which(wanted)
    if found is None:
        language = "C++" if cpp else "C"
        raise BuildError(
            f"there is no {language} compiler '{wanted}' on this machine; install one (on Debian:"
            f" apt install build-essential) or name it in the variable {variable}"
        )
    return found


def is_cpp(name: str) -> bool:
    """Whether a source is C++.

    :raises BuildError: for a file that is not a source at all.
    """
    if name.endswith(CPP_SUFFIXES):
        return True
    if name.endswith(C_SUFFIXES):
        return False
    kinds = ", ".join((*C_SUFFIXES, *CPP_SUFFIXES))
    raise BuildError(f"'{name}' is no source; expected a name that ends in one of: {kinds}")


# ---- compiling


def _flags(sources: Sources) -> Iterable[str]:
    yield from _COMMON
    yield "-fsigned-char" if sources.signed_char else "-funsigned-char"
    if sources.long_bits < HOST_LONG_BITS:
        yield from _SHORT_LONG


def _preprocessed(sources: Sources, name: str) -> _Unit:
    path = sources.folder / name
    cpp = is_cpp(name)
    if not path.is_file():
        raise BuildError(f"there is no file '{path}'")
    command = [compiler(cpp=cpp), "-E", *_QUIET, *_flags(sources), *_standard(sources, cpp=cpp)]
    command += [f"-D{definition}" for definition in sources.definitions]
    command += [f"-I{sources.folder / folder}" for folder in sources.includes]
    command += [f"-I{HEADERS}", f"-I{SKETCH_HEADERS}", "-x", "c++" if cpp else "c"]
    given = sources.texts.get(name)
    if path.suffix == ".ino":
        sketch = path.read_text(encoding="utf-8", errors="replace") if given is None else given
        given = as_cpp(sketch, str(path))
    elif given is not None:
        given = f'# 1 "{path}"\n{given}'
    if given is not None:
        text = _compile([*command, f"-I{path.parent}", "-"], given).stdout
        text = text.replace('"<stdin>"', f'"{path}"')  # the name for crashes and coverage
    else:
        text = _compile([*command, str(path)], folder=sources.folder).stdout
    if sources.long_bits < HOST_LONG_BITS:
        text = shorten_longs(text)
    return _Unit(name, text, cpp)


def _standard(sources: Sources, *, cpp: bool) -> list[str]:
    """The standard, for files of its own language only."""
    if sources.std is None or ("++" in sources.std) is not cpp:
        return []
    return [f"-std={sources.std}"]


def _make(folder: Path, sources: Sources, units: Sequence[_Unit], flags: Sequence[str]) -> None:
    own = _own_parts([flag for flag in flags if flag not in _USERS_ONLY])
    with workplace(folder) as place:
        objects = [str(own / f"{Path(name).stem}.o") for name in OWN_PARTS]
        made: dict[str, str] = {}
        warnings: list[str] = []
        (place / BUILT_IN).write_text(str(place), encoding="utf-8")
        for number, unit in enumerate(units):
            made[unit.name], said = _object(place, number, unit, flags, sources.folder)
            warnings += said
        refuse_host_calls(made)
        told = "".join(f"{line}\n" for line in dict.fromkeys(warnings))
        (place / WARNINGS).write_text(told, encoding="utf-8")
        read = "".join(f"{name}\n" for name in dict.fromkeys(_read_by(units)))
        (place / READ).write_text(read, encoding="utf-8")
        objects += made.values()
        cpp = any(unit.cpp for unit in units)
        static = ["-static-libstdc++", "-static-libgcc"] if cpp else ["-static-libgcc"]
        counting = _LINK_COUNTING if "--coverage" in flags else ()
        command = [compiler(cpp=cpp), *objects, *_LINK, *static, *counting]
        command += [f"-Wl,-T,{C_FOLDER / 'own_init.ld'}", "-o", f"{place}/firmware.so"]
        done = run_tool(command)
        if done.returncode != 0:
            raise BuildError(
                _complaints(done.stderr, sources.folder) + _missing(done.stderr, sources)
            )


def _missing(said: str, sources: Sources) -> str:
    """Which files to add to the sources for what the linker misses, guessed from the sources that
    lie beside them; empty where none defines it.
    """
    names = re.findall(r"undefined reference to [`'\"](?:\w+::)*~?(\w+)", said)
    known = {(sources.folder / name).resolve() for name in sources.files}
    folders = {path.parent for path in known} | {sources.folder / each for each in sources.includes}
    beside = [
        path
        for folder in sorted(folders)
        for path in sorted(folder.glob("*"))
        if path.suffix in (*C_SUFFIXES, *CPP_SUFFIXES) and path.resolve() not in known
    ]
    codes = {path: code_of(path.read_text(encoding="utf-8", errors="replace")) for path in beside}
    told = ""
    for name in dict.fromkeys(names):
        define = re.compile(
            rf"^(?!\s*(?:extern|return|else)\b)[A-Za-z_][\w\s*&<>:,]*?[\s*&:]{name}\s*"
            r"(?:\([^;{}]*\)[\s\w]*\{|(?:\[[^;{}]*\])*\s*[=;])",
            re.MULTILINE,
        )
        for path, code in codes.items():
            if define.search(code):
                file = os.path.relpath(path, sources.folder)
                told += f"\n    '{name}' is defined in '{file}': add that file to 'c'"
                break
    return told


def _own_parts(flags: Sequence[str]) -> Path:
    """The folder with the compiled parts of the bench, which are the same in every firmware."""
    folder = cache_folder("firmware") / digest_of(
        [*_own_texts(), *flags, stamp(compiler(cpp=False))]
    )
    if not folder.is_dir():
        command = [compiler(cpp=False), *_QUIET, *flags, "-std=gnu11", "-fno-builtin"]
        command += [f"-I{C_FOLDER}", f"-I{HEADERS}"]
        with workplace(folder) as place:
            for name in OWN_PARTS:
                made = place / f"{Path(name).stem}.o"
                _compile([*command, str(C_FOLDER / name), "-c", "-o", str(made)])
    return folder


def _object(
    place: Path, number: int, unit: _Unit, flags: Sequence[str], folder: Path
) -> tuple[str, list[str]]:
    """The compiled source, and what the compiler warned of."""
    stem = f"{number}-{Path(unit.name).stem}"
    source = place / f"{stem}.{'ii' if unit.cpp else 'i'}"
    source.write_text(unit.text, encoding="utf-8")
    made = str(place / f"{stem}.o")
    language = "c++-cpp-output" if unit.cpp else "cpp-output"
    extra = _CPP if unit.cpp else ()
    command = [compiler(cpp=unit.cpp), *flags, *_WARNINGS, *extra, "-x", language, str(source)]
    done = _compile([*command, "-c", "-o", made], folder=folder)
    lines = re.findall(r"^(/.*?:\d+:(?:\d+:)? warning: .*)$", done.stderr, re.MULTILINE)
    own = [line for line in lines if not line.startswith((f"{HEADERS}/", f"{C_FOLDER}/"))]
    return made, [_as_written(line, folder) for line in own]


def _compile(
    command: Sequence[str], given: str | None = None, folder: Path | None = None
) -> CompletedProcess[str]:
    """Run a compiler, on a text if one is given; ``folder`` is where the user's names begin.

    :raises BuildError: with the compiler's first errors.
    """
    done = run_tool(command, given)
    if done.returncode != 0:
        raise BuildError(_complaints(done.stderr, folder))
    return done


def compile_file(
    command: Sequence[str], folder: Path | None = None, given: str | None = None
) -> str:
    """What a compiler wrote out for a command, on a text if one is given; ``folder`` is where the
    user's names begin.

    :raises BuildError: with the compiler's first errors.
    """
    return _compile(command, given, folder).stdout


def _as_written(line: str, folder: Path) -> str:
    """A line of the compiler with files named as in the vehicle file."""
    return line.replace(f"{folder}{os.sep}", "")


def _complaints(text: str, folder: Path | None = None) -> str:
    if folder is not None:
        text = _as_written(text, folder)
    lines = [line for line in text.splitlines() if re.search(r"error|undefined reference", line)]
    shown = lines[:_ERRORS_SHOWN] or text.splitlines()[-_ERRORS_SHOWN:]
    more = len(lines) - len(shown)
    tail = f"\n    and {more} more" if more > 0 else ""
    return "the compiler stopped:\n    " + "\n    ".join(shown) + tail


# ---- the cache


@contextmanager
def workplace(folder: Path) -> Iterator[Path]:
    """A folder to build in, which is moved into the cache only if all went well."""
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        place = Path(tempfile.mkdtemp(prefix="making-", dir=folder.parent))
    except OSError as error:
        text = f"cannot keep compiled firmware in '{folder.parent}': {error.strerror}"
        raise BuildError(text) from None
    try:
        yield place
        with suppress(OSError):  # another process was faster
            place.rename(folder)
    finally:
        shutil.rmtree(place, ignore_errors=True)


def _key(units: Iterable[_Unit], flags: Iterable[str]) -> str:
    parts = _own_texts()
    parts += [word for unit in units for word in (unit.name, unit.text)]
    parts += [*flags, *_WARNINGS, *_CPP, *_LINK, *_LINK_COUNTING, BUILT_IN, READ]
    cpp = any(unit.cpp for unit in units)
    return digest_of([*parts, stamp(compiler(cpp=False)), stamp(compiler(cpp=True)) if cpp else ""])


def _own_texts() -> list[str]:
    """What the bench itself puts into every firmware, and its folder, because debug information
    names that folder.
    """
    names = [*OWN_PARTS, "machine.h", "inside.h", "own_init.ld"]
    paths = [*(C_FOLDER / name for name in names), HEADERS / "board.h"]
    return [str(C_FOLDER), *(path.read_text(encoding="utf-8") for path in paths)]


def stamp(program: str) -> str:
    """What distinguishes one version of a compiler from the next."""
    path = Path(program).resolve()
    facts = path.stat()
    return f"{path} {facts.st_size} {facts.st_mtime_ns}"


def digest_of(parts: Iterable[str]) -> str:
    """The name of a place in the cache for what depends on all these texts."""
    digest = hashlib.sha256()
    for part in parts:
        data = part.encode()
        digest.update(len(data).to_bytes(8, "big"))
        digest.update(data)
    return digest.hexdigest()[:32]
