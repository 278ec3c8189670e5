"""A sheet drawn as plain SVG looks as matplotlib's own writer of SVG draws it."""

from __future__ import annotations

import io
import re
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from matplotlib import rc_context
from PIL import Image

from loopdesign.report.basics.sheet import SheetHeading, SheetLayout, legend_above, panels
from loopdesign.report.content.pictures import png_of, svg_of
from loopdesign.report.drawing.outline import path_data
from loopdesign.report.drawing.svg import drawn_svg

SVG = "{http://www.w3.org/2000/svg}"


def sheet():
    """Lines and dashes that leave their panel, a gap, bands, bars with hatches, marks, arrows, boxed and turned words."""
    layout = SheetLayout(rows=2, columns=2, heights=(1.3, 1.3), above=0.4)
    figure, grid = panels(SheetHeading(title="A < B & C", about="8 V | 80 mA"), layout, share_y=False)
    x = np.linspace(0.0, 10.0, 400)
    first, second, third, fourth = grid.ravel()
    first.plot(x, 1e5 * np.sin(x), linestyle="--", color="#0072B2", label="far out")
    first.plot(x, np.where(x > 5.0, np.nan, np.cos(x)), linestyle=(0, (1.5, 1.2)), linewidth=2.0, label="gap")
    first.fill_between(x, -1.0, np.sin(x), color="#D55E00", alpha=0.25, linewidth=0.0)
    first.set_ylim(-1.5, 1.5)
    legend_above(first, "load 80 mA", width=2.0)
    for bar in second.bar([1.0, 2.0, 3.0], [3.0, 1.0, 2.0], color="#009E73", alpha=0.85):
        bar.set_hatch("///")
    second.set_ylabel("count", labelpad=1.0)
    third.plot(x[::20], np.sin(x[::20]), "o", markersize=6, markeredgecolor="white", color="#CC79A7")
    third.plot(x[::10], np.cos(x[::10]), ".", color="black", markersize=2.5)
    third.plot(5.0, 0.0, marker="+", markersize=11, markeredgewidth=1.8, color="#222222", linestyle="none")
    third.annotate(
        "",
        (2.0, -0.8),
        xytext=(2.0, 0.8),
        arrowprops={"arrowstyle": "<->", "color": "#222222", "shrinkA": 0, "shrinkB": 0},
    )
    fourth.annotate(
        "8 V: UNSTABLE,\nµ, Ω and °", (0.02, 0.03), xycoords="axes fraction", fontweight="bold", color="#a40000", fontsize=7,
        bbox={"facecolor": "white", "edgecolor": "#a40000", "boxstyle": "round,pad=0.3", "alpha": 0.92},
    )  # fmt: skip
    fourth.text(0.6, 0.6, "$x^2$", alpha=0.5)
    fourth.text(0.8, 0.2, "turned", rotation=30.0)
    return figure


def matplotlib_svg(figure):
    text = io.StringIO()
    with rc_context({"svg.hashsalt": "x", "svg.fonttype": "path"}):
        figure.savefig(text, format="svg", metadata={"Date": None})
    return text.getvalue()


def shades(svg):
    return np.asarray(Image.open(io.BytesIO(png_of(svg))).convert("L"), float)


@pytest.fixture(scope="module")
def ours():
    return svg_of(sheet())


def test_sheet_looks_as_matplotlib_draws_it(ours):
    """Both set by the same engine; what differs is the place of an edge within a dot."""
    wanted, drawn = shades(matplotlib_svg(sheet())), shades(ours)
    assert drawn.shape == wanted.shape
    assert np.mean(np.abs(drawn - wanted) > 64.0) < 2e-4
    assert np.abs(drawn - wanted).mean() < 0.25
    assert np.mean(wanted < 200.0) > 0.05


def test_same_figure_gives_the_same_bytes(ours):
    assert svg_of(sheet()) == ours


def test_every_name_is_defined_once_and_no_style_is_used(ours):
    tree = ET.fromstring(ours)  # noqa: S314  (our own)
    names = [e.get("id") for e in tree.iter() if e.get("id")]
    used = set(re.findall(r'(?:href="#|url\(#)([^")]+)', ours))
    assert len(names) == len(set(names))
    assert used == set(names)
    assert "style" not in ours
    assert not list(tree.iter(f"{SVG}image"))


def test_resolution_of_the_figure_stays():
    figure = sheet()
    before = figure.dpi
    drawn_svg(figure)
    assert figure.dpi == before


def test_no_error_adds_up_along_a_curve():
    """Steps of a third of a hundredth: a curve of ten thousand ends within half a hundredth of where it should."""
    x = np.arange(10_000) / 300.0
    data = path_data(np.stack([x, -x], axis=1))
    steps = np.array(re.findall(r"-?[\d.]+(?:e-?\d+)?", data), float).reshape(-1, 2)
    np.testing.assert_allclose(steps.cumsum(axis=0)[:, 0], x, rtol=0.0, atol=0.00501)
    np.testing.assert_allclose(steps.cumsum(axis=0)[:, 1], -x, rtol=0.0, atol=0.00501)


def test_outline_without_points_is_empty():
    assert path_data(np.empty((0, 2))) == ""
    assert path_data(np.array([[1.0, -2.5]])) == "M1-2.5"
