"""Pages to open: a case with given parts, examined at its nominal corners."""

from functools import cache
from pathlib import Path

from loopdesign.analysis.check import examine
from loopdesign.analysis.given import given_parts, with_parts
from loopdesign.case import parse_case
from loopdesign.report.live.export import live_data
from loopdesign.report.live.page import page_html

CASES = Path(__file__).parents[2] / "cases"
NINE = {"R1": 1.5e3, "C1": 220e-9, "C2": 1e-9}
"""Parts of the damped SEPIC that meet every target at full load."""


def nine_corners(title="Tide-gauge logger supply", notes=""):
    """The damped SEPIC, three lines by three loads, as text of a case file."""
    text = (CASES / "tide_gauge_sepic.toml").read_text(encoding="utf-8")
    text = text.replace('output_current = { min = "0.1 A", max = "1.2 A" }', 'output_current = ["0.1 A", "0.5 A", "1.2 A"]')
    assert '"0.5 A", "1.2 A"' in text
    text = text.replace('title = "Tide-gauge logger supply"', f"title = {title!r}" if '"' in title else f'title = "{title}"')
    return text.replace(
        'notes = "Separate inductors, damped coupling capacitor, peak current mode."', f"notes = '''{notes}'''"
    )


def checked(text, parts=None):
    """Nominal check of a case file's text."""
    case = parse_case(text, "case.toml")
    case = case if parts is None else with_parts(case, parts)
    return examine(case, given_parts(case))


def page_of(found):
    """The page with nothing to read but its title."""
    from html import escape

    title = escape(found.case.title)
    content = f'<article><header><h1>{title}</h1></header><section><h2 id="notes">Notes</h2><p>{escape(found.case.notes)}</p></section></article>'
    return page_html(content, title=found.case.title, chapters=[("notes", "Notes")], live=live_data(found))


@cache
def nine():
    """Page of the damped SEPIC at nine corners."""
    return page_of(checked(nine_corners(), NINE))
