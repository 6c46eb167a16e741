"""The page in a real browser, without a network: it opens without a word on the console, leads
from the table to the finding, zooms, turns dark, and is usable by whoever cannot see it.
"""

from __future__ import annotations

import re
import shutil
from itertools import pairwise
from pathlib import Path

import pytest
from html_values import failing_wren, hostile_car, page_of, passing_wren
from report_values import every_fault_report, run_result

from linkloss.campaign.check import check
from linkloss.report.html import render, run_page
from linkloss.vehicle.loading import load_vehicle

playwright = pytest.importorskip(
    "playwright.sync_api", reason="needs playwright, of the extra 'test'"
)
axe = pytest.importorskip(
    "axe_playwright_python.sync_playwright", reason="needs axe-playwright-python, of 'test'"
)
CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="needs the program chromium")
WIDE, NARROW = {"width": 1280, "height": 900}, {"width": 400, "height": 800}


def write_pages(folder: Path) -> None:
    (folder / "car").mkdir()
    hostile = check(load_vehicle(hostile_car(folder / "car")), only=["reset"], jobs=1)
    pages = {
        "passing": page_of(passing_wren()),
        "failing": page_of(failing_wren()),
        "run": run_page(run_result()),
        "hostile": page_of(hostile),
        "wide": page_of(every_fault_report()),
    }
    for name, page in pages.items():
        (folder / f"{name}.html").write_text(render(page), encoding="utf-8")


@pytest.fixture(scope="module")
def files(made_once) -> dict[str, Path]:
    """Written before a browser runs: from then on the bench could no longer fork."""
    folder = made_once("reports", write_pages)
    return {page.stem: page for page in folder.glob("*.html")}


@pytest.fixture(scope="module")
def chromium(files):
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture
def open_page(chromium, files):
    """Opens a report offline, and at the end wants a console without a message."""
    said: list[str] = []
    contexts = []

    def opened(name: str, viewport=WIDE, **options):
        context = chromium.new_context(viewport=viewport, offline=True, **options)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on(
            "request",
            lambda request: said.append(request.url) if ".html" not in request.url else None,
        )
        page.goto(files[name].as_uri())
        return page

    yield opened
    for context in contexts:
        context.close()
    assert said == []


def first_picture(page):
    """The picture of the first finding, once the page has made it ready."""
    page.locator("#finding-1 .picture").scroll_into_view_if_needed()
    page.wait_for_selector("#finding-1 .picture[data-seen]")
    return page.locator("#finding-1 .picture")


@pytest.mark.parametrize("name", ["passing", "failing", "run", "hostile"])
@pytest.mark.parametrize("viewport", [WIDE, NARROW], ids=["wide", "narrow"])
def test_a_report_opens_without_a_word_and_fits_the_width(open_page, name, viewport):
    page = open_page(name, viewport)
    assert page.evaluate("document.documentElement.scrollWidth") <= viewport["width"]
    for picture in page.locator(".picture").all():
        picture.scroll_into_view_if_needed()
    assert page.title() != "taken"
    assert page.locator("h1").is_visible()


@pytest.mark.parametrize("viewport", [WIDE, NARROW], ids=["wide", "narrow"])
def test_the_first_screen_says_whether_it_held_what_broke_why_and_what_first(open_page, viewport):
    page = open_page("failing", viewport)
    for part in (".verdict", ".causes li", ".opening .caution"):
        box = page.locator(part).first.bounding_box()
        assert box["y"] + box["height"] < viewport["height"], part
    assert "look at node" in page.locator(".causes li").first.inner_text()
    car, verdict = (page.locator(part).bounding_box() for part in ("svg.car", ".verdict"))
    if viewport is WIDE:
        assert car["y"] + car["height"] < viewport["height"]
        assert car["x"] > verdict["x"] + verdict["width"]


