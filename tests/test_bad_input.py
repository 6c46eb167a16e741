"""Whatever is wrong with an input: one message for each mistake, exit code 2, nothing written."""

from __future__ import annotations

import io
import shutil
from pathlib import Path

import pytest

from linkloss.cli import main
from linkloss.vehicle.load import LoadTable

TINY = Path(__file__).parent / "report" / "tiny"


@pytest.fixture(autouse=True)
def _car(tmp_path, monkeypatch):
    shutil.copytree(
        TINY, tmp_path, dirs_exist_ok=True, ignore=shutil.ignore_patterns("__pycache__")
    )
    monkeypatch.chdir(tmp_path)


def change(name: str, old: str, new: str) -> None:
    path = Path(name)
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def problems(capsys, *arguments: str) -> list[str]:
    """The lines of the error stream; asserts that nothing else happened."""
    before = sorted(path for path in Path().rglob("*") if "__pycache__" not in path.parts)
    assert main([*arguments]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "Traceback" not in err
    after = sorted(path for path in Path().rglob("*") if "__pycache__" not in path.parts)
    assert after == before
    return err.splitlines()


def check(capsys) -> list[str]:
    return problems(capsys, "check", "vehicle.toml", "--json", "out.json", "--junit", "out.xml")


def run(capsys) -> list[str]:
    return problems(capsys, "run", "cut.toml", "--log", "out.log", "--json", "out.json")


def _never(*_, **__):
    raise AssertionError("nothing may run before the outputs are known to be writable")


def test_a_missing_vehicle_file(capsys):
    assert problems(capsys, "check", "car.toml") == [
        "car.toml: there is no such file; expected a vehicle file"
    ]


def test_a_missing_scenario_file(capsys):
    assert problems(capsys, "run", "drive.toml") == [
        "drive.toml: there is no such file; expected a scenario file"
    ]


def test_a_folder_instead_of_a_file(capsys):
    assert problems(capsys, "check", ".") == [".: this is a folder; expected a vehicle file"]


def test_text_that_is_no_toml_is_pointed_at_by_its_line(capsys):
    change("vehicle.toml", 'bit_rate = "50 kbit/s"', 'bit_rate = "250 kbit/s')
    (line,) = check(capsys)
    assert line.startswith("vehicle.toml:5: this is no valid TOML: ")


def test_bytes_that_are_no_text(capsys):
    Path("vehicle.toml").write_bytes(b"\xff\xfe\x00")
    assert check(capsys) == ["vehicle.toml: this is no text in UTF-8; expected a vehicle file"]


def test_the_other_kind_of_file_is_sent_to_its_command(capsys):
    told = "this is a scenario of 'vehicle.toml', which 'linkloss run' runs; expected a vehicle"
    assert problems(capsys, "check", "cut.toml") == [f"cut.toml: {told} file"]
    assert problems(capsys, "run", "vehicle.toml") == [
        "vehicle.toml: this is a vehicle, which 'linkloss check' checks; expected a scenario file"
    ]


def test_an_unknown_key_comes_with_the_nearest_one(capsys):
    change("vehicle.toml", "dark_limit =", "dark_limits =")
    (line,) = check(capsys)
    place, _, names = line.partition("; expected one of: ")
    assert place == (
        "vehicle.toml:40: loads.tail_lamp.dark_limits: unknown key 'dark_limits'"
        " (did you mean 'dark_limit'?)"
    )
    listed, _, more = names.rpartition(" and ")
    assert len(listed.split(", ")) == 12
    assert "dark_limit" in listed
    assert more == f"{len(LoadTable.model_fields) - 12} more"


def test_a_wrong_unit_comes_with_the_ones_that_fit(capsys):
    change("vehicle.toml", '"60 ms"', '"60 Hz"')
    assert check(capsys) == [
        (
            "vehicle.toml:10: nodes.dash.boot: 'Hz' is no unit of duration; expected a duration"
            " with its unit (ns, us, ms, s, min, h, d), like '250 ms'"
        )
    ]


def test_a_number_without_a_unit(capsys):
    change("cut.toml", '"1500 ms"', "1.5")
    assert run(capsys) == [
        (
            "cut.toml:3: lasts: got 1.5; expected a duration with its unit"
            " (ns, us, ms, s, min, h, d), like '250 ms'"
        )
    ]


def test_several_mistakes_are_all_told(capsys):
    change("vehicle.toml", '"50 kbit/s"', '"2 Mbit/s"')
    change("vehicle.toml", 'on_stale = "hold"', 'on_stale = "hodl"')
    first, second = check(capsys)
    assert first.startswith("vehicle.toml:5: bus.bit_rate: '2 Mbit/s' is out of range")
    assert second == (
        "vehicle.toml:38: loads.tail_lamp.on_stale: got 'hodl'; expected one of: hold, off, on,"
        " flash, or a level like '30 %', or a condition over the node's inputs like"
        " 'ignition == on' (did you mean 'hold'?)"
    )


def test_a_message_definition_that_is_missing(capsys):
    Path("tiny.dbc").unlink()
    assert check(capsys) == ["vehicle.toml:2: dbc: there is no file 'tiny.dbc'"]


def test_a_message_definition_that_does_not_parse(capsys):
    change("tiny.dbc", "BO_ 256 LampRequest: 1 dash", "BO_ 256 Lamp Request 1 dash")
    line, *_ = check(capsys)
    assert line == (
        "tiny.dbc:9: 'BO_ 256 Lamp Request 1 dash' cannot be read, and is left out; expected like"
        " 'BO_ 291 Name: 8 Sender'"
    )


def test_a_request_whose_signal_is_missing(capsys):
    change("vehicle.toml", '"LampRequest.Buzzer"', '"LampRequest.Buzer"')
    (line,) = check(capsys)
    assert line.startswith("vehicle.toml:43: loads.buzzer.request: ")
    assert line.endswith("(did you mean 'Buzzer'?)")


def test_a_program_that_is_missing(capsys):
    Path("tiny_nodes.py").unlink()
    lines = check(capsys)
    assert [line.split(": ", 2)[1] for line in lines] == ["nodes.dash.python", "nodes.rear.python"]
    assert all("there is no file" in line for line in lines)


def test_a_program_that_raises_while_it_is_imported(capsys):
    change("tiny_nodes.py", "import can", "import can\n\nLIMITS = {}['missing']")
    path = Path("vehicle.toml").resolve()
    first, second = problems(capsys, "check", str(path))
    text = "importing 'tiny_nodes.py' failed at line 5: KeyError: 'missing'"
    assert first == f"{path}:9: nodes.dash.python: {text}"
    assert second == f"{path}:15: nodes.rear.python: {text}"


def test_a_program_that_ends_the_process_while_it_is_imported(capsys):
    change("tiny_nodes.py", "import can", "import can\n\nraise SystemExit(0)")
    assert "SystemExit" in check(capsys)[0]


def test_a_program_with_a_mistake_in_its_syntax(capsys):
    change("tiny_nodes.py", "def start(self):", "def start(self:")
    assert "failed at line 18" in check(capsys)[0]


def test_a_class_that_the_program_does_not_have(capsys):
    change("vehicle.toml", "tiny_nodes.py:Dash", "tiny_nodes.py:Dahs")
    assert check(capsys) == [
        (
            "vehicle.toml:9: nodes.dash.python: 'tiny_nodes.py' has no class 'Dahs'"
            " (did you mean 'Dash'?)"
        )
    ]


def test_a_scenario_whose_vehicle_is_missing(capsys):
    change("cut.toml", '"vehicle.toml"', '"car.toml"')
    assert run(capsys) == ["cut.toml:2: vehicle: there is no file 'car.toml'"]


def test_a_scenario_with_an_unknown_fault(capsys):
    change("cut.toml", '"cut"', '"cutt"')
    (line,) = run(capsys)
    start = (
        "cut.toml:11: steps[2].fault: unknown fault 'cutt' (did you mean 'cut'?); expected one of"
    )
    assert line.startswith(start)


def test_a_scenario_that_expects_of_a_load_that_is_not_there(capsys):
    change("cut.toml", 'load = "tail_lamp"', 'load = "tial_lamp"')
    assert run(capsys) == [
        (
            "cut.toml:16: expect[1].load: unknown load 'tial_lamp'; expected one of: buzzer,"
            " indicator, tail_lamp (did you mean 'tail_lamp'?)"
        )
    ]


@pytest.mark.parametrize(
    ("option", "value", "nearest"),
    [
        ("--only", "cutt", "(did you mean 'cut'?)"),
        ("--situation", "nihgt", "(did you mean 'night'?)"),
        ("--case", "nihgt/none", "(did you mean 'night/none'?)"),
    ],
)
def test_a_choice_that_does_not_exist_comes_with_the_nearest_one(capsys, option, value, nearest):
    (line,) = problems(capsys, "check", "vehicle.toml", option, value, "--json", "out.json")
    assert line.startswith(f"vehicle.toml: {option}: unknown ")
    assert nearest in line


@pytest.mark.parametrize("option", ["--json", "--junit"])
@pytest.mark.parametrize(
    ("place", "text"),
    [("no/out", "cannot be written: there is no folder"), (".", "this is a folder")],
)
def test_an_output_that_cannot_be_written_is_told_before_the_check(
    capsys, monkeypatch, option, place, text
):
    monkeypatch.setattr("linkloss.campaign.check.check", _never)
    (line,) = problems(capsys, "check", "vehicle.toml", option, place)
    assert line.startswith(f"{place}: {text}")


@pytest.mark.parametrize(
    ("place", "text"),
    [
        ("no/out.log", "no/out.log: cannot be written: there is no folder"),
        ("out.lgo", "out.lgo: unknown format of a log '.lgo'; expected one of: .log, .asc"),
    ],
)
def test_a_log_that_cannot_be_written_is_told_before_the_run(capsys, monkeypatch, place, text):
    monkeypatch.setattr("linkloss.campaign.isolation.run_apart", _never)
    (line,) = problems(capsys, "run", "cut.toml", "--log", "fine.log", place, "--json", "out.json")
    assert line.startswith(text)


def test_a_disk_that_is_full_at_the_end_leaves_earlier_files_alone(capsys, monkeypatch):
    Path("out.json").write_text("earlier")

    class FullDisk(io.StringIO):
        def writelines(self, _):
            raise OSError(28, "No space left on device")

    opened = Path.open
    monkeypatch.setattr(
        Path,
        "open",
        lambda path, mode="r", *rest, **more: (
            FullDisk() if mode == "w" else opened(path, mode, *rest, **more)
        ),
    )
    (line,) = problems(capsys, "run", "cut.toml", "--json", "out.json")
    assert line == "out.json: cannot be written: No space left on device"
    assert Path("out.json").read_text() == "earlier"
