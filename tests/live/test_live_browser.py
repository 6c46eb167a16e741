"""The page of a live session in a real browser: somebody drives Wren, breaks, mends, saves it."""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import pytest

from linkloss.campaign.run import run
from linkloss.judge import Outcome
from linkloss.live.standing import tally
from linkloss.scenario import load_scenario
from linkloss.shipped import demo_vehicle
from linkloss.vehicle.loading import load_vehicle

playwright = pytest.importorskip(
    "playwright.sync_api", reason="needs playwright, of the extra 'test'"
)
axe = pytest.importorskip(
    "axe_playwright_python.sync_playwright", reason="needs axe-playwright-python, of 'test'"
)
pytest.importorskip("starlette", reason="needs starlette, of the extra 'web'")
pytest.importorskip("websockets", reason="needs websockets, of the extra 'web'")
CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="needs the program chromium")
ROOT = Path(__file__).parents[2]
WIDTHS = {390: 844, 820: 1180, 1440: 900}
CUT = "the cable between gauge and rear was cut"
expect = playwright.expect
expect.set_options(timeout=60_000)  # others may be busy


@pytest.fixture(scope="module")
def saved(tmp_path_factory):
    return tmp_path_factory.mktemp("saved")


@contextmanager
def bench(saved, *options, **environment):
    """``linkloss live`` on Wren, as a user starts it; Ctrl+C ends it well."""
    command = [sys.executable, "-m", "linkloss.cli", "live", "--folder", str(saved), *options]
    with subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, text=True, env={**os.environ, **environment}
    ) as process:
        found = None
        while found is None:
            line = process.stdout.readline()
            assert line, "it ended"
            found = re.search(r"http://127\.0\.0\.1:\d+/\S+/", line)
        yield found[0]
        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=60) == 0


@pytest.fixture(scope="module")
def address(saved):
    with bench(saved) as found:
        yield found


@pytest.fixture(scope="module")
def chromium():
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield browser
        browser.close()


