"""The command line: what it prints, what it writes, what it returns."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import can
import pytest

from linkloss.campaign.result import CAUTION
from linkloss.cli import main
from linkloss.problem import BadInput
from linkloss.shipped import demo_vehicle

TINY = Path(__file__).parent / "report" / "tiny"
ROOT = Path(__file__).parent.parent


@pytest.fixture
def car(tmp_path, monkeypatch) -> Path:
    """The tiny car, in a folder of its own that is the current one."""
    folder = tmp_path / "car"
    shutil.copytree(TINY, folder, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.chdir(folder)
    monkeypatch.setenv("COLUMNS", "80")
    return folder


def words(text: str) -> str:
    return " ".join(text.split())


def test_a_scenario_that_keeps_everything_returns_0(car, capsys):
    assert main(["run", "cut.toml"]) == 0
    out, err = capsys.readouterr()
    assert "0.5000 s  fault cut: the cable between dash and rear was cut" in out
    assert "* kept: tail_lamp on from 300 ms to 1.4 s" in out
    assert CAUTION in words(out)
    assert err == ""


def test_a_broken_expectation_returns_1(car, capsys):
    text = (car / "cut.toml").read_text().replace('state = "on"', 'state = "off"')
    (car / "cut.toml").write_text(text)
    assert main(["run", "cut.toml", "-q"]) == 1
    assert "* broken: tail_lamp off from 300 ms" in capsys.readouterr().out


@pytest.mark.parametrize(
    "command", [["run", "cut.toml"], ["check", "vehicle.toml", "--only", "none", "-q"]]
)
def test_a_program_that_ends_its_process_behind_the_back_of_the_bench_returns_1(
    car, capfd, command
):
    text = (car / "tiny_nodes.py").read_text(encoding="utf-8")
    start = "class Rear(Node):\n    def start(self):\n"
    text = "import ctypes\n" + text.replace(start, f"{start}        ctypes.CDLL(None)._exit(0)\n")
    (car / "ends.py").write_text(text, encoding="utf-8")
    vehicle = (car / "vehicle.toml").read_text(encoding="utf-8")
    (car / "vehicle.toml").write_text(vehicle.replace("tiny_nodes.py", "ends.py"), encoding="utf-8")
    ran = subprocess.run(
        [sys.executable, "-m", "linkloss.cli", *command],
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 1
    assert "process down" in words(ran.stdout)


def test_a_run_that_tests_nothing_returns_3(car, capsys):
    (car / "idle.toml").write_text('title = "Idle"\nvehicle = "vehicle.toml"\nlasts = "10 ms"\n')
    assert main(["run", "idle.toml"]) == 3
    assert "Nothing was put to the test." in capsys.readouterr().out


def test_a_run_writes_its_logs_and_its_recording(car):
    assert main(["run", "cut.toml", "--log", "a.log", "b.csv", "--json", "run.json", "-q"]) == 0
    found = json.loads((car / "run.json").read_text())
    for name in ("a.log", "b.csv"):
        with can.LogReader(car / name) as reader:
            assert sum(1 for _ in reader) == len(found["frames"])


def test_logs_may_also_be_named_one_by_one(car):
    main(["run", "cut.toml", "--log", "a.log", "--log", "b.asc", "-q"])
    assert (car / "a.log").is_file()
    assert (car / "b.asc").is_file()


def test_a_check_with_a_broken_rule_returns_1_and_its_command_shows_it_again(car, capsys):
    assert main(["check", "vehicle.toml", "--only", "hang", "--jobs", "1", "--no-shrink"]) == 1
    out = capsys.readouterr().out
    case = out.split("--case '")[1].split("'")[0]
    assert main(["check", "vehicle.toml", "--case", case, "-q", "--no-shrink"]) == 1
    again = capsys.readouterr().out
    assert "1 case," in again
    assert "node rear was not restarted within 300..." in words(again)
    assert CAUTION in words(again)


def test_a_check_that_leaves_rules_untested_returns_3_and_never_0(car, capsys):
    assert main(["check", "vehicle.toml", "--only", "none", "-q", "--jobs", "1"]) == 3
    assert "rules were not exercised." in words(capsys.readouterr().out)


def test_a_check_writes_json_and_junit_that_agree(car):
    arguments = ["--only", "hang", "none", "--json", "c.json", "--junit", "c.xml", "--jobs", "1"]
    main(["check", "vehicle.toml", *arguments])
    found = json.loads((car / "c.json").read_text())
    root = ET.parse(car / "c.xml").getroot()
    assert int(root.get("failures")) == found["totals"]["rules_broken"] > 0
    untested = found["totals"]["rules_not_exercised"]
    silent = [entry for entry in found["unjudged"] if not entry[2]]
    assert (untested > 0, int(root[0].get("skipped"))) == (True, untested + len(silent))
    assert found["faults"] == ["none", "hang"]


@pytest.mark.slow
def test_the_number_of_processes_does_not_show_in_the_report(car):
    for jobs in ("1", "2"):
        only = ["--only", "none", "cut", "hang", "reset"]
        main(["check", "vehicle.toml", *only, "--jobs", jobs, "--json", f"{jobs}.json", "-q"])
    assert (car / "1.json").read_text() == (car / "2.json").read_text()


def test_a_check_without_a_file_takes_the_demo_and_says_so(capsys):
    case = "parked/none"
    main(["check", "--case", case])
    out = capsys.readouterr().out
    assert "No vehicle file was named: this is the bundled demo vehicle." in out
    assert f"Wren({demo_vehicle()})" in "".join(out.split())  # wherever its path is wrapped


def test_the_demo_is_found_inside_an_installed_package(tmp_path, monkeypatch):
    inside = tmp_path / "linkloss" / "data" / "scenarios" / "wren" / "vehicle.toml"
    inside.parent.mkdir(parents=True)
    inside.write_text("")
    monkeypatch.setattr("linkloss.shipped._PACKAGE", tmp_path / "linkloss")
    monkeypatch.setattr("linkloss.shipped._CHECKOUT", tmp_path)
    assert demo_vehicle() == inside
    inside.unlink()
    with pytest.raises(BadInput, match="the bundled demo vehicle is missing"):
        demo_vehicle()


def test_the_faults_are_listed_with_their_parameters(capsys):
    assert main(["faults"]) == 0
    out = capsys.readouterr().out
    assert "* cut: The trunk is cut; each side keeps its own traffic." in out
    assert "    receiver (needed): the node that misses it" in out
    assert "    by (optional): how late; default: 80 ms" in out


@pytest.mark.parametrize("kind", ["vehicle", "scenario"])
def test_a_schema_is_printed_as_json(capsys, kind):
    assert main(["schema", kind]) == 0
    assert json.loads(capsys.readouterr().out)["$schema"].startswith("https://json-schema.org/")


def test_help_and_version_return_0(capsys):
    assert main(["--help"]) == 0
    assert "check" in capsys.readouterr().out
    assert main(["--version"]) == 0
    assert capsys.readouterr().out.startswith("linkloss")


@pytest.mark.parametrize("command", ["check", "run", "faults", "schema"])
def test_every_command_explains_itself(capsys, command):
    assert main([command, "--help"]) == 0
    assert f"linkloss {command}" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["chek"], 'Unknown command "chek". Did you mean "check"?'),
        (["check", "--jsn", "x"], "Unknown option: --jsn. Did you mean --json?"),
        (["run"], 'Command "run" parameter SCENARIO requires an argument.'),
        (
            ["schema", "car"],
            (
                'Invalid value "car" for KIND. Choose from: "vehicle", "scenario", "check", "run", '
                '"mutants".'
            ),
        ),
        (
            ["check", "--jobs", "many"],
            'Invalid value for --jobs: unable to convert "many" into a number.',
        ),
        (
            ["check", "--only", "cut", "vehicle.toml"],
            "check: 'vehicle.toml' stands after an option; put the vehicle file first",
        ),
        (["check", "--jobs", "0"], "--jobs: got 0; expected at least 1"),
    ],
)
def test_a_mistake_in_the_arguments_is_one_line_on_the_error_stream(capsys, arguments, message):
    assert main(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("linkloss: ")
    assert message in err
    assert len(err.splitlines()) == 1


def test_an_interrupt_returns_130_with_one_line(car, capsys, monkeypatch):
    def interrupted(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("linkloss.campaign.isolation.run_apart", interrupted)
    assert main(["run", "cut.toml", "--json", "run.json"]) == 130
    out, err = capsys.readouterr()
    assert (out, err) == ("", "linkloss: interrupted, there is no result\n")
    assert not (car / "run.json").exists()


def test_an_error_of_the_bench_itself_is_not_called_bad_input(car, monkeypatch):
    def failing(*_, **__):
        raise ZeroDivisionError

    monkeypatch.setattr("linkloss.campaign.isolation.run", failing)
    with pytest.raises(ZeroDivisionError):
        main(["run", "cut.toml"])


@pytest.mark.parametrize(
    ("command", "told"),
    [
        ((), "A vehicle file is code"),
        (("check",), "A vehicle file is code"),
        (("plan",), "imports its programs in Python"),
        (("timing",), "imports its programs in Python"),
        (("describe",), "imports its programs in Python"),
        (("report",), "It runs none of the vehicle's programs"),
    ],
)
def test_help_says_what_runs_programs(capsys, command, told):
    assert main([*command, "--help"]) == 0
    shown = " ".join(capsys.readouterr().out.replace("\u2502", " ").split())
    assert told in shown
    assert "files that you trust" in shown


def test_help_imports_neither_the_bench_nor_its_libraries():
    program = (
        "import sys; from linkloss.cli import main; main(['--help'])\n"
        "heavy = {'can', 'cantools', 'pydantic', 'asammdf'}\n"
        "heavy |= {'linkloss.vehicle', 'linkloss.campaign'}\n"
        "print(sorted(heavy & set(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, cwd=ROOT, check=True
    )
    assert done.stderr == "[]\n"


def test_a_pipe_that_is_closed_early_leaves_no_traceback_and_does_not_return_0():
    command = [sys.executable, "-m", "linkloss.cli", "schema", "vehicle"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == b""
    assert process.returncode == 141


def to_the_group(process):
    """As a terminal does it."""
    os.killpg(process.pid, signal.SIGINT)


def to_the_process(process):
    """As whoever stops a job does it."""
    process.terminate()


@pytest.mark.parametrize("stop", [to_the_group, to_the_process])
def test_a_check_that_is_stopped_reports_what_was_done_and_returns_130(stop):
    command = [sys.executable, "-u", "-c", _CHECK_AND_SAY_WHEN]
    with subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        start_new_session=True,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline() == "begun\n"
        stop(process)
        err = process.stderr.read()
    assert process.returncode == 130
    assert re.fullmatch(r"linkloss: interrupted after \d+ of \d+ cases\n", err)


BLOCKS_ALL = """
import os
import signal

