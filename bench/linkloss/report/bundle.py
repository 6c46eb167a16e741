"""A bundle: one file with everything that a finding needs, to send to someone.

It is a ZIP archive with the scenario, the vehicle file, its message definitions and the sources of
its programs in the folders that they have to one another, the recording, the versions of what ran
it, and a note for whoever opens it. It holds programs, so it runs only where that is allowed.
"""

from __future__ import annotations

import os
import platform
import sysconfig
from importlib.metadata import PackageNotFoundError, version
from importlib.util import find_spec
from pathlib import Path, PurePosixPath
from zipfile import ZIP_DEFLATED, BadZipFile, ZipFile, ZipInfo

from linkloss.campaign.result import CAUTION, RunResult
from linkloss.problem import BadInput, printable
from linkloss.report.files import replacing
from linkloss.report.machine import run_json
from linkloss.vehicle.loading import Vehicle
from linkloss.vehicle.programs import files_behind

NOTE = "BUNDLE.txt"
SCENARIO = "SCENARIO.txt"
"""The member that names the scenario file."""
MOST_BYTES = 200_000_000
"""The most that a bundle may unpack to."""
_DATE = (1980, 1, 1, 0, 0, 0)
_PACKAGES = ("linkloss", "python-can", "cantools", "pydantic", "cffi", "greenlet")


def bundle_files(scenario: Path, vehicle: Vehicle) -> list[Path]:
    """The files that a scenario needs, but for what is installed with linkloss.

    A program that is given as an object, and not as a file, brings the file that its class is in.
    """
    found = {scenario.resolve(), vehicle.path.resolve(), *(p.resolve() for p in vehicle.dbc_paths)}
    for program in vehicle.programs.values():
        found |= {path.resolve() for path in files_behind(program)}
    return sorted(path for path in found if not _installed(path))


def _installed(path: Path) -> bool:
    """Whether a file comes with linkloss or with Python."""
    specs = [find_spec(name) for name in ("linkloss", "linkloss_nodes")]
    homes = [Path(spec.origin).resolve().parent for spec in specs if spec and spec.origin]
    firmware = homes[-1].parent / "firmware"  # headers, where linkloss runs from its sources
    homes += [firmware / "board.h", firmware / "sketch"]
    homes += [Path(sysconfig.get_path(name)).resolve() for name in ("stdlib", "purelib")]
    return any(path.is_relative_to(home) for home in homes)


def write_bundle(result: RunResult, scenario: Path, to: Path) -> list[str]:
    """Write a bundle of a scenario that was run; returns the names of its members.

    Raises BadInput if a file cannot be read or the bundle cannot be written; what was there before
    then stays.
    """
    files = bundle_files(scenario, result.scenario.vehicle)
    root = Path(os.path.commonpath([path.parent for path in files]))
    names = {path.relative_to(root).as_posix(): path for path in files}
    here = scenario.resolve().relative_to(root).as_posix()
    try:
        members = {name: _relative(path, files) for name, path in names.items()}
    except OSError as error:
        text = f"cannot be read: {error.strerror or error}"
        raise BadInput.one(Path(error.filename or scenario), "", text) from None
    members[SCENARIO] = f"{here}\n".encode()
    members[NOTE] = _note(here, sorted(names)).encode()
    members["recording.json"] = run_json(result).encode()
    members["versions.txt"] = _versions().encode()

    with replacing(to) as temporary, ZipFile(temporary, "w") as archive:
        for name, data in sorted(members.items()):
            archive.writestr(ZipInfo(name, _DATE), data, ZIP_DEFLATED)
    return sorted(members)


def _relative(path: Path, files: list[Path]) -> bytes:
    """What is in a file; one that names others by absolute paths names them from its own folder."""
    data = path.read_bytes()
    if path.suffix == ".toml":
        for other in files:
            near = Path(os.path.relpath(other, path.parent)).as_posix()
            data = data.replace(f'"{other.as_posix()}"'.encode(), f'"{near}"'.encode())
    return data


def _note(scenario: str, names: list[str]) -> str:
    listed = "".join(f"    {name}\n" for name in names)
    return (
        "This bundle holds programs. To run it is to run them on your computer: do that only if"
        f" you trust who sent it.\n\n{listed}\n"
        f"Run it with 'linkloss run BUNDLE.zip --trust', or unpack it and run '{scenario}'.\n"
        f"The recording as it was is in recording.json.\n\n{CAUTION}\n"
    )


def _versions() -> str:
    lines = [f"Python {platform.python_version()}", f"{platform.system()} {platform.machine()}"]
    for name in _PACKAGES:
        try:
            lines.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            continue
    return "".join(f"{line}\n" for line in lines)


def is_bundle(path: Path) -> bool:
    """Whether a file is named as a bundle."""
    return path.suffix.lower() == ".zip"


def unpack(bundle: Path, folder: Path, *, trusted: bool) -> Path:
    """Unpack a bundle into an empty folder; returns its scenario file.

    Raises BadInput if it is no bundle, is too large, or is not ``trusted``: it holds programs, and
    whoever runs it has to say so.
    """
    try:
        with ZipFile(bundle) as archive:
            entries = archive.infolist()
            names = [entry.filename for entry in entries]
            if SCENARIO not in names:
                raise BadInput.one(bundle, "", "is no bundle; expected one of 'linkloss bundle'")
            size = sum(entry.file_size for entry in entries)
            if size > MOST_BYTES:
                text = f"unpacks to {size} bytes; expected at most {MOST_BYTES}"
                raise BadInput.one(bundle, "", text)
            if not trusted:
                raise BadInput.one(bundle, "", _warning(names))
            archive.extractall(folder)
    except (OSError, BadZipFile, NotImplementedError, RuntimeError) as error:
        raise BadInput.one(bundle, "", f"cannot be read: {error}") from None
    name = (folder / SCENARIO).read_text(encoding="utf-8", errors="replace").strip()
    scenario = folder / name
    if not scenario.resolve().is_relative_to(folder.resolve()) or not scenario.is_file():
        raise BadInput.one(bundle, "", f"its scenario '{printable(name)}' is not in it")
    return scenario


_PROGRAMS = (".py", ".c", ".cpp", ".cc", ".ino", ".h", ".hpp", ".toml")


def _warning(names: list[str]) -> str:
    programs = [name for name in names if PurePosixPath(name).suffix in _PROGRAMS]
    listed = ", ".join(map(printable, programs[:8])) + (", ..." if len(programs) > 8 else "")
    return (
        f"holds programs, which would run on this computer: {listed}; add '--trust' if you trust"
        " who sent it"
    )
