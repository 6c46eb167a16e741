"""The fixtures for tests in Python: a car, virtual time, and what they say when used wrongly."""

from __future__ import annotations

import pytest
from tests.pytest_plugin.conftest import edited, write

from linkloss.campaign.isolation import CAN_FORK

pytest_plugins = "pytester"
needs_asyncio = "needs pytest-asyncio (extra 'test')"

PLAIN = """
    import asyncio
    import pytest

    def test_a_car_in_a_plain_test(bench):
        bench.set(lights="on")
        bench.run("500 ms")
        assert bench.load("tail_lamp").on
        assert not bench.load("tail_lamp").off
        assert bench.load("tail_lamp").level == 1.0
        assert bench.load("tail_lamp").flashes_per_minute == 0.0
        assert bench.node("rear") == "running"
        assert bench.now_ns == 500_000_000
        assert bench.broken() == []

    def test_a_fault_is_there_until_it_is_mended(bench):
        bench.run("100 ms")
        with bench.fault("hang", node="rear") as hang:
            bench.run("50 ms")
            assert bench.node("rear") == "hung"
        assert bench.node("rear") == "running"
        hang.clear()
        (record,) = bench.recording.faults
        assert (record.applied_ns, record.cleared_ns) == (100_000_000, 150_000_000)

    def test_a_fault_that_is_over_at_once_needs_no_mending(bench):
        bench.run("100 ms")
        bench.fault("reset", node="rear").clear()
        assert bench.node("rear") == "reset"

    def test_what_broke_is_told_in_sentences(bench):
        bench.run("100 ms")
        bench.fault("unplug", node="rear")
        bench.run("2 s")
        assert [text for text in bench.broken() if text.startswith("notice rear_lost was not")]

    @pytest.mark.linkloss(situation="night", seed=7)
    def test_a_situation_brings_its_inputs_and_actions(bench):
        bench.run("1 s")
        assert bench.load("tail_lamp").on
        assert bench.recording.seed == 7

    @pytest.mark.linkloss(inputs={"lights": "on", "speed": 60})
    def test_inputs_are_there_from_the_beginning(bench):
        bench.run("300 ms")
        assert bench.load("tail_lamp").on
        assert bench.recording.inputs["speed"].at(0) == 60.0
        assert bench.recording.actions == []

    def test_the_vehicle_stands_beside_the_test(vehicle):
        assert vehicle.title == "Tiny"
"""

COROUTINES = """
    {head}

    async def test_virtual_time_passes_at_once(virtual_time):
        await asyncio.sleep(86_400)
        await virtual_time.after("250 ms")
        assert virtual_time.now_ns == 86_400_250_000_000

    async def test_a_car_in_a_coroutine(bench, lit):
        assert lit == "lit"
        await bench.after("400 ms")
        assert bench.now_ns == {lit_ms}_000_000 + 400_000_000
        assert bench.load("tail_lamp").on

    async def test_a_time_limit_is_one_of_virtual_time(bench):
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(1.5):
                await bench.after("1 min")
        assert bench.now_ns == 1_500_000_000

    async def test_two_tasks_share_the_car(bench):
        async def driver():
            await bench.after("100 ms")
            bench.set(lights="on")
        async with asyncio.TaskGroup() as group:
            group.create_task(driver())
            await bench.after("50 ms")
            assert bench.load("tail_lamp").off
        await bench.after("100 ms")
        assert bench.load("tail_lamp").on
        assert bench.recording.actions[0].at_ns == 100_000_000
"""

FIXTURE = """
    {decorator}
    async def lit(bench):
        bench.set(lights="on")
        await bench.after("100 ms")
        yield "lit"
        await asyncio.sleep(0.1)
"""
PLAIN_FIXTURE = """
    @pytest.fixture
    def lit(bench):
        bench.set(lights="on")
        return "lit"
"""


def test_a_car_in_plain_tests(car):
    car.makepyfile(PLAIN)
    car.runpytest("test_a_car_in_plain_tests.py").assert_outcomes(passed=7)


def test_coroutines_need_no_further_plug_in(car):
    head = "import asyncio\n    import pytest"
    car.makepyfile(COROUTINES.format(head=head, lit_ms=0) + PLAIN_FIXTURE)
    car.runpytest("-p", "no:asyncio", "-k", "test_").assert_outcomes(passed=4, deselected=1)