def test_a_broken_load_on_the_car_leads_to_its_finding(open_page):
    page = open_page("failing")
    page.locator("svg.car a.load.broken", has_text="tail").first.click()
    page.wait_for_url("**#finding-*")
    assert "tail_left" in page.locator(page.evaluate("location.hash")).inner_text()
    assert not page.locator("svg.car a.load:not(.broken)").count()
    assert page.locator("svg.car .load.broken .number").count()


def test_a_cause_leads_to_its_finding_which_begins_with_its_timeline(open_page):
    page = open_page("failing", reduced_motion="reduce")
    page.locator(".causes a").first.click()
    page.wait_for_url("**#finding-*")
    story = page.locator(page.evaluate("location.hash"))
    parts = story.evaluate("article => [...article.children].map(part => part.className)")
    assert parts[:2] == ["", "picture"]
    assert story.locator(".board").bounding_box()["y"] < WIDE["height"] / 2


def test_what_broke_comes_first_in_the_table_and_the_rest_is_folded(open_page):
    page = open_page("failing")
    first, whole = page.locator("table.fuses").all()
    assert not whole.is_visible()
    rows = "tbody tr:not(.block)"
    assert first.locator(rows).count() == first.locator("tr:has(td.broken)").count() > 0
    page.locator("#table summary").click()
    assert whole.locator(rows).first.locator("td").first.get_attribute("class") == "broken"
    assert whole.locator("td.kept").count()


def test_a_run_begins_with_its_picture(open_page):
    page = open_page("run")
    picture, table = (page.locator(part).first.bounding_box() for part in (".board", "#table"))
    assert picture["y"] < 0.6 * WIDE["height"]
    assert picture["y"] < table["y"]


def test_a_click_on_a_broken_cell_leads_to_its_finding(open_page):
    page = open_page("failing")
    row = page.locator("table.fuses tr", has=page.locator("th bdi", has_text="tail_left"))
    row.locator("td.broken").first.click()
    page.wait_for_url("**#finding-*")
    story = page.locator(page.evaluate("location.hash"))
    assert "tail_left" in story.inner_text()
    page.wait_for_selector(page.evaluate("location.hash + ':focus'"))


def test_the_table_is_walked_with_the_arrow_keys(open_page):
    page = open_page("failing")
    page.locator("td.broken[tabindex='0']").first.focus()
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("ArrowDown")
    where = page.evaluate("document.activeElement.closest('tr').querySelector('th').textContent")
    assert page.locator("#why").inner_text().startswith(where)
    page.keyboard.press("ArrowUp")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    page.wait_for_url("**#finding-*")


def test_a_picture_zooms_pans_and_comes_back(open_page):
    page = open_page("failing")
    picture = first_picture(page)
    seen = lambda: [int(edge) for edge in picture.get_attribute("data-seen").split()]
    whole = seen()
    picture.get_by_role("button", name="Zoom in").click()
    closer = seen()
    assert closer[1] - closer[0] == pytest.approx((whole[1] - whole[0]) / 2, abs=2)
    picture.get_by_role("button", name="Later").click()
    assert seen()[0] > closer[0]
    picture.get_by_role("button", name="around the break").click()
    flag = int(picture.locator(".flag").first.get_attribute("d").split()[0].removeprefix("M"))
    assert seen()[0] < flag < seen()[1]
    assert picture.locator("svg.window").first.get_attribute("viewBox").startswith(f"{seen()[0]}")
    picture.locator(".board").focus()
    page.keyboard.press("Home")
    assert seen() == whole
    page.keyboard.press("+")
    assert seen() != whole


def test_the_cursor_tells_what_was_and_what_might_have_been(open_page):
    page = open_page("failing")
    picture = first_picture(page)
    picture.locator(".board").focus()
    page.keyboard.press("ArrowRight")
    assert " s" in picture.locator(".read").inner_text()
    broken = picture.locator(".loads .broken .now").first
    assert "allowed: " in broken.text_content()
    plot = picture.locator(".loads .plot").first.bounding_box()
    page.mouse.move(plot["x"] + plot["width"] / 2, plot["y"] + 10)
    assert "allowed: " in picture.locator(".read").inner_text()