class Visitor:
    """Opens the page; no error and no request to anywhere else may come of it."""

    def __init__(self, browser, address) -> None:
        self.browser = browser
        self.address = address
        self.complaints = []

    def open(self, width=1440, **settings):
        context = self.browser.new_context(
            viewport={"width": width, "height": WIDTHS[width]}, **settings
        )
        page = context.new_page()
        page.on("console", lambda message: self.complaints.append(message.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("request", self._requested)
        page.goto(self.address)
        standing = page.locator("#standing")
        expect(standing).not_to_have_text("Nothing has been judged yet.")
        return page

    def _requested(self, request):
        if not request.url.startswith((self.address, "data:")):
            self.complaints.append(request.url)


@pytest.fixture(scope="module")
def visitor(chromium, address):
    return Visitor(chromium, address)


@pytest.fixture(scope="module")
def opened(visitor):
    """One page for all; the checker of hindrances is a script that its policy would not let in."""
    return visitor.open(has_touch=True, bypass_csp=True)


@pytest.fixture
def page(opened, visitor):
    """The page, with a session that has just begun."""
    opened.set_viewport_size({"width": 1440, "height": WIDTHS[1440]})
    opened.locator("#said").evaluate("element => { element.textContent = ''; }")
    opened.get_by_role("button", name="Begin anew").click()
    expect(opened.locator("#said")).to_contain_text("Begun anew")
    yield opened
    assert visitor.complaints == []


def load(page, name):
    return page.locator(f"[data-load={name}]")


def lit(page, name):
    return expect(load(page, name)).to_have_class(re.compile(r"\bon\b"))


def test_without_a_bench_nothing_can_be_set_and_the_next_one_on_this_port_is_found(
    chromium, tmp_path
):
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = str(free.getsockname()[1])
    settings = {"XDG_STATE_HOME": str(tmp_path)}
    with bench(tmp_path, "--port", port, **settings) as first:
        page = chromium.new_page()
        page.goto(first)
        pause = page.get_by_role("button", name="Pause")
        expect(page.locator("#clock")).not_to_have_text("0.000 s")
        expect(pause).to_be_enabled()
    lost = page.locator("#lost")
    expect(lost).to_contain_text("Nothing can be set until it is back")
    expect(pause).to_be_disabled()
    expect(page.get_by_role("radio", name="dipped")).to_be_disabled()
    node = page.locator("[data-place='node:rear']")
    expect(node).to_have_attribute("aria-disabled", "true")
    node.focus()
    page.keyboard.press("Enter")
    expect(page.locator("#choice")).to_be_hidden()
    page.keyboard.press("p")
    expect(page.locator("#said")).to_have_text("The bench does not answer: nothing was changed.")
    with bench(tmp_path, "--port", port, **settings) as second:
        assert second == first
        expect(pause).to_be_enabled()
        expect(lost).to_be_hidden()
        page.get_by_role("radio", name="dipped").check()
        lit(page, "position_front")
    (tmp_path / "linkloss" / f"live-{port}").unlink()
    with bench(tmp_path, "--port", port, **settings) as third:
        assert third != first
        expect(lost).to_contain_text("Another bench is at this address")
    page.close()


def test_lights_on_cable_cut_tail_lit_notice_given_reset_mended_saved_and_run_again(page, saved):
    page.get_by_role("group", name="ignition").get_by_role("radio", name="on", exact=True).check()
    page.get_by_role("radio", name="position").check()
    lit(page, "tail_left")

    page.get_by_role("button", name="cable between gauge and rear").click()
    page.get_by_role("button", name=f"cut: {CUT}").click()
    notice = page.locator("[data-notice=rear_lost]")
    expect(notice).to_have_text("rear_lost: given")
    lit(page, "tail_left")
    lit(page, "link_lamp")
    expect(page.locator("#active")).to_contain_text(CUT)

    page.get_by_role("button", name="Reset rear").click()
    rear = page.locator("tr[data-node=rear]")
    expect(rear).to_contain_text("running")
    lit(page, "tail_left")

    page.get_by_role("button", name=f"Clear: {CUT}").click()
    expect(notice).to_have_text("rear_lost")
    expect(page.locator("#none")).to_be_visible()
    expect(page.locator("#standing")).to_have_text("No rule is broken at this moment.")
    page.wait_for_timeout(1300)  # the time to rejoin is over, so that it was put to the test

    page.get_by_role("textbox", name="Name").fill("tail")
    page.get_by_role("button", name="Save as scenario").click()
    expect(page.locator("#said")).to_contain_text("Saved as tail.toml")
    said = page.locator("#saved")
    expect(said).to_contain_text("rules kept")
    with ThreadPoolExecutor() as pool:  # a browser that is driven has an event loop in this thread
        again = pool.submit(lambda: run(load_scenario(saved / "tail.toml"))).result()
    assert tally(again) in said.inner_text()
    kept = {(v.subject, v.rule) for v in again.verdicts if v.outcome is Outcome.KEPT}
    assert {("rear_lost", "notice"), ("rear", "rejoin")} <= kept
    assert not again.broken
    assert [timed.fault.kind for timed in again.scenario.faults] == ["cut", "reset"]


def test_a_fault_is_dragged_onto_the_cable(page):
    gap = page.locator("[data-place='gap:front|engine']")
    page.get_by_role("button", name="cut", exact=True).drag_to(gap)
    expect(gap).to_have_class(re.compile(r"\bcut\b"))
    expect(page.locator("#active li")).to_have_count(1)


def test_all_of_it_goes_by_keyboard(page):
    page.get_by_role("button", name="unplug", exact=True).focus()
    page.keyboard.press("Enter")
    node = page.locator("[data-place='node:rear']")
    expect(node).to_have_class(re.compile(r"\bcan\b"))
    node.focus()
    page.keyboard.press("Enter")
    expect(page.locator("#active")).to_contain_text("plug of rear was pulled")
    expect(node).to_have_attribute("aria-label", re.compile("node rear: error-passive"))
    page.get_by_role("button", name="mute", exact=True).press("Enter")
    page.keyboard.press("Escape")
    expect(page.get_by_role("button", name="mute", exact=True)).to_have_attribute(
        "aria-pressed", "false"
    )
    lamp = load(page, "tail_left")
    expect(lamp).to_have_attribute("tabindex", "0")
    lamp.focus()
    page.keyboard.press("Enter")
    expect(page.locator("#choice-title")).to_have_text("tail_left")
    page.get_by_role("button", name=re.compile("^fuse_blown: ")).press("Enter")
    expect(page.locator("#active li")).to_have_count(2)
    page.keyboard.press("p")
    expect(page.get_by_role("button", name="Go on")).to_be_visible()
    before = page.locator("#clock").inner_text()
    page.keyboard.press("f")
    expect(page.locator("#clock")).not_to_have_text(before)
    page.get_by_role("button", name="Go on").click()
    page.locator("[data-input=lights] input").first.focus()
    page.keyboard.press("ArrowRight")
    lit(page, "position_front")


def test_a_fault_on_an_input_and_on_a_message(page):
    page.get_by_role("button", name="faults of lights").click()
    page.get_by_role("button", name=re.compile("^stuck: ")).click()
    expect(page.locator("[data-input=lights] .badge")).to_have_text("⚡ stuck")
    page.get_by_role("button", name="faults of LampRequest").click()
    page.get_by_role("button", name=re.compile("^corrupt: ")).click()
    expect(page.locator("tr[data-message=LampRequest] .badge")).to_contain_text("corrupt")
    expect(page.locator("tr[data-node=dash]")).to_contain_text("bus-off")
    page.get_by_role("button", name="Clear all").click()
    expect(page.locator("#none")).to_be_visible()


def test_the_last_ten_seconds_are_drawn_with_what_is_allowed_and_the_bus_with_its_errors(page):
    page.get_by_role("group", name="ignition").get_by_role("radio", name="on", exact=True).check()
    page.get_by_role("group", name="hazard").get_by_role("radio", name="on", exact=True).check()
    strip = page.locator("[data-strip=indicator_rear_left]")
    expect(strip.locator(".allowed")).to_have_text(
        re.compile(r"^(on|off); allowed( \d+ s ago)?: flash$")
    )
    band = strip.locator("path.may")
    expect(band).to_have_attribute("d", re.compile(r"^M[\d.]+ 1h.*M[\d.]+ 10h"))  # lit, and dark
    expect(strip.locator("path.level")).to_have_attribute("d", re.compile(r"(V[\d.]+H[\d.]+){4}"))
    expect(strip.locator("path.wrong")).to_have_attribute("d", "")
    page.get_by_role("button", name="cable between gauge and rear").click()
    page.get_by_role("button", name=f"cut: {CUT}").click()
    expect(page.locator("[data-counters=rear] .allowed")).to_have_text(
        re.compile(r"^TEC 128, REC \d, error-passive$")
    )
    failed = page.locator("#strip-failed path")
    expect(failed).to_have_attribute("d", re.compile("^M"))
    # The line of the counter rises from the ground to half of the height.
    line = page.locator("[data-counters=rear] path.tec")
    expect(line).to_have_attribute("d", re.compile(r"^M[\d.]+ 20\.0H.*V10\.0H"))


def test_a_sensor_is_a_slider(page):
    page.get_by_label("coolant_temperature", exact=True).fill("120")
    expect(page.locator("tr[data-message=EngineData]")).to_contain_text("CoolantTemperature 120")
    lit(page, "overheat_lamp")


def test_nothing_sticks_out_and_fingers_hit_what_they_point_at(page):
    for width, height in WIDTHS.items():
        page.set_viewport_size({"width": width, "height": height})
        assert page.evaluate("() => document.documentElement.scrollWidth") <= width
        heights = page.evaluate(
            "() => [...document.querySelectorAll('button, select')]"
            ".map((button) => button.getBoundingClientRect().height).filter((height) => height)"
        )
        assert min(heights) >= 24  # WCAG 2.2, 2.5.8 target size (minimum)
        car = page.locator("svg.car").bounding_box()
        names = page.evaluate(
            "() => [...document.querySelectorAll('.car .label')]"
            ".map((name) => name.getBoundingClientRect()).map((box) => [box.left, box.right])"
        )
        assert len(names) == len(load_vehicle(demo_vehicle()).loads)
        assert min(left for left, _ in names) >= car["x"]
        assert max(right for _, right in names) <= car["x"] + car["width"]


def test_no_serious_hindrance_for_anybody_be_it_light_or_dark(page):
    page.get_by_role("button", name="cut", exact=True).click()
    for _ in range(2):
        found = axe.Axe().run(page).response["violations"]
        serious = [
            (rule["id"], [node["html"] for node in rule["nodes"]][:3])
            for rule in found
            if rule["impact"] in ("serious", "critical")
        ]
        assert serious == []
        page.get_by_role("button", name="Switch between light and dark").click()
    page.keyboard.press("Escape")


def test_whoever_comes_later_sees_the_session_as_it_is_and_still_if_they_want_it_so(page, visitor):
    page.get_by_role("radio", name="dipped").check()
    page.get_by_role("group", name="hazard").get_by_role("radio", name="on", exact=True).check()
    other = visitor.open(390, color_scheme="dark", reduced_motion="reduce")
    expect(other.get_by_role("radio", name="dipped")).to_be_checked()
    still = load(other, "indicator_rear_left")
    expect(still).to_have_class(re.compile(r"\bflashing\b"))
    expect(still).to_have_attribute("aria-label", "indicator_rear_left: flashing")
    other.reload()
    expect(other.get_by_role("radio", name="dipped")).to_be_checked()
    other.context.close()


def test_what_would_flash_too_fast_for_eyes_is_drawn_steadily(page):
    page.get_by_role("group", name="hazard").get_by_role("radio", name="on", exact=True).check()
    lit(page, "indicator_rear_left")
    page.locator("#speed").select_option("5")
    expect(load(page, "indicator_rear_left")).to_have_class(re.compile(r"\bflashing\b"))


def test_on_a_phone_the_switches_stay_in_view_beside_the_lamps_that_they_light(page):
    page.set_viewport_size({"width": 390, "height": WIDTHS[390]})
    shown = "part => part.scrollIntoView({ behavior: 'instant' })"
    page.locator("#car-title").evaluate(shown)
    switches = page.locator("#driver").bounding_box()
    assert switches["y"] + switches["height"] <= WIDTHS[390]
    lamp = load(page, "low_beam_left").bounding_box()
    assert page.locator(".top").bounding_box()["height"] < lamp["y"] < switches["y"]
    page.get_by_role("group", name="ignition").get_by_role("radio", name="on", exact=True).check()
    page.get_by_role("group", name="lights").get_by_role("radio", name="dipped").check()
    lit(page, "low_beam_left")
    assert load(page, "low_beam_left").bounding_box()["y"] == pytest.approx(lamp["y"], abs=5)
    page.locator("#bus").evaluate(shown)
    assert page.locator("#driver").bounding_box()["y"] < 0
