"""Pages to open: a case with given parts, examined at its nominal corners."""

import hashlib
import re
from functools import cache
from html import escape
from pathlib import Path

from loopdesign.analysis.check import examine
from loopdesign.analysis.curves import report_data
from loopdesign.analysis.given import given_parts, with_parts
from loopdesign.analysis.impedances import impedances
from loopdesign.case import CaseFile, parse_case
from loopdesign.report.content.findings import Findings
from loopdesign.report.content.gather import gather
from loopdesign.report.live.export import live_data
from loopdesign.report.live.page import page_html, report_page

CASES = Path(__file__).parents[2] / "cases"
NINE = {"R1": 1.5e3, "C1": 220e-9, "C2": 1e-9}
"""Parts of the damped SEPIC that meet every target at full load."""


def nine_corners():
    """The damped SEPIC, three lines by three loads, as text of a case file."""
    text = (CASES / "tide_gauge_sepic.toml").read_text(encoding="utf-8")
    nine = text.replace(
        'output_current = { min = "0.1 A", max = "1.2 A" }', 'output_current = ["0.1 A", "0.5 A", "1.2 A"]'
    )
    assert nine != text
    return nine


def one_corner(title=None):
    """The undamped SEPIC at its worst corner; title, notes and revision are the same text where one is given."""
    text = (CASES / "tide_gauge_sepic_undamped.toml").read_text(encoding="utf-8")
    text = re.sub(r"input_voltage = .*", 'input_voltage = ["8 V"]', text)
    text = re.sub(r"output_current = .*", 'output_current = ["1.2 A"]', text)
    if title is None:
        return text
    quoted = '"' + "".join(f"\\u{ord(c):04x}" if c in '"\\' or ord(c) > 126 else c for c in title) + '"'
    text = re.sub(r"(?m)^title = .*$", lambda _: f"title = {quoted}", text)
    text = re.sub(r"(?m)^notes = .*$", lambda _: f"notes = {quoted}", text)
    return text + f"\n[document]\nrevision = {quoted}\nprepared_by = {quoted}\n"


def checked(text, parts=None):
    """Nominal check of a case file's text."""
    case = parse_case(text, "case.toml")
    case = case if parts is None else with_parts(case, parts)
    return examine(case, given_parts(case) if case.compensation else {})


def page_of(found):
    """The page with next to nothing to read, which is quickly made."""
    content = f"<article><header><h1>{escape(found.case.title)}</h1></header><section><h2 id='notes'>Notes</h2></section></article>"
    return page_html(content, title=found.case.title, chapters=[("notes", "Notes")], live=live_data(found))


def report_of(text, name="case.toml"):
    """The page of a whole report, but for steps in time and the filters."""
    found = checked(text)
    given = CaseFile(path=name, text=text, sha256=hashlib.sha256(text.encode()).hexdigest())
    findings = Findings(
        check=found, curves=report_data(found), given=given, date="2026-01-02", chosen_text=text,
        impedances=impedances(found),
    )  # fmt: skip
    return report_page(gather(findings), found)


@cache
def nine():
    """Page of the damped SEPIC at nine corners."""
    return page_of(checked(nine_corners(), NINE))