@pytest.mark.parametrize("mode", ["strict", "auto"])
def test_coroutines_run_beside_pytest_asyncio_with_asynchronous_fixtures(car, mode):
    pytest.importorskip("pytest_asyncio", reason=needs_asyncio)
    head = "import asyncio\n    import pytest\n    import pytest_asyncio"
    decorator = "@pytest.fixture"
    if mode == "strict":
        head += "\n    pytestmark = pytest.mark.asyncio"
        decorator = "@pytest_asyncio.fixture"
    other = """
    async def test_without_a_car_time_is_real():
        assert type(asyncio.get_running_loop()).__name__ != "VirtualLoop"
    """
    fixture = FIXTURE.format(decorator=decorator)
    car.makepyfile(COROUTINES.format(head=head, lit_ms=100) + fixture + other)
    result = car.runpytest("-o", f"asyncio_mode={mode}", "-W", "error", "-k", "test_")
    result.assert_outcomes(passed=5, deselected=1)


def test_a_loop_that_tests_share_is_told_to_be_the_wrong_one(car):
    pytest.importorskip("pytest_asyncio", reason=needs_asyncio)
    car.makepyfile(
        """
        import pytest

        @pytest.mark.asyncio(loop_scope="module")
        async def test_shared(bench):
            await bench.after("1 s")
        """
    )
    result = car.runpytest("-k", "shared")
    result.assert_outcomes(failed=1, deselected=1)
    result.stdout.fnmatch_lines(["*RuntimeError: this test runs on another event loop*"])


def test_a_plain_and_an_asynchronous_test_make_the_same_recording(car):
    car.makepyfile(
        """
        import pytest

        seen = []

        def test_plain(bench):
            bench.run("300 ms"); bench.set(lights="on"); bench.run("410 ms")
            bench.fault("cut", between=["dash", "rear"]); bench.run("1 s")
            seen.append((bench.recording.frames[:], bench.recording.outputs))

        async def test_coroutine(bench):
            await bench.after("300 ms"); bench.set(lights="on"); await bench.after("410 ms")
            bench.fault("cut", between=["dash", "rear"]); await bench.after("1 s")
            seen.append((bench.recording.frames[:], bench.recording.outputs))

        def test_the_same():
            assert len(seen[0][0]) > 50
            assert seen[0] == seen[1]
        """
    )
    car.runpytest("-p", "no:asyncio", "-k", "test_").assert_outcomes(passed=3, deselected=1)


def test_a_failed_test_shows_what_happened_to_the_car(car):
    car.makepyfile(
        """
        def test_lamp(bench):
            bench.set(lights="on")
            bench.run("400 ms")
            assert bench.load("tail_lamp").off, "too bright"
        """
    )
    result = car.runpytest("-k", "lamp and not cut")
    result.stdout.fnmatch_lines(
        [
            "*too bright*",
            "*<load tail_lamp: on at 0.4 s>.off*",
            "*what happened on the bench*",
            "   0.0000 s  input lights = on",
            "   0.0200 s  tail_lamp: on",
        ]
    )


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("bench.set(lights='onn')", "*'lights' has no position 'onn'*did you mean 'on'?*"),
        ("bench.set(lihgts='on')", "*unknown input 'lihgts'*did you mean 'lights'?*"),
        ("bench.load('tail')", "*unknown load 'tail'*did you mean 'tail_lamp'?*"),
        ("bench.node('raer')", "*unknown node 'raer'*did you mean 'rear'?*"),
        ("bench.fault('unplugg', node='rear')", "*unknown fault 'unplugg'*did you mean*"),
        ("bench.fault('unplug', nod='rear')", "*unknown parameter of 'unplug' 'nod'*"),
        ("bench.run('5')", "*a duration with its unit*like '250 ms'*"),
        ("bench.run('11 min')", "*TimeLimitError: the test has taken 600 s of virtual time*"),
    ],
)
def test_mistakes_are_answered_with_the_nearest_valid_name(car, line, said):
    car.makepyfile(f"def test_line(bench):\n    {line}\n")
    result = car.runpytest("-k", "test_line")
    result.assert_outcomes(failed=1, deselected=1)
    result.stdout.fnmatch_lines([said])


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("situation='nihgt'", "*unknown situation 'nihgt'*did you mean 'night'?*"),
        ("situatoin='night'", "*unknown word 'situatoin'*did you mean 'situation'?*"),
        ("inputs={'speed': 101}", "*got '101'; expected a number from 0 to 100 km/h*"),
        ("vehicle='car.toml'", "*car.toml: there is no such file; expected a vehicle file*"),
        ("longest='1 y'", "*'y' is no unit of duration*"),
    ],
)
def test_mistakes_in_the_marker_are_errors_without_a_traceback(car, words, said):
    car.makepyfile(f"import pytest\n@pytest.mark.linkloss({words})\ndef test_marked(bench): pass\n")
    result = car.runpytest("-k", "marked")
    result.assert_outcomes(errors=1, deselected=1)
    result.stdout.fnmatch_lines([said])
    result.stdout.no_fnmatch_line("*Traceback*")
    result.stdout.no_fnmatch_line("*.py:*: *Error*")


