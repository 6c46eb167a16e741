"""No program in C ends, silences or turns green the process that judges it, and none leaves
anything behind for the next life.
"""

from __future__ import annotations

import platform

import pytest
from c_life import firmware, printed
from life_car import run

from linkloss.firmware.build import BuildError, BuildOptions
from linkloss.firmware.coverage import counting, lines_run

LOOP = "void loop(void) { board_delay_ms(10); }\n"
NOWHERE = "a board has nothing to return to"
NO_SYSTEM = "a board has no operating system"
ENDS = {
    "_exit(0)": ("unistd.h", NOWHERE),
    "_Exit(0)": ("stdlib.h", NOWHERE),
    "quick_exit(0)": ("stdlib.h", NOWHERE),
    "kill(0, 0)": ("signal.h", NO_SYSTEM),
    "raise(9)": ("signal.h", NO_SYSTEM),
}


@pytest.mark.parametrize("call", ENDS)
def test_a_call_that_ends_a_process_is_a_crash_of_the_node(tmp_path, call):
    header, why = ENDS[call]
    source = (
        f"#include <unistd.h>\n#include <{header}>\n"
        f"void setup(void) {{\n    board_delay_ms(30);\n    {call};\n}}\n" + LOOP
    )
    ran = run(firmware(tmp_path, source), lasts_ms=300)
    assert ran.beats()[-1] > 250  # the other node goes on
    (crash,) = ran.recording.crashes
    assert (crash.node, crash.at_ns) == ("unit", 50_000_000)
    assert crash.text == f"{call.partition('(')[0]}(): {why}"
    assert crash.where.endswith("unit.c:5")


@pytest.mark.skipif(platform.machine() != "x86_64", reason="a call of this processor's")
def test_a_bare_instruction_that_ends_the_process_is_a_crash_of_the_node(tmp_path):
    source = (
        "static void leave(long code) {\n"
        '    __asm__ volatile("syscall" : : "a"(231L), "D"(code) : "rcx", "r11", "memory");\n'
        "}\n"
        "void setup(void) {\n    board_delay_ms(30);\n    leave(0);\n}\n" + LOOP
    )
    unit = firmware(tmp_path, source)
    for _ in range(2):
        (crash,) = run(unit, lasts_ms=300).recording.crashes
        assert crash.text == "call 231 of the operating system, which a board does not have"
        assert crash.at_ns == 50_000_000
        assert crash.where.endswith("unit.c:2")


@pytest.mark.parametrize(
    "call",
    [
        "fork()", "close(1)", "dup2(1, 2)", "fclose(stdout)", "syscall(231, 0)",
        'execl("/bin/true", "true", (char *)0)', "write(1, HEAD, 1)", "getpid()",
    ],
)  # fmt: skip
def test_a_call_that_reaches_the_machine_is_refused_at_the_build(tmp_path, call):
    name = call.partition("(")[0]
    source = f'#include <unistd.h>\n#define HEAD "x"\nvoid setup(void) {{ {call}; }}\n' + LOOP
    with pytest.raises(BuildError, match=rf"unit\.c calls {name}\(\)"):
        firmware(tmp_path, source)
    with pytest.raises(BuildError, match=rf"unit\.c calls {name}\(\)"), counting() as folder:
        firmware(tmp_path, source, options=BuildOptions(coverage=folder))


def test_a_function_of_the_firmware_may_have_such_a_name(tmp_path):
    source = (
        'int open(int valve) { return valve + 1; }\nvoid kill(int code) { puts("own"); }\n'
        'void setup(void) { if (open(1) == 2) puts("open"); kill(1); }\n' + LOOP
    )
    ran = run(firmware(tmp_path, source))
    assert (printed(ran), ran.recording.crashes) == (["open", "own"], [])


def test_what_goes_to_either_stream_is_on_the_serial_line(tmp_path, capfd):
    source = (
        'void setup(void) {\n    fprintf(stderr, "%d\\n", 7);\n    fputs("two\\n", stdout);\n'
        "    fwrite(\"three\\n\", 1, 6, stderr);\n    putc('4', stdout); fputc('\\n', stderr);\n"
        "    fflush(stdout);\n}\n" + LOOP
    )
    ran = run(firmware(tmp_path, source))
    assert printed(ran) == ["7", "two", "three", "4"]
    assert capfd.readouterr() == ("", "")


LIVES = """\
#include <errno.h>
static __thread int lives = 7;
static __thread int zero;
void setup(void) {
    char text[] = "a b";
    printf("%d %d %d\\n", lives, zero, errno);
    lives = zero = 99;
    errno = 33;
    strtok(text, " ");
    board_delay_ms(5);
    printf("%d %s\\n", errno, strtok(0, " "));
}
void loop(void) { board_delay_ms(10); }
"""


def test_thread_local_variables_and_errno_begin_anew_at_each_reset(tmp_path):
    unit = firmware(tmp_path, LIVES)
    for _ in range(2):
        ran = run(unit, ("reset", 100, None))
        assert printed(ran) == ["7 0 0", "33 b"] * 2


LEAKS = """\
static int full;
void setup(void) {
    while (malloc(1000))
        full++;
    printf("%d\\n", full > 100);
}
void loop(void) { board_delay_ms(10); }
"""


def test_lines_are_counted_of_a_program_that_has_used_up_its_heap(tmp_path):
    with counting() as folder:
        unit = firmware(tmp_path, LEAKS, options=BuildOptions(coverage=folder))
        ran = run(unit, ("reset", 100, None))
        (source,) = lines_run(folder, [unit.path])
    assert ran.recording.crashes == []
    assert printed(ran) == ["1", "1"]
    assert (source.ran, source.missed) == ((2, 3, 4, 5, 6, 7), ())


def test_a_number_too_large_for_its_integer_is_undefined_behaviour(tmp_path):
    source = (
        "void setup(void) {\n    volatile double much = 1e12;\n    volatile int i = much;\n}\n"
    ) + LOOP
    unit = firmware(tmp_path, source, options=BuildOptions(sanitize=True))
    (crash,) = run(unit).recording.crashes
    assert crash.text == "undefined behaviour: floating-point number does not fit the integer"
    assert crash.where.endswith("unit.c:3")


def test_sorting_much_takes_memory_of_the_c_library_and_is_no_crash(tmp_path):
    source = (
        "static int order(const void *a, const void *b) { return *(int *)a - *(int *)b; }\n"
        "static int many[200000];\n"
        "void setup(void) {\n    for (int i = 0; i < 200000; i++) many[i] = -i;\n"
        "    qsort(many, 200000, sizeof *many, order);\n"
        '    printf("%d\\n", many[0]);\n}\n' + LOOP
    )
    ran = run(firmware(tmp_path, source))
    assert (printed(ran), ran.recording.crashes) == (["-199999"], [])