from linkloss_nodes import Node


class Dash(Node):
    pass


class Rear(Node):
    def start(self):
        signal.pthread_sigmask(signal.SIG_BLOCK, range(1, 65))
        os.write(2, b"blocked\\n")
        while True:
            pass
"""


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux ends a process with its parent")
def test_a_check_that_is_stopped_leaves_no_process_of_a_program_that_blocks_all_signals(tmp_path):
    """Whoever stops a job ends the whole group; what a program does in its own process cannot keep
    that alive.
    """
    shutil.copytree(ROOT / "tests" / "report" / "tiny", tmp_path, dirs_exist_ok=True)
    (tmp_path / "tiny_nodes.py").write_text(BLOCKS_ALL)
    command = [sys.executable, "-m", "linkloss.cli", "check", "vehicle.toml", "--jobs", "1"]
    with subprocess.Popen(
        command,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        cwd=tmp_path,
        start_new_session=True,
    ) as process:
        assert process.stderr is not None
        while b"blocked" not in (line := process.stderr.readline()):
            assert line
        os.killpg(process.pid, signal.SIGTERM)
        try:
            process.communicate(timeout=120)  # every process of the check holds the other end
        finally:
            process.kill()
    assert process.returncode == 130


_CHECK_AND_SAY_WHEN = """
import signal
import sys
from contextlib import contextmanager
import linkloss.report.terminal as progress
from linkloss.cli import main

