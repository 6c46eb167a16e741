"""Building firmware: kept by content, and every way to fail told with what to do about it."""

from __future__ import annotations

import pytest

from linkloss.firmware.build import BuildError, BuildOptions, Sources, build, compiler
from linkloss.firmware.sketch import shorten_longs

PROGRAM = '#include "board.h"\n#include "own.h"\nvoid setup(void) {}\nvoid loop(void) { N; }\n'


@pytest.fixture
def sources(tmp_path, monkeypatch):
    """A function that writes files and returns the sources ``unit.c``; builds go to a folder."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))

    def write(text=PROGRAM, own="enum { N = 1 };\n", **rest):
        (tmp_path / "unit.c").write_text(text, encoding="utf-8")
        (tmp_path / "own.h").write_text(own, encoding="utf-8")
        return Sources(tmp_path, ("unit.c",), **rest)

    return write


def test_the_same_sources_are_built_once_and_a_changed_header_anew(sources):
    first = build(sources())
    stamp = first.stat().st_mtime_ns
    assert build(sources()) == first
    assert first.stat().st_mtime_ns == stamp
    assert build(sources(own="enum { N = 2 };\n")) != first
    assert build(sources(definitions=("OTHER",))) == first  # nothing depends on it
    assert build(sources(), BuildOptions(sanitize=True)) != first


WRONG = [
    ("void loop(void) { x(); }\n", {}, "undefined reference to `x'"),
    ("int x = ;\n", {}, "unit.c:1:9: error: expected expression"),
    ("#include <time.h>\nvoid f(void) { time(0); }\n", {},
     r"unit.c calls time\(\); expected: board_ms"),
    ("#include <unistd.h>\nvoid f(void) { sleep(1); }\n", {},
     r"unit.c calls sleep\(\); expected: board_delay_ms"),
    ("", {"std": "c99x"}, "c99x"),
]  # fmt: skip


@pytest.mark.parametrize("text, rest, told", WRONG)
def test_what_cannot_be_built_is_told(sources, text, rest, told):
    with pytest.raises(BuildError, match=told):
        build(sources(text, **rest))


@pytest.mark.parametrize(
    "name, told", [("none.c", "there is no file"), ("unit.rs", "'unit.rs' is no source; expected")]
)
def test_a_file_that_is_no_source_is_told(sources, name, told):
    sources()
    with pytest.raises(BuildError, match=told):
        build(Sources(sources().folder, (name,)))


def test_a_missing_compiler_is_told_with_how_to_get_one(sources, monkeypatch):
    monkeypatch.setenv("CC", "no-such-compiler")
    compiler.cache_clear()
    with pytest.raises(BuildError, match="there is no C compiler 'no-such-compiler'"):
        build(sources())
    compiler.cache_clear()


LONGS = [
    ("unsigned long a = 5UL;", "unsigned int a = 5U;"),
    ("long int b; long long c; long double d;", " int b; long long c; long double d;"),
    ("long e = 0x7fL + 1L - 2LL;", "int e = 0x7f + 1 - 2LL;"),
    ('char *s = "long 5L"; double f = 1.5L;', 'char *s = "long 5L"; double f = 1.5L;'),
    ("longer = 1e5L;", "longer = 1e5L;"),
]


@pytest.mark.parametrize("before, after", LONGS)
def test_a_long_of_the_users_becomes_an_int(before, after):
    assert shorten_longs(before) == after


def test_a_long_of_a_system_header_stays():
    text = '# 1 "/usr/include/x.h" 1 3 4\nlong x;\n# 2 "own.c" 2\nlong y;\n'
    assert shorten_longs(text).splitlines()[1::2] == ["long x;", "int y;"]
