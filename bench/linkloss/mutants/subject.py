"""The program that mistakes are planted into: its sources, and the program that other texts of them
make.

A text that makes no program, or the same one as another text, is no mutant to run. Two programs are
the same if their object code is, without what is there for the debugger; in Python if their byte
code is, without line numbers.
"""

from __future__ import annotations

import ast
import warnings
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from types import CodeType
from typing import TYPE_CHECKING, Any

from linkloss.campaign.isolation import apart
from linkloss.firmware.build import BuildError, BuildOptions, run_tool
from linkloss.mutants.probe import FirmwareProbe, Probe, PythonProbe
from linkloss.problem import BadInput, unknown
from linkloss.vehicle.loading import Vehicle, check_settings
from linkloss.vehicle.programs import ProgramError, program_file, program_from

if TYPE_CHECKING:
    from linkloss.firmware.program import Firmware
    from linkloss.firmware.script import Script

Program = Callable[[Any], Any]
READ_S = 2.0
"""How long a program in Python may compute while it is imported, in seconds."""


_BUNDLED = "linkloss_nodes."


class LeftOut(Exception):  # noqa: N818 - not an error, and counted
    """A text that makes no program; ``why`` says so in a few words."""

    def __init__(self, why: str) -> None:
        self.why = why
        super().__init__(why)


class Subject(ABC):
    """A program of a vehicle's node."""

    def __init__(self, vehicle: Vehicle, node: str, files: Mapping[str, Path]) -> None:
        self.vehicle = vehicle
        self.node = node
        self.files = files
        """Its sources by the names that the vehicle file gives them."""
        self.texts = {name: _read(vehicle, path) for name, path in files.items()}

    @abstractmethod
    def identity(self, texts: Mapping[str, str]) -> str:
        """What is the same for texts that make the same program. Raises LeftOut."""

    @abstractmethod
    def program(self, texts: Mapping[str, str]) -> Program:
        """The program that these texts make. Raises LeftOut."""

    @abstractmethod
    def probed(self, folder: Path) -> tuple[Program, Probe]:
        """The program as it is, and what tells which of its lines run. ``folder`` is for what that
        needs.
        """

    def car(self, program: Program) -> Vehicle:
        """The vehicle with this program in place of its own."""
        return replace(self.vehicle, programs={**self.vehicle.programs, self.node: program})


def subject_of(vehicle: Vehicle, node: str | None, folder: Path) -> Subject:
    """The program of a node, or of the only node with a program of its own. What is compiled of it
    goes below ``folder``. Raises BadInput.
    """
    own = [name for name in vehicle.programs if _why_not(vehicle, name) is None]
    if node is None:
        if len(own) == 1:
            return subject_of(vehicle, own[0], folder)
        text = f"expected a node with a program of yours: {_listed(own)}"
        raise BadInput.one("linkloss", "--node", text)
    if node not in vehicle.nodes:
        raise BadInput.one("linkloss", "--node", unknown("node", node, vehicle.nodes))
    why = _why_not(vehicle, node)
    if why is not None:
        text = f"{why}; expected a node with a program of yours: {_listed(own)}"
        raise BadInput.one("linkloss", "--node", text)
    table, beside = vehicle.nodes[node], vehicle.path.parent
    if table.c:
        return _InC(vehicle, node, {name: (beside / name).resolve() for name in table.c}, folder)
    if table.script is not None:
        return _AsScript(vehicle, node, {table.script: (beside / table.script).resolve()})
    path = program_file(vehicle.programs[node])
    assert table.python is not None
    assert path is not None, "what was imported from a file is known by it"
    return _InPython(vehicle, node, {table.python.rpartition(":")[0]: path})


def _why_not(vehicle: Vehicle, node: str) -> str | None:
    """Why nothing can be planted into the program of a node; None if it can."""
    table = vehicle.nodes[node]
    if table.logged:
        return f"'{node}' has no program: what it sends comes from a log"
    if table.c or table.script is not None:
        return None
    if (table.python or "").startswith(_BUNDLED):
        return f"'{node}' runs {table.python}, which is a part of linkloss and not yours"
    if program_file(vehicle.programs[node]) is None:
        return f"the source of '{table.python}' is not known"
    return None


def _listed(names: list[str]) -> str:
    return ", ".join(names) if names else "this vehicle has none"


