"""The picture of a car's circuit: everything that the plan looks at is in it, and what has to be
changed is marked with its number.
"""

from __future__ import annotations

import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from linkloss.cli import main
from linkloss.report.circuit_picture import circuit_drawing
from linkloss.sizing.power_plan import power_plan

sys.path.insert(0, str(Path(__file__).parents[1] / "sizing"))
from power_cars import SOUND, sound_car

SVG = "{http://www.w3.org/2000/svg}"


def drawn(car) -> tuple[ET.Element, list[str]]:
    """The picture as a tree, and its texts."""
    root = ET.fromstring(circuit_drawing(power_plan(car.load())))
    return root, [" ".join("".join(text.itertext()).split()) for text in root.iter(f"{SVG}text")]


def wrong(root: ET.Element) -> int:
    return sum(each.get("class") == "wrong" for each in root.iter())


@pytest.mark.parametrize("name", SOUND)
def test_every_load_node_fuse_and_lead_stands_in_it(tmp_path, name):
    car = sound_car(tmp_path, name)
    plan = power_plan(car.load())
    root, texts = drawn(car)
    for line in plan.loads:
        assert any(text.startswith(f"{line.name} ") for text in texts)
        assert line.fuse is not None
        assert f"{line.fuse.rating:g} A" in " ".join(texts)
        assert any(f"{line.length_m:g} m, {line.drop:.2f}/{line.allowed:.2f} V" in t for t in texts)
    assert {"rear", "dash"} <= set(texts)
    assert wrong(root) == 0
    assert "To change" not in texts


def test_what_has_to_be_changed_is_marked_where_it_is(tmp_path):
    car = sound_car(tmp_path).change('fuse = "30 A"', 'fuse = "20 A"')
    car.change(', fuse = "3 A", fuse_type = "blade"', "")
    root, texts = drawn(car)
    number = next(
        place for place, f in enumerate(power_plan(car.load()).broken, 1) if f.subject == "dash"
    )
    assert f"no fuse !{number}" in texts
    assert [text for text in texts if text.startswith("20 A maxi 86% !1")]
    assert wrong(root) == 2
    assert "To change" in texts
    assert [text for text in texts if text.startswith("fan: 16.0 A are 86% of what its fuse")]


def test_names_from_the_file_are_text_and_no_markup(tmp_path):
    car = sound_car(tmp_path).change(
        'title = "Sound"', 'title = "<script>alert(1)</script> & more"'
    )
    _, texts = drawn(car)
    assert "<script>alert(1)</script> & more: circuit" in texts


def test_the_command_draws_it_and_the_page_has_it(tmp_path, monkeypatch, capsys):
    car = sound_car(tmp_path)
    monkeypatch.chdir(car.folder)
    assert main(["plan", "vehicle.toml", "--plot", "car.svg", "--html", "car.html"]) == 0
    capsys.readouterr()
    root = ET.fromstring((car.folder / "car.svg").read_text(encoding="utf-8"))
    assert root.tag == f"{SVG}svg"
    width, height = (float(root.get(key)) for key in ("width", "height"))
    assert height / width < 1.41
    page = (car.folder / "car.html").read_text(encoding="utf-8")
    assert "The circuit from the battery" in page
    assert 'class="circuit"' in page
