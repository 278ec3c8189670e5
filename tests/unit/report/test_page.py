"""The page as text, without a browser: its policy, its data, its pictures. tests/browser looks at it in one."""

import base64
import hashlib
import json
import re
from pathlib import Path

import numpy as np
import pytest

from loopdesign.analysis.check import examine
from loopdesign.analysis.given import given_parts
from loopdesign.case import load_case
from loopdesign.report.live import page
from loopdesign.report.live.export import live_data
from loopdesign.report.live.inert import without_styles

UNDAMPED = Path(__file__).parents[3] / "cases" / "tide_gauge_sepic_undamped.toml"


@pytest.fixture(scope="module")
def found():
    case = load_case(UNDAMPED)
    return examine(case, given_parts(case))


def policy_of(html):
    return re.search(r'Content-Security-Policy" content="([^"]*)"', html)[1].replace("&#39;", "'")


def hash_of(text):
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def test_policy_names_script_and_style_by_the_hashes_of_what_stands_there(found):
    html = page.page_html("<article><header></header></article>", title="t", live=live_data(found))
    script = re.search(r'<script type="module">(.*?)</script>', html, re.DOTALL)[1]
    style = re.search(r"<style>(.*?)</style>", html, re.DOTALL)[1]
    assert policy_of(html) == (
        f"default-src 'none'; script-src {hash_of(script)}; style-src {hash_of(style)}; base-uri 'none'; form-action 'none'"
    )
    assert html.count("<script") == 2
    bare = page.page_html("<article><header></header></article>", title="t")
    assert "script" not in policy_of(bare)
    assert "<script" not in bare


def test_every_module_stands_in_the_script_behind_those_it_uses():
    folders = [page.HERE / name for name in ("engine", "desk")]
    assert sorted(page.MODULES) == sorted(p.relative_to(page.HERE).as_posix() for f in folders for p in f.glob("*.js"))
    seen = set()
    for name in page.MODULES:
        text = (page.HERE / name).read_text(encoding="utf-8")
        used = set(re.findall(r'from "[^"]*?(\w+)\.js"', text))
        assert used <= seen, f"{name} uses {used - seen}"
        seen.add(Path(name).stem)
    assert not re.search(r"^(import|export) ", page.page_script(), re.MULTILINE)


def test_data_are_plain_numbers_that_no_parser_takes_for_markup(found):
    data = live_data(found)
    text = page.inert_json({**data, "hostile": "</script><!-- \u2028 &amp;"})
    assert not re.search(r"[<>&\u2028]", text)
    assert json.loads(text)["corners"] == data["corners"]
    corner = data["corners"][1]
    point = found.stage.point
    assert (corner["input_voltage"], corner["load_current"]) == (8.0, 1.2)
    assert sum(x["length"] for x in corner["intervals"]) == pytest.approx(1.0)
    assert [x["edge"] for x in corner["intervals"]] == ["comparator", "clock"]
    np.testing.assert_array_equal(corner["configurations"][0]["A"], point.network.configurations[0].A[1])
    assert corner["duty"] == point.duty[1]
    assert data["parts"] == dict(found.parts)


def test_a_case_without_a_loop_has_no_data():
    case = load_case(UNDAMPED).model_copy(update={"error_amplifier": None, "divider": None, "compensation": None})
    assert live_data(examine(case, {})) is None


def test_styles_of_pictures_become_attributes():
    """The style wins over an attribute of the same name, as it does in a browser; text outside pictures stays."""
    html = (
        '<p style="color: red">a</p><svg width="1" ><defs><style type="text/css">*{stroke-linejoin: round}</style></defs>'
        '<path d="M 1.23456 2 \nL 3.98765 -4.06\n" stroke="#fff" style="stroke: #000000; fill: none"/>'
        '<use x="1.23456" style="fill: #123456"/><g transform="scale(0.0123)"><text>style="x"</text></g></svg>'
    )
    plain = without_styles(html)
    assert '<path d="M1.2 2L3.9 -4.0" stroke="#000000" fill="none"/>' in plain
    assert '<use x="1.23456" fill="#123456"/>' in plain
    assert "<svg " in plain
    assert 'stroke-linejoin="round"' in plain
    assert "<style" not in plain
    assert 'scale(0.0123)"><text>style="x"</text>' in plain
    assert '<p style="color: red">' in plain


def test_too_many_corners_leave_the_desk_out_and_say_so(found, monkeypatch):
    from loopdesign.report.content.blocks import Content

    monkeypatch.setattr(page, "MOST_PAGE", 100_000)
    content = Content(title="t", front=(), verdict="v", good=False, running=("", ""), blocks=())
    html = page.report_page(content, found)
    assert "The live desk is left out: with 6 operating points this page would be larger than 0.1 MB." in html
    assert "<script" not in html
