"""Ticks drawn together look as matplotlib draws them one by one."""

from __future__ import annotations

import io

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.ticker import MultipleLocator

from loopdesign.report.basics.sheet import SheetHeading, SheetLayout, panels
from loopdesign.report.drawing.ticks import draw_ticks_together
from loopdesign.report.explore.drawing import own_figure


def sheet():
    """Two columns of a logarithmic and a linear panel, named axes, minor ticks, grids, a title."""
    layout = SheetLayout(rows=2, columns=2, heights=(1.0, 1.0))
    figure, grid = panels(SheetHeading(title="title", about="about"), layout)
    x = np.geomspace(10.0, 3e5, 50)
    for column in range(2):
        upper, lower = grid[:, column]
        upper.set_xscale("log")
        upper.plot(x, 40.0 - 20.0 * np.log10(x))
        lower.plot(x, -x / 3e3, linestyle="--")
        upper.grid(visible=True, which="both", color="#cccccc", linewidth=0.6)
        lower.grid(visible=True, axis="y", color="#dddddd")
        lower.yaxis.set_minor_locator(MultipleLocator(5.0))
        lower.set_xlabel("frequency [Hz]")
    grid[0, 0].set_ylabel("gain [dB]")
    grid[1, 0].set_ylabel("phase\n[deg]", labelpad=1.5)
    grid[0, 1].set_title("30 V: stable", pad=3.0)
    return figure


def dots(figure):
    """Draw a figure as dots."""
    FigureCanvasAgg(figure).draw()
    return np.asarray(figure.canvas.buffer_rgba())


def test_ticks_drawn_together_look_the_same():
    usual, together = sheet(), sheet()
    draw_ticks_together(together)
    np.testing.assert_array_equal(dots(together), dots(usual))


def test_figure_may_be_drawn_again():
    figure = sheet()
    draw_ticks_together(figure)
    first = dots(figure).copy()
    np.testing.assert_array_equal(dots(figure), first)


def test_axis_with_an_offset_is_left_to_matplotlib():
    """What a formatter takes out of its labels stands at the end of the axis, and is not lost."""
    figures = [sheet(), sheet()]
    for figure in figures:
        figure.axes[2].yaxis.set_major_formatter("{x:g}")
        figure.axes[0].set_yscale("linear")
        figure.axes[0].plot([10.0, 3e5], [1e9, 1e9 + 1.0])
    draw_ticks_together(figures[1])
    np.testing.assert_array_equal(dots(figures[1]), dots(figures[0]))
    text = io.StringIO()
    figures[1].savefig(text, format="svg")
    assert figures[1].axes[0].yaxis.get_major_formatter().get_offset()


@pytest.mark.parametrize("visible", [True, False])
def test_hidden_axis_is_not_drawn(visible):
    figures = [sheet(), sheet()]
    for figure in figures:
        figure.axes[1].xaxis.set_visible(visible)
    draw_ticks_together(figures[1])
    np.testing.assert_array_equal(dots(figures[1]), dots(figures[0]))


def test_figure_whose_panels_an_engine_places_looks_the_same():
    """The engine asks every axis what it covers; without an answer labels would be cut off and titles stand on ticks."""

    def placed():
        figure = own_figure(6.0, 3.0)
        upper, lower = figure.subplots(2, 1, sharex=True)
        upper.plot([8.0, 30.0], [100.0, 400000.0])
        upper.set(ylabel="output voltage [V]", title="a title above its panel")
        lower.plot([8.0, 30.0], [0.1, 1.2])
        lower.set(xlabel="input voltage [V]", ylabel="load [A]")
        return figure

    usual, together = placed(), placed()
    draw_ticks_together(together)
    np.testing.assert_array_equal(dots(together), dots(usual))
