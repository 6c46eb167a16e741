"""Results as one HTML file that opens offline, for people who prefer pictures.

sheet.py     what a page says, as plain values: the templates draw nothing else
pages.py     from results to pages
sections.py  what a result is based on, the table of fuses, what each load must do
broken.py    what broke, grouped by the case that shows it, and marked on the car
scene.py     one run in detail: picture, frames, bus
lanes.py     a run as lanes over time, and their drawing
render.py    a page as text, with jinja2

page.html, parts.html, car.html, style.css and page.js are the templates, the style and the
zooming. Only the templates know HTML; no text from a file is trusted.

A check keeps verdicts and no recordings. So the short scenarios of its findings (or the cases
behind them, if no short ones were looked for) run again, each in its own process, and the page says
so if one does not show the same. Lanes become SVG paths once, in units of 10 us. Zooming only moves
the window of the drawing, so a page is complete without its script. The look is our own: sections
hang on a twisted pair; cells are fuses that are whole, blown, or missing from their holders. No
state is shown by colour alone.

Other code with a recording to show calls ``write_run_page(result, path, parts=[...])``; code
without one, such as an analysis, calls ``write_page(plain_page(title, verdict, state="kept",
parts=[...]), path)``.
"""

from linkloss.report.html.broken import looks
from linkloss.report.html.pages import (
    case_files,
    check_page,
    index_page,
    plain_page,
    reopened_page,
    run_page,
    write_page,
    write_run_page,
)
from linkloss.report.html.render import drawing, render
from linkloss.report.html.sheet import Drawing, Fact, Page, Part

__all__ = [
    "Drawing",
    "Fact",
    "Page",
    "Part",
    "case_files",
    "check_page",
    "drawing",
    "index_page",
    "looks",
    "plain_page",
    "render",
    "reopened_page",
    "run_page",
    "write_page",
    "write_run_page",
]