def _read(vehicle: Vehicle, path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        text = f"'{path.name}' is not written in UTF-8, and nothing can be planted into it"
        raise BadInput.one(vehicle.path, "", text) from None


def digest(*parts: str | bytes) -> str:
    """A digest of some texts."""
    found = sha256()
    for part in parts:
        data = part if isinstance(part, bytes) else part.encode()
        found.update(len(data).to_bytes(8, "big"))
        found.update(data)
    return found.hexdigest()[:32]


# ---- C and sketches


class _InC(Subject):
    """A program in C or C++."""

    def __init__(
        self, vehicle: Vehicle, node: str, files: Mapping[str, Path], folder: Path
    ) -> None:
        super().__init__(vehicle, node, files)
        found: Any = vehicle.programs[node]
        self._own: Firmware = found
        self._folder = folder

    def identity(self, texts: Mapping[str, str]) -> str:
        made = self._built(texts)
        return digest(*map(_code_in, sorted(made.parent.glob("*.o"))))

    def program(self, texts: Mapping[str, str]) -> Program:
        self._built(texts)
        return self._firmware(texts)

    def probed(self, folder: Path) -> tuple[Program, Probe]:
        found = self._firmware(self.texts, coverage=folder)
        names = {str(path): name for name, path in self.files.items()}
        return found, FirmwareProbe(found.path, folder, names)

    def _built(self, texts: Mapping[str, str]) -> Path:
        try:
            return self._firmware(texts).built()
        except BuildError:
            raise LeftOut("does not compile") from None

    def _firmware(self, texts: Mapping[str, str], coverage: Path | None = None) -> Firmware:
        from linkloss.firmware.program import Firmware

        sources = replace(self._own.sources, texts=texts)
        options = self.vehicle.build or BuildOptions()
        options = replace(options, folder=self._folder, coverage=coverage)
        return Firmware(sources, self._own.wiring, options)


def _code_in(file: Path) -> bytes:
    """An object file without what is there for the debugger."""
    bare = file.with_suffix(".bare")
    done = run_tool(["objcopy", "--strip-debug", str(file), str(bare)])
    return (bare if done.returncode == 0 else file).read_bytes()


# ---- Python


class _OfPython(Subject):
    """A program in Python: one source."""

    @property
    def _name(self) -> str:
        return next(iter(self.files))

    def identity(self, texts: Mapping[str, str]) -> str:
        return digest(repr(_bare(self._code(texts))))

    def _code(self, texts: Mapping[str, str]) -> CodeType:
        return _compiled(self._tree(texts[self._name]), self.files[self._name])

    def _tree(self, text: str) -> ast.Module:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                tree = ast.parse(text)
                compile(tree, "program", "exec")
        except (SyntaxError, ValueError):
            raise LeftOut("does not compile") from None
        return tree

    def _probed_code(self) -> tuple[CodeType, PythonProbe]:
        tree = ast.parse(self.texts[self._name])
        lines = {node.lineno for node in ast.walk(tree) if isinstance(node, ast.stmt)}
        probe = PythonProbe(self._name, frozenset(lines))
        code = _compiled(_Telling().visit(tree), self.files[self._name])
        return _with_constant(code, _MARK, probe.reached), probe


class _AsScript(_OfPython):
    """A blocking script."""

    def program(self, texts: Mapping[str, str]) -> Program:
        return self._script(self._code(texts))

    def probed(self, folder: Path) -> tuple[Program, Probe]:
        code, probe = self._probed_code()
        return self._script(code), probe

    def _script(self, code: CodeType) -> Script:
        found: Any = self.vehicle.programs[self.node]
        own: Script = found
        return replace(own, codes={own.path: code})


class _InPython(_OfPython):
    """A node class."""

    def identity(self, texts: Mapping[str, str]) -> str:
        found = super().identity(texts)
        code = self._code(texts)
        why = apart(lambda: self._why_unread(code), READ_S)
        if why != "":
            raise LeftOut(why or "cannot be imported")
        return found

    def _why_unread(self, code: CodeType) -> str:
        try:
            check_settings(self._class(code), self.vehicle.nodes[self.node].settings)
        except LeftOut as why:
            return why.why
        except Exception:  # noqa: BLE001 - whatever the program raises
            return "refuses its settings"
        return ""

    def program(self, texts: Mapping[str, str]) -> Program:
        return self._class(self._code(texts))

    def probed(self, folder: Path) -> tuple[Program, Probe]:
        code, probe = self._probed_code()
        found = self._class(code)
        probe.always()
        return found, probe

    def _class(self, code: CodeType) -> Program:
        try:
            return program_from(self.vehicle.programs[self.node], code)
        except ProgramError:
            raise LeftOut("cannot be imported") from None


def _compiled(tree: ast.Module, path: Path) -> CodeType:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found: CodeType = compile(tree, str(path), "exec")
    return found


def _bare(code: CodeType) -> tuple[Any, ...]:
    """Code without where it comes from."""
    constants = [
        _bare(each) if isinstance(each, CodeType) else (type(each).__name__, repr(each))
        for each in code.co_consts
    ]
    return (
        code.co_name, code.co_code, constants, code.co_names, code.co_varnames, code.co_freevars,
        code.co_cellvars, code.co_flags, code.co_argcount, code.co_posonlyargcount,
        code.co_kwonlyargcount, code.co_exceptiontable,
    )  # fmt: skip


_MARK = "\0reached"


class _Telling(ast.NodeTransformer):
    """Has a program tell of every statement before it begins."""

    def generic_visit(self, node: ast.AST) -> ast.AST:
        super().generic_visit(node)
        for field in ("body", "orelse", "finalbody"):
            block = getattr(node, field, None)
            if isinstance(block, list) and block and isinstance(block[0], ast.stmt):
                setattr(node, field, list(_told(block, first=field == "body")))
        return node


def _told(block: list[ast.stmt], *, first: bool) -> Iterator[ast.stmt]:
    """A block in which a call stands before each statement, but for what has to come first."""
    for place, statement in enumerate(block):
        text = isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant)
        future = isinstance(statement, ast.ImportFrom) and statement.module == "__future__"
        if not (future or (first and place == 0 and text)):
            call = ast.Call(ast.Constant(_MARK), [ast.Constant(statement.lineno)], [])
            yield ast.fix_missing_locations(ast.copy_location(ast.Expr(call), statement))
        yield statement


def _with_constant(code: CodeType, mark: str, value: object) -> CodeType:
    """Code in which a constant is something that no source could write."""
    constants = (
        _with_constant(each, mark, value)
        if isinstance(each, CodeType)
        else value
        if each == mark
        else each
        for each in code.co_consts
    )
    return code.replace(co_consts=tuple(constants))
