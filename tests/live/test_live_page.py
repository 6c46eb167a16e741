"""The files of the live page: complete, escaped, and without anything from elsewhere."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest
from live_lab import WREN

from linkloss.live.page import files
from linkloss.live.view import offers
from linkloss.vehicle.loading import load_vehicle

HOSTILE = '<img src=x onerror="alert(1)">&amp;'


class Elements(HTMLParser):
    """Every element of a page with its attributes."""

    def __init__(self, text) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self.found.append((tag, dict(attributes)))


def page_of(vehicle):
    return files(vehicle, offers(vehicle))[""][1]


@pytest.fixture(scope="module")
def elements():
    return Elements(page_of(WREN)).found


def test_every_input_load_node_message_and_notice_is_on_the_page(elements):
    places = {found["data-place"] for _, found in elements if "data-place" in found}
    for kind, names in {
        "input": WREN.inputs,
        "load": WREN.loads,
        "node": WREN.nodes,
        "message": WREN.messages,
    }.items():
        assert {f"{kind}:{name}" for name in names} <= places
    notices = {found.get("data-notice") for _, found in elements}
    assert set(WREN.notices) <= notices


def test_every_place_that_a_fault_is_offered_for_is_on_the_page(elements):
    places = {found["data-place"] for _, found in elements if "data-place" in found}
    wanted = {f"{kind}:{name}" for offer in offers(WREN) for kind, name in offer.places}
    assert wanted <= places


def test_every_kind_of_fault_has_a_button(elements):
    buttons = {found["data-kind"] for _, found in elements if "data-kind" in found}
    assert buttons == {offer.fault.kind for offer in offers(WREN)}


def test_the_caution_is_on_the_page():
    page = page_of(WREN)
    assert "A bench result is not an approval" in page
    assert "wheels chocked" in page


def test_no_two_elements_share_an_id_and_every_label_points_at_one(elements):
    ids = [found["id"] for _, found in elements if "id" in found]
    assert len(ids) == len(set(ids))
    for tag, found in elements:
        for key in ("for", "aria-labelledby"):
            if tag != "svg" and found.get(key):
                assert set(found[key].split()) <= set(ids)


def test_names_from_files_stay_text(tmp_path):
    text = WREN.path.read_text(encoding="utf-8")
    dbc = (WREN.path.parent / "../../dbc/wren.dbc").resolve().as_posix()
    key = f"'{HOSTILE}'"
    text = text.replace("../../dbc/wren.dbc", dbc).replace('title = "Wren"', f"title = {key}")
    text = re.sub(r"^\[loads\.plate_lamp\b", f"[loads.{key}", text, flags=re.MULTILINE)
    text = re.sub(r"^plate_lamp = ", f"{key} = ", text, flags=re.MULTILINE)
    text = text.replace('about = "Number plate lamp"', f"about = {key}")
    text = text.replace('"plate_lamp"', key)
    (tmp_path / "vehicle.toml").write_text(text, encoding="utf-8")
    page = page_of(load_vehicle(tmp_path / "vehicle.toml"))
    found = Elements(page).found
    assert not [tag for tag, _ in found if tag == "img"]
    assert not [name for _, attributes in found for name in attributes if name.startswith("on")]
    assert f"load:{HOSTILE}" in {attributes.get("data-place") for _, attributes in found}
