"""Building firmware: kept by content, and every way to fail told with what to do about it."""

from __future__ import annotations

import pytest

from linkloss.firmware.build import (
    BuildError,
    BuildOptions,
    Sources,
    build,
    compiler,
    warnings_of,
)
from linkloss.firmware.sketch import shorten_longs

PROGRAM = (
    '#include "board.h"\n#include "own.h"\nvoid setup(void) {}\nvoid loop(void) { (void)N; }\n'
)


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


def test_warnings_name_file_and_line_as_the_user_wrote_them(sources):
    text = PROGRAM.replace("{}", "{\n    int unused;\n}", 1)
    made = build(sources(text, own="enum { N = 1 };\nstatic int idle(void) { return 1; }\n"))
    said = warnings_of(made)
    assert [line.partition(": warning: ")[0].rpartition(":")[0] for line in said] == [
        "unit.c:4", "own.h:2",
    ]  # fmt: skip
    assert "unused variable" in said[0]
    assert (
        warnings_of(
            build(sources(text, own="enum { N = 1 };\nstatic int idle(void) { return 1; }\n"))
        )
        == said
    )
    assert warnings_of(build(sources())) == []


def test_a_long_and_the_board_s_own_headers_give_no_warning(sources, tmp_path):
    text = '#include <SPI.h>\nvoid setup() { char s[9]; sprintf(s, "%lu", millis()); }\n'
    text = f"#include <Arduino.h>\n{text}void loop() {{}}\n"
    (tmp_path / "unit.ino").write_text(text, encoding="utf-8")
    assert warnings_of(build(Sources(tmp_path, ("unit.ino",)))) == []


BESIDE = [
    ("int helper(int a)\n{\n    return a;\n}\n", "helper.c", True),
    (
        "static const char *const names[] = {0};\nlong helper (long a, long b) { return a; }",
        "helper.c",
        True,
    ),
    (
        "// int helper(int a) {\nextern int helper(int);\nint other(void) { return helper(1); }\n",
        "helper.c",
        False,
    ),
    ("int helper = 3;\n", "helper.c", True),
    ("int helpers(void) { return 1; }\n", "helper.c", False),
    ("int helper(int a) { return a; }\n", "helper.txt", False),
]


@pytest.mark.parametrize("text, name, found", BESIDE)
def test_a_source_that_is_missing_is_guessed(sources, tmp_path, text, name, found):
    given = sources("int helper(int);\nvoid setup(void) { helper(2); }\nvoid loop(void) {}\n")
    (tmp_path / name).write_text(text, encoding="utf-8")
    with pytest.raises(BuildError, match="undefined reference to `helper") as caught:
        build(given)
    hint = f"'helper' is defined in '{name}': add that file to 'c'"
    assert (hint in str(caught.value)) is found


def test_a_missing_source_in_cpp_is_guessed(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    (tmp_path / "lib").mkdir()
    (tmp_path / "lib" / "chip.h").write_text("struct Chip { bool begin(int rate); };\n")
    (tmp_path / "lib" / "chip.cpp").write_text(
        '#include "chip.h"\nbool Chip::begin(int rate) { return rate > 0; }\n'
    )
    (tmp_path / "node.ino").write_text(
        '#include "chip.h"\nChip chip;\nvoid setup() { chip.begin(2); }\nvoid loop() {}\n'
    )
    given = Sources(tmp_path, ("node.ino",), includes=("lib",))
    with pytest.raises(BuildError, match=r"'begin' is defined in 'lib/chip\.cpp': add that file"):
        build(given)
    build(Sources(tmp_path, ("node.ino", "lib/chip.cpp"), includes=("lib",)))


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
