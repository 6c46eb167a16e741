"""The small mistakes that can be planted into a program, by its syntax tree.

A mutant differs from the program in one place: an operator, a number, a condition, a statement left
out, and what goes wrong in firmware above all: a mask, a shift, a missing cast, a byte too far, a
comparison of two times that a roll-over of the clock breaks. Nothing is changed in comments, texts,
types and ``#include``. Lines keep their numbers.

A mutant also says what has to run for it to make a difference: the line on which the change lies
or, where the change decides how that line is come by, the function around it. What lies in no
function, such as a table, may count anywhere.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache
from pathlib import PurePath
from typing import Any, NamedTuple

from linkloss.firmware.build import C_SUFFIXES, CPP_SUFFIXES
from linkloss.problem import BadInput


class Mutant(NamedTuple):
    """A change of one place of a source."""

    file: str
    """The source, by the name that the vehicle file gives it."""
    line: int
    """The first line that changes, from 1 on."""
    start: int
    """From this byte of the source on, up to ``end``, it holds ``new``."""
    end: int
    new: str
    kind: str
    """What is changed, in a word or two."""
    anchor: int | None
    """The line without which the change makes no difference; None where no single line does."""
    function: tuple[int, int] | None
    """The first and last line of the function around it, if there is one that has to run."""

    def applied(self, text: str) -> str:
        """The source with the change in it."""
        data = text.encode()
        return (data[: self.start] + self.new.encode() + data[self.end :]).decode()

    def diff(self, text: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """The lines that change, as they are and as they become; lines that fall away are left
        out.
        """
        count = text.encode()[self.start : self.end].count(b"\n") + 1
        first = self.line - 1
        old = text.split("\n")[first : first + count]
        new = self.applied(text).split("\n")[first : first + count]
        return tuple(old), tuple(line for line in new if line.strip()) or ("",)


_COMPARED = {
    "<": ("<=", ">="), "<=": ("<", ">"), ">": (">=", "<="), ">=": (">", "<"),
    "==": ("!=",), "!=": ("==",), "is": ("is not",), "is not": ("is",), "in": ("not in",),
    "not in": ("in",),
}  # fmt: skip
_REPLACED: dict[str, dict[str, tuple[str, ...]]] = {
    "comparison": _COMPARED,
    "arithmetic": {"+": ("-",), "-": ("+",), "*": ("/",), "/": ("*",), "//": ("*",), "%": ("/",)},
    "bits": {"&": ("|",), "|": ("&",), "^": ("|",)},
    "shift": {"<<": (">>",), ">>": ("<<",)},
    "condition": {"&&": ("||",), "||": ("&&",), "and": ("or",), "or": ("and",)},
    "assignment": {
        "+=": ("-=", "="), "-=": ("+=",), "|=": ("&=", "="), "&=": ("|=", "="), "^=": ("|=",),
        "*=": ("/=",), "/=": ("*=",), "<<=": (">>=",), ">>=": ("<<=",),
    },
    "count": {"++": ("--",), "--": ("++",)},
}  # fmt: skip
"""What stands in place of an operator, by what is changed."""
_OPERATED = {
    "binary_expression", "binary_operator", "boolean_operator", "comparison_operator",
    "assignment_expression", "augmented_assignment", "update_expression",
}  # fmt: skip
_UNTOUCHED = {
    "comment", "string", "string_literal", "raw_string_literal", "char_literal",
    "concatenated_string", "system_lib_string", "preproc_include", "type_descriptor", "type",
    "primitive_type",
    "sized_type_specifier", "array_declarator", "import_statement", "import_from_statement",
    "future_import_statement", "decorator", "attribute_declaration", "ERROR", "preproc_call",
}  # fmt: skip
_FUNCTIONS = ("function_definition", "lambda_expression")
_LEFT_OUT = {"expression_statement", "break_statement", "continue_statement"}
_BARE = {*_LEFT_OUT, "return_statement", "raise_statement", "delete_statement"}
_IN_PYTHON = (".py",)


def mutants_of(file: str, text: str) -> list[Mutant]:
    """All mutants of a source, in the order of its lines.

    Raises BadInput if the extra 'mutants' is not installed.
    """
    language = _language(PurePath(file).suffix)
    root = _parser(language).parse(text.encode()).root_node
    sower = _Python(file) if language == "python" else _Cpp(file)
    found = {(m.start, m.end, m.new): m for m in sower.walk(root)}
    return sorted(found.values(), key=lambda mutant: (mutant.start, mutant.end, mutant.new))


def _language(suffix: str) -> str:
    if suffix in _IN_PYTHON:
        return "python"
    assert suffix in (*C_SUFFIXES, *CPP_SUFFIXES), "the vehicle file takes no other sources"
    return "c" if suffix in C_SUFFIXES else "cpp"


@cache
def _parser(language: str) -> Any:
    """The parser of a language. Raises BadInput where it is not installed."""
    try:
        import tree_sitter
        import tree_sitter_c
        import tree_sitter_cpp
        import tree_sitter_python
    except ImportError:
        text = "needs the extra 'mutants': pip install 'linkloss[mutants]'"
        raise BadInput.one("linkloss", "mutants", text) from None
    grammars = {"c": tree_sitter_c, "cpp": tree_sitter_cpp, "python": tree_sitter_python}
    return tree_sitter.Parser(tree_sitter.Language(grammars[language].language()))


EXACT = 16
"""Up to here a number is taken to count things, and one more or less is wrong; a larger one may be
a time, of which no rule knows the last millisecond.
"""


def _near(value: int, *, mask: bool = False) -> tuple[int, ...]:
    """What a whole number may be by mistake."""
    if mask:
        others = (value + 1, value - 1, value >> 1)
    elif value <= EXACT:
        others = (value + 1, value - 1, 0)
    else:
        others = (2 * value, value // 2, 0)
    return tuple(dict.fromkeys(max(0, other) for other in others if max(0, other) != value))


def _text(node: Any) -> str:
    found: bytes = node.text
    return found.decode()


class _Sower:
    """Walks through the tree of a source, and yields a mutant for each mistake of each node."""

    false, true, nothing = "0", "1", ";"
    cases: tuple[str, ...] = ()
    """What a node is called that chooses a branch, and is no line of it."""

    def __init__(self, file: str) -> None:
        self.file = file
        self._by_type: dict[str, Callable[[Any], Iterator[tuple[Any, str, str]]]] = {
            "number_literal": self._number, "integer": self._number, "float": self._number,
            "preproc_def": self._macro, "if_statement": self._decided,
            "elif_clause": self._decided, "conditional_expression": self._decided,
            "while_statement": self._never, "unary_expression": self._unary,
            "unary_operator": self._unary, "not_operator": self._unary,
            "cast_expression": self._cast, "argument_list": self._swapped,
            "true": self._other, "false": self._other, "return_statement": self._return,
        }  # fmt: skip

    def walk(self, node: Any) -> Iterator[Mutant]:
        """The mutants of a node and of all below it."""
        if node.type in _UNTOUCHED:
            return
        if node.type in _OPERATED:
            yield from self._made(node, self._operator(node))
        if node.type in _BARE:
            yield from self._made(node, self._without(node))
        if node.type in self._by_type:
            yield from self._made(node, self._by_type[node.type](node))
        for child in node.children:
            yield from self.walk(child)

    def _made(self, node: Any, changes: Iterator[tuple[Any, str, str]]) -> Iterator[Mutant]:
        for where, new, kind in changes:
            start, end = where if isinstance(where, tuple) else (where, where)
            lines = end.end_point[0] - start.start_point[0]
            lost = lines - new.count("\n")
            anchor, function = self._needed(node, start, kind)
            yield Mutant(
                self.file, start.start_point[0] + 1, start.start_byte, end.end_byte,
                new + "\n" * lost, kind, anchor, function,
            )  # fmt: skip

    def _needed(
        self, node: Any, start: Any, kind: str
    ) -> tuple[int | None, tuple[int, int] | None]:
        raise NotImplementedError

    def _around(self, node: Any, *types: str) -> Any:
        while node is not None and node.type not in types:
            node = node.parent
        return node

    # ---- what can be changed: (node or first and last node, new text, kind)

    def _operator(self, node: Any) -> Iterator[tuple[Any, str, str]]:
        signs = [child for child in node.children if not child.is_named]
        for sign in signs:
            word = " ".join(_text(sign).split())
            for kind, table in _REPLACED.items():
                for new in table.get(word, ()):
                    yield sign, new, kind
        left, right = node.child_by_field_name("left"), node.child_by_field_name("right")
        if node.type != "binary_expression" or len(signs) != 1 or left is None:
            return
        if left.type == "binary_expression" and _text(signs[0]) in ("<", "<=", ">", ">="):
            inner = left.child_by_field_name("operator")
            if inner is not None and _text(inner) == "-":
                first, second = left.child_by_field_name("left"), left.child_by_field_name("right")
                sum_ = f"{_text(first)} {_text(signs[0])} {_text(second)} + {_text(right)}"
                yield node, sum_, "roll-over"

    def _number(self, node: Any) -> Iterator[tuple[Any, str, str]]:
        word = _text(node)
        digits = word.rstrip("uUlL")
        try:
            value = int(digits, 0) if digits[:1] != "0" or len(digits) < 2 else int(digits, 16)
        except ValueError:
            try:
                value_f = float(word.rstrip("fFlL"))
            except ValueError:
                return
            yield node, repr(value_f * 2 if value_f else 1.0), "number"
            return
        tail = word[len(digits) :]
        kind = "mask" if digits[:2].lower() == "0x" else "number"
        form = f"0x{{:0{len(digits) - 2}X}}" if kind == "mask" else "{}"
        for other in _near(value, mask=kind == "mask"):
            yield node, form.format(other) + tail, kind

    def _macro(self, node: Any) -> Iterator[tuple[Any, str, str]]:
        """A constant of the preprocessor, whose value the parser leaves as text."""
        value = node.child_by_field_name("value")
        if value is not None and _text(value).strip().rstrip("uUlL").isdigit():
            number = int(_text(value).strip().rstrip("uUlL"))
            for other in _near(number):
                yield value, str(other), "number"

    def _decided(self, node: Any) -> Iterator[tuple[Any, str, str]]:
        condition = node.child_by_field_name("condition")
        if condition is None and node.type == "conditional_expression":
            condition = node.named_children[1]  # Python: a if b else c
        if condition is not None:
            for value in (self.true, self.false):
                new = f"({value})" if _text(condition).startswith("(") else value
                yield condition, new, "condition"

    def _never(self, node: Any) -> Iterator[tuple[Any, str, str]]:
        condition = node.child_by_field_name("condition")
        new = f"({self.false})" if _text(condition).startswith("(") else self.false
        yield condition, new, "condition"

    def _unary(self, node: Any) -> Iterator[tuple[Any, str, str]]:
        inner = node.child_by_field_name("argument")
        kinds = {"!": "condition", "not": "condition", "-": "arithmetic", "~": "bits"}
        sign = _text(node.children[0])
        if inner is not None and sign in kinds:
            yield node, _text(inner), kinds[sign]

    def _cast(self, node: Any) -> Iterator[tuple[Any, str, str]]:
        yield node, _text(node.child_by_field_name("value")), "cast left out"

    def _swapped(self, node: Any) -> Iterator[tuple[Any, str, str]]:
        given = [child for child in node.named_children if child.type != "comment"]
        if len(given) > 1 and "keyword_argument" not in {each.type for each in given[:2]}:
            first, second = given[0], given[1]
            if _text(first) != _text(second):
                between = node.text[
                    first.end_byte - node.start_byte : second.start_byte - node.start_byte
                ].decode()
                new = f"{_text(second)}{between}{_text(first)}"
                yield (first, second), new, "order of arguments"

    def _other(self, node: Any) -> Iterator[tuple[Any, str, str]]:
        words = {"true": "false", "false": "true", "True": "False", "False": "True"}
        yield node, words[_text(node)], "condition"

    def _return(self, node: Any) -> Iterator[tuple[Any, str, str]]:
        return iter(())

    def _without(self, node: Any) -> Iterator[tuple[Any, str, str]]:
        raise NotImplementedError


class _Cpp(_Sower):
    """C and C++."""

    def _without(self, node: Any) -> Iterator[tuple[Any, str, str]]:
        bare = node.type == "return_statement" and not node.named_children
        if node.type in _LEFT_OUT or bare:
            yield node, self.nothing, "left out"

    def _needed(
        self, node: Any, start: Any, kind: str
    ) -> tuple[int | None, tuple[int, int] | None]:
        """Which branch a label chooses is decided elsewhere, and what can be worked out while
        compiling counts wherever it is used.
        """
        around = self._around(node, *_FUNCTIONS)
        if around is None or node.type == "preproc_def":
            return None, None
        body = around.child_by_field_name("body")
        head = around.text[: body.start_byte - around.start_byte] if body is not None else b""
        if b"consteval" in head or b"constexpr" in head:
            return None, None
        while around.parent is not None and self._around(around.parent, *_FUNCTIONS):
            around = self._around(around.parent, *_FUNCTIONS)
        function = around.start_point[0] + 1, around.end_point[0] + 1
        label = self._around(node, "case_statement")
        value = label and label.child_by_field_name("value")
        chosen = value is not None and value.start_byte <= start.start_byte < value.end_byte
        return None if chosen else start.start_point[0] + 1, function


class _Python(_Sower):
    """Python."""

    false, true, nothing = "False", "True", "pass"

    def _without(self, node: Any) -> Iterator[tuple[Any, str, str]]:
        first = node.named_children[0] if node.named_children else None
        text_alone = first is not None and first.type in ("string", "concatenated_string")
        if node.type == "expression_statement" and text_alone:
            return
        bare = node.type == "return_statement" and first is None
        if bare or (node.type != "return_statement" and b"yield" not in node.text):
            yield node, self.nothing, "left out"

    def _return(self, node: Any) -> Iterator[tuple[Any, str, str]]:
        if node.named_children and _text(node.named_children[0]) != "None":
            yield node, "return None", "result"

    def _needed(
        self, node: Any, start: Any, kind: str
    ) -> tuple[int | None, tuple[int, int] | None]:
        """The innermost statement has to begin. A name that is no longer assigned to is another
        variable throughout its function.
        """
        inner = node
        while inner.parent is not None and not _is_statement(inner):
            inner = inner.parent
        names = b"=" in node.text or node.type == "delete_statement"
        if kind == "left out" and names:
            around = self._around(node, "function_definition")
            if around is None:
                return None, None
            return None, (around.start_point[0] + 1, around.end_point[0] + 1)
        return inner.start_point[0] + 1, None


def _is_statement(node: Any) -> bool:
    return node.type.endswith("_statement") or node.type in (
        "function_definition",
        "class_definition",
    )