def test_without_a_vehicle_a_test_says_where_one_is_looked_for(car):
    (car.path / "vehicle.toml").unlink()
    car.makepyfile("def test_lost(bench): pass\n")
    result = car.runpytest("-k", "lost")
    result.assert_outcomes(errors=1, deselected=1)
    result.stdout.fnmatch_lines(["linkloss: no vehicle for this test*"])


def test_the_vehicle_may_be_named_by_option_or_setting(car):
    (car.path / "vehicle.toml").rename(car.path / "other.toml")
    write(car, "test_it.py", "def test_it(vehicle): assert vehicle.title == 'Tiny'\n")
    car.runpytest("test_it.py", "--linkloss-vehicle", "other.toml").assert_outcomes(passed=1)
    car.runpytest("test_it.py", "-o", "linkloss_vehicle=other.toml").assert_outcomes(passed=1)


def test_a_test_that_waits_for_nothing_is_told_so(car):
    car.makepyfile(
        """
        import asyncio

        async def test_stuck(virtual_time):
            await asyncio.Event().wait()
        """
    )
    result = car.runpytest("-p", "no:asyncio", "-k", "stuck")
    result.assert_outcomes(failed=1, deselected=1)
    result.stdout.fnmatch_lines(["*DeadlockError*"])


def ended_by(car, line):
    """A test that fails, with a car whose rear node's program begins with this line."""
    text = (car.path / "tiny_nodes.py").read_text(encoding="utf-8")
    start = "class Rear(Node):\n    def start(self):\n"
    assert start in text
    end = f"import atexit, ctypes, os, sys\n\n\n{start}        {line}\n"
    write(car, "ends.py", text.replace(start, end))
    edited(car, "vehicle.toml", "tiny_nodes.py", "ends.py")
    car.makepyfile("""
        def test_it(bench):
            bench.run("1 s")
            assert bench.node("rear") == "crashed"
            assert False
    """)
    return car.runpytest_subprocess("-q", "-k", "test_it")


def test_a_program_that_would_end_pytest_does_not_turn_a_failed_test_green(car):
    ended_by(car, "os._exit(0)").assert_outcomes(failed=1, deselected=1)


@pytest.mark.parametrize("line", ["sys.stdout.close()", "ctypes.CDLL(None).close(1)"])
def test_a_program_that_closes_what_pytest_writes_to_does_not_silence_a_failed_test(car, line):
    result = ended_by(car, line)
    assert result.ret == 1
    assert result.parseoutcomes()["failed"] == 1


@pytest.mark.skipif(not CAN_FORK, reason="the run is watched where processes can be forked")
@pytest.mark.parametrize(
    ("call", "how"),
    [("_exit(0)", "with exit code 0"), ("abort()", "by signal 6")],
)
def test_machine_code_that_ends_pytest_does_not_make_a_green_run(car, call, how):
    result = ended_by(car, f"ctypes.CDLL(None).{call}")
    assert result.ret == 1
    result.stdout.fnmatch_lines([f"linkloss: the test run ended {how} in the middle of a test:*"])


@pytest.mark.skipif(not CAN_FORK, reason="the run is watched where processes can be forked")
def test_what_a_program_leaves_for_the_end_of_the_process_does_not_make_a_green_run(car):
    result = ended_by(car, "atexit.register(ctypes.CDLL(None)._exit, 0)")
    result.assert_outcomes(failed=1, deselected=1)
    assert result.ret == 1


@pytest.mark.skipif(not CAN_FORK, reason="the run is watched where processes can be forked")
def test_only_a_run_with_a_car_goes_on_in_another_process(car):
    write(
        car,
        "test_it.py",
        """
import os

collected_by = os.getpid()

def test_no_car():
    assert os.getpid() == collected_by

def test_car(bench):
    assert os.getpid() != collected_by
""",
    )
    for name in ("test_no_car", "test_car"):
        result = car.runpytest_subprocess("test_it.py", "-k", name)
        result.assert_outcomes(passed=1, deselected=1)
        assert result.ret == 0
