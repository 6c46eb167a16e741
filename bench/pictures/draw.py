"""Draws the finding that the README shows, as ``finding-light.png`` and ``finding-dark.png``.

Needs the extra ``test``, a C compiler and Chromium. From the top of a checkout:

    .venv/bin/python bench/pictures/draw.py

It does what the README does: it writes a new car, takes the time-out out of its rear node, checks
it with cut cables, and photographs the first finding of the HTML report.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

from linkloss.cli import main

FOLDER = Path(__file__).resolve().parent
WIDTH, SCALE = 820, 1.5
"""Of the page in CSS pixels, and pixels of the picture for each."""


def report(folder: Path) -> Path:
    """The HTML report of a car whose rear node has no time-out."""
    os.chdir(folder)
    main(["new", "my_car"])
    program = Path("my_car/rear.c")
    text = program.read_text(encoding="utf-8")
    assert "LOST_AFTER_MS = 250," in text
    program.write_text(text.replace("LOST_AFTER_MS = 250,", "LOST_AFTER_MS = 9999999,"), "utf-8")
    main(["check", "my_car/vehicle.toml", "--only", "cut", "--html", "report.html"])
    return folder / "report.html"


def draw(page_file: Path) -> None:
    """Photograph the first finding, as far as its timeline goes, on a light and on a dark page."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        for scheme in ("light", "dark"):
            page = browser.new_page(
                viewport={"width": WIDTH, "height": 2000},
                color_scheme=scheme,
                device_scale_factor=SCALE,
                java_script_enabled=False,
            )
            page.goto(page_file.as_uri())
            story = page.locator("#finding-1").bounding_box()
            legend = page.locator("#finding-1 .flags").bounding_box()
            assert story
            assert legend
            bottom = legend["y"] + legend["height"] + 8
            page.screenshot(
                path=FOLDER / f"finding-{scheme}.png",
                full_page=True,
                clip={
                    "x": story["x"],
                    "y": story["y"],
                    "width": story["width"],
                    "height": bottom - story["y"],
                },
            )
        browser.close()


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as made:
        draw(report(Path(made)))
