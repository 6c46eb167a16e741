"""Levels over time as a value change dump (.vcd), which waveform viewers open.

Source: IEEE 1364-2005 section 18 (format, from memory). The time unit is a nanosecond; there is no
date in it, so that the same run gives the same file.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

_FIRST_CODE, _CODES = 33, 94
"""Identifier codes are made of the printable characters from ``!`` to ``~``."""


def vcd(
    channels: Mapping[str, Sequence[tuple[int, int]]],
    from_ns: int,
    to_ns: int,
    *,
    scope: str = "car",
) -> Iterator[str]:
    """A window of some channels as text, piece by piece. Instants are those of the run; before
    the window all channels are shown as recessive, because readers of the format want to know
    them from zero on.

    :param channels: name -> ascending (instant in ns, level 0 or 1); 1 before the first.
    :raises ValueError: if the window is empty.
    """
    if to_ns <= from_ns:
        raise ValueError(f"a window from {from_ns} ns to {to_ns} ns is empty")
    codes = [_code(number) for number in range(len(channels))]
    yield "$version linkloss $end\n$timescale 1 ns $end\n"
    yield f"$scope module {_word(scope)} $end\n"
    for code, name in zip(codes, _words(channels), strict=True):
        yield f"$var bus 1 {code} {name} $end\n"
    yield "$upscope $end\n$enddefinitions $end\n"
    yield "#0\n$dumpvars\n" + "".join(f"1{code}\n" for code in codes) + "$end\n"
    levels = [1] * len(codes)
    now_ns = 0
    for at_ns, number, level in _changes(channels, from_ns, to_ns):
        if level == levels[number]:
            continue
        levels[number] = level
        if at_ns != now_ns:
            now_ns = at_ns
            yield f"#{at_ns}\n"
        yield f"{level}{codes[number]}\n"
    yield f"#{to_ns}\n"


def _changes(
    channels: Mapping[str, Sequence[tuple[int, int]]], from_ns: int, to_ns: int
) -> list[tuple[int, int, int]]:
    """All changes inside the window, and the levels at its beginning: instant, number of the
    channel, level; in order.
    """
    beginning = [
        (from_ns, number, _level_at(edges, from_ns))
        for number, edges in enumerate(channels.values())
    ]
    inside = (
        (at_ns, number, level)
        for number, edges in enumerate(channels.values())
        for at_ns, level in edges
        if from_ns < at_ns < to_ns
    )
    return sorted([*beginning, *inside])


def _level_at(edges: Sequence[tuple[int, int]], at_ns: int) -> int:
    level = 1
    for edge_ns, value in edges:
        if edge_ns > at_ns:
            break
        level = value
    return level


def _code(number: int) -> str:
    code = ""
    while True:
        number, digit = divmod(number, _CODES)
        code += chr(_FIRST_CODE + digit)
        if number == 0:
            return code
        number -= 1


def _words(names: Mapping[str, object]) -> list[str]:
    """Names without characters that the format forbids, each different from the others."""
    words: list[str] = []
    for name in names:
        word, number = _word(name), 2
        while word in words:
            word, number = f"{_word(name)}_{number}", number + 1
        words.append(word)
    return words


def _word(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9_]", "_", name) or "_"