def test_the_labels_of_the_time_do_not_run_into_each_other(open_page):
    for viewport in (WIDE, NARROW):
        page = open_page("failing", viewport)
        picture = first_picture(page)
        boxes = [tick.bounding_box() for tick in picture.locator(".ticks text").all()]
        assert len(boxes) >= 2
        for left, right in pairwise(boxes):
            assert left["x"] + left["width"] <= right["x"]


def test_dark_is_dark_and_back(open_page):
    page = open_page("failing", color_scheme="light")
    paper = lambda: page.evaluate("getComputedStyle(document.body).backgroundColor")
    light = paper()
    page.get_by_role("button", name="Switch between light and dark").click()
    assert paper() != light
    page.get_by_role("button", name="Switch between light and dark").click()
    assert paper() == light
    assert open_page("failing", color_scheme="dark").evaluate(
        "getComputedStyle(document.body).backgroundColor"
    ) != light  # fmt: skip


@pytest.mark.parametrize(
    ("name", "scheme"), [("passing", "light"), ("failing", "light"), ("failing", "dark")]
)
def test_no_serious_hindrance_for_anybody(open_page, name, scheme):
    page = open_page(name, color_scheme=scheme)
    for picture in page.locator(".picture").all():
        picture.scroll_into_view_if_needed()
    found = axe.Axe().run(page).response["violations"]
    serious = [
        (rule["id"], [node["html"] for node in rule["nodes"]][:3])
        for rule in found
        if rule["impact"] in ("serious", "critical")
    ]
    assert serious == []


def test_paper_has_room_for_a_signature_and_no_buttons(open_page):
    page = open_page("failing")
    page.emulate_media(media="print")
    assert page.locator(".signing").is_visible()
    assert "signature" in page.locator(".signing").inner_text()
    assert not page.locator(".tools").first.is_visible()
    assert not page.locator("nav").is_visible()
    assert page.pdf(prefer_css_page_size=True).startswith(b"%PDF")


OVERLAPS = (Path(__file__).parent / "overlaps.js").read_text(encoding="utf-8")
PLOT_OF_A4 = {"width": 703, "height": 1000}
"""186 mm in pixels of CSS: A4 without its margins."""


@pytest.mark.parametrize("name", ["failing", "wide", "run"])
@pytest.mark.parametrize("print_", ["short", "full"])
def test_on_paper_no_text_runs_into_another(open_page, name, print_):
    page = open_page(name, PLOT_OF_A4)
    page.emulate_media(media="print")
    page.evaluate(f"document.documentElement.dataset.print = '{print_}'")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    seen = page.evaluate(OVERLAPS)
    assert seen["found"] == []
    assert seen["pieces"] > 100
    page.evaluate("document.querySelector('.verdict').style.marginBottom = '-2em'")
    assert page.evaluate(OVERLAPS)["found"]


def test_a_few_sheets_are_printed_and_all_of_it_on_request(open_page):
    def sheets(*, full: bool) -> int:
        page = open_page("failing")
        if full:
            page.evaluate("document.documentElement.dataset.print = 'full'")
        return len(re.findall(rb"/Type\s*/Page\b", page.pdf(prefer_css_page_size=True)))

    assert sheets(full=False) <= 6 < sheets(full=True)


def test_the_first_sheet_lists_causes_and_margins_and_has_lines_to_sign(open_page):
    page = open_page("failing", PLOT_OF_A4)
    page.emulate_media(media="print")
    ledger = page.locator(".ledger").inner_text()
    assert "tail_left: stale (on)" in ledger
    assert re.search(r"\d+(\.\d+)? ms ", ledger.partition("Kept with the least margin")[2])
    a4_px = (297 - 27) / 25.4 * 96
    box = page.locator(".signing").bounding_box()
    assert box["y"] + box["height"] < a4_px


def test_without_a_script_everything_is_there(open_page):
    page = open_page("failing", java_script_enabled=False)
    assert page.locator("#finding-1 svg.window").first.is_visible()
    assert page.locator("table.fuses td.broken a").first.is_visible()