class Telling:
    def __call__(self, done, total):
        if done == 1:
            print("begun", flush=True)

    def tell(self, case):
        pass

@contextmanager
def telling(**_):
    yield Telling()

signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background job ignores it
progress.progress_of_check = telling
sys.exit(main(["check", "tests/report/tiny/vehicle.toml", "--jobs", "1"]))
"""


@pytest.mark.parametrize("option", ["--json", "--junit", "--markdown"])
def test_a_result_on_the_standard_output_has_it_for_itself(car, capsys, option):
    arguments = ["check", "vehicle.toml", "--only", "hang", "--jobs", "1"]
    assert main([*arguments, option, "-"]) == 1
    out, err = capsys.readouterr()
    assert "rules broken, by " in err
    main([*arguments, option, "file", "-q"])
    assert out == (car / "file").read_text(encoding="utf-8")


def test_a_run_may_write_its_json_to_the_standard_output(car, capsys):
    assert main(["run", "cut.toml", "--json", "-", "-q"]) == 0
    out, err = capsys.readouterr()
    assert json.loads(out)["format"] == "linkloss run"
    assert "Nothing that was put to the test broke." in err


def test_two_results_do_not_share_the_standard_output(car, capsys):
    assert main(["check", "vehicle.toml", "--json", "-", "--markdown", "-"]) == 2
    assert "only one result can go to the standard output" in capsys.readouterr().err


@pytest.mark.parametrize("kind", ["vehicle", "scenario", "check", "run"])
def test_every_schema_is_printed(capsys, kind):
    assert main(["schema", kind]) == 0
    made = json.loads(capsys.readouterr().out)
    assert made["type"] == "object"
    assert made["$schema"].endswith("2020-12/schema")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--speed", "2"], "--speed: says how fast --watch plays; expected '--watch' too"),
        (["--watch", "--speed", "0"], "--speed: got 0; expected a number above 0, such as 0.25"),
        (["--watch", "--speed", "nan"], "--speed: got nan; expected a number above 0"),
        (["--watch"], "--watch: plays on a terminal, and the output goes elsewhere"),
    ],
)
def test_watching_needs_a_terminal_and_a_speed_that_is_one(car, capsys, arguments, said):
    assert main(["run", "cut.toml", *arguments]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err


def test_verbose_lists_what_a_run_did_not_put_to_the_test(car, capsys):
    main(["run", "cut.toml", "-v"])
    out = capsys.readouterr().out
    assert re.search(r"^Not exercised in this run: \d+ rules$", out, re.MULTILINE)
    assert re.search(r"^\* indicator: .*flash", out, re.MULTILINE)


# ---- pages to look at ----


def test_a_check_and_a_run_write_pages(car, capsys):
    assert main(["check", "vehicle.toml", "--only", "cut", "--html", "check.html", "-q"]) == 1
    assert main(["run", "cut.toml", "--html", "run.html", "-q"]) == 0
    for name in ("check", "run"):
        page = (car / f"{name}.html").read_text(encoding="utf-8")
        assert page.startswith("<!DOCTYPE html>")
        assert page.rstrip().endswith("</html>")


def test_a_page_that_cannot_be_written_is_told_before_anything_runs(car, capsys):
    assert main(["check", "vehicle.toml", "--html", "no/a.html"]) == 2
    assert "no/a.html: cannot be written: there is no folder" in capsys.readouterr().err
    assert main(["check", "vehicle.toml", "--keep-all", "vehicle.toml"]) == 2
    assert "vehicle.toml: this is a file; expected the name of a folder" in capsys.readouterr().err


def test_every_case_has_a_page_and_the_index_leads_to_it(car):
    main(["check", "vehicle.toml", "--only", "cut", "--keep-all", "all", "--jobs", "1", "-q"])
    index = (car / "all" / "index.html").read_text(encoding="utf-8")
    pages = sorted(path.name for path in (car / "all").glob("case-*.html"))
    assert len(pages) > 1
    assert sorted(re.findall(r'<a href="(case-\d+\.html)">', index)) == pages
    first = (car / "all" / pages[0]).read_text(encoding="utf-8")
    assert "linkloss check vehicle.toml --case &#39;night/cut(" in first


def test_a_result_becomes_a_page_later_with_the_same_exit_code(car, capsys):
    code = main(["check", "vehicle.toml", "--only", "cut", "--json", "result.json", "-q"])
    capsys.readouterr()
    assert main(["report", "result.json"]) == code
    told = capsys.readouterr().out
    assert "rules broken, by" in told
    assert "written: result.html\n" in told
    assert main(["report", "result.json", "--html", "other.html"]) == code
    assert (car / "other.html").read_bytes() == (car / "result.html").read_bytes()


def test_a_report_of_no_result_is_refused(car, capsys):
    assert main(["report", "cut.toml"]) == 2
    error = capsys.readouterr().err
    assert error.startswith("cut.toml: this is no JSON (")
    assert error.endswith("; expected a result that --json has written\n")
    assert not (car / "cut.html").exists()
