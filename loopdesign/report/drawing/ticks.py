"""Ticks of a figure that is drawn once: those of an axis as one mark, one grid and one label written again and again.

matplotlib makes five artists for every tick, so that each may differ from the others; nearly half of the time of a
figure went there. Ours are alike along an axis, so the first of them stands for all.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Hashable

    from matplotlib.axis import Axis, Tick
    from matplotlib.backend_bases import RendererBase
    from matplotlib.figure import Figure
    from matplotlib.text import Text
    from matplotlib.transforms import Bbox
    from numpy.typing import NDArray

PARTS: tuple[Any, ...] = ("grid", "tick1", "tick2")
CLOSE = 1e-10
"""Share of an axis by which a tick may lie beyond its end."""


def draw_ticks_together(figure: Figure) -> None:
    """Let every axis of a figure draw its ticks together.

    Parameters
    ----------
    figure
        A figure about to be drawn for the last time; what it looks like does not change. One whose panels a layout
        engine places is left as it is: the engine asks its axes what they cover.
    """
    if figure.get_layout_engine() is not None:
        return
    ticks: dict[Hashable, Tick] = {}
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            vars(axis)["draw"] = partial(_draw, axis, type(axis).draw, ticks)
            vars(axis)["get_tightbbox"] = _no_bounds


def _no_bounds(_renderer: RendererBase | None = None, *, for_layout_only: bool = False) -> None:
    """Tell nothing of what an axis covers: titles stand above their panel and no ticks stand there."""
    del for_layout_only


def _draw(
    axis: Axis,
    usual: Any,  # noqa: ANN401  (the method of its class)
    ticks: dict[Hashable, Tick],
    renderer: RendererBase,
) -> None:
    """Draw an axis: grid, marks and labels of its ticks, and its name beyond the labels."""
    if not axis.get_visible():
        return
    major, minor = (np.asarray(x, float) for x in (axis.get_majorticklocs(), axis.get_minorticklocs()))
    words = axis.get_major_formatter().format_ticks(major.tolist())
    if words and axis.get_major_formatter().get_offset():
        usual(axis, renderer)
        return
    renderer.open_group("matplotlib.axis", gid=axis.get_gid())
    covered = _draw_inside(axis, _tick(axis, ticks, "major"), major, words, renderer) if len(major) else []
    if len(minor):
        words = axis.get_minor_formatter().format_ticks(minor.tolist())
        covered += _draw_inside(axis, _tick(axis, ticks, "minor"), minor, words, renderer)
    _draw_name(axis, covered, renderer)
    renderer.close_group("matplotlib.axis")


def _tick(axis: Axis, ticks: dict[Hashable, Any], which: Any) -> Any:  # noqa: ANN401  (a tick; "major" or "minor")
    """Find the tick of an axis among those of a figure, axes with the same settings having one, and put it there."""
    name: str = axis.axis_name  # type: ignore[attr-defined]
    settings = axis.get_tick_params(which)
    key = (name, which, *sorted((k, repr(v)) for k, v in settings.items()))
    tick = ticks.get(key)
    if tick is None:
        tick = ticks[key] = (axis.get_major_ticks if which == "major" else axis.get_minor_ticks)(1)[0]
        tick.gridline.set_clip_path(None)  # of its own panel; grid lines end at their panel anyway
        return tick
    axes = axis.axes
    along = axes.get_xaxis_transform if name == "x" else axes.get_yaxis_transform
    for line, part in zip((tick.gridline, tick.tick1line, tick.tick2line), PARTS, strict=True):
        line.set_transform(along(which=part))
    first, second = (
        (axes.get_xaxis_text1_transform, axes.get_xaxis_text2_transform)
        if name == "x"
        else (axes.get_yaxis_text1_transform, axes.get_yaxis_text2_transform)
    )
    pad = tick.get_pad() + tick.get_tick_padding()
    for label, transform in ((tick.label1, first), (tick.label2, second)):
        label.set_transform(transform(pad)[0])
    return tick


def _draw_inside(
    axis: Axis, tick: Tick, places: NDArray[np.float64], words: list[str], renderer: RendererBase
) -> list[Bbox]:
    """Draw those ticks that lie on their axis; returns what their labels cover."""
    inside = _inside(axis, places)
    if not inside.any():
        return []
    return _draw_group(
        axis, tick, places[inside], [w for w, shown in zip(words, inside, strict=True) if shown], renderer
    )


def _inside(axis: Axis, places: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether ticks lie on their axis, its ends among it."""
    ends = axis.get_transform().transform(np.sort(axis.get_view_interval()))
    at = axis.get_transform().transform(places)
    spare = CLOSE * abs(ends[1] - ends[0])
    return np.asarray((at >= ends.min() - spare) & (at <= ends.max() + spare))


def _draw_group(
    axis: Axis, tick: Tick, places: NDArray[np.float64], words: list[str], renderer: RendererBase
) -> list[Bbox]:
    """Draw one tick at every place; returns what its labels cover where the axis has a name to stand beyond them."""
    named = bool(axis.get_label().get_text())
    level = axis.axis_name == "x"  # type: ignore[attr-defined]
    if tick.gridline.get_visible():
        along, across = np.repeat(places, 3), np.tile([0.0, 1.0, np.nan], len(places))
        tick.gridline.set_data(*((along, across) if level else (across, along)))
        tick.gridline.draw(renderer)
    for mark, side in ((tick.tick1line, 0.0), (tick.tick2line, 1.0)):
        if mark.get_visible():
            beside = np.full(len(places), side)
            mark.set_data(*((places, beside) if level else (beside, places)))
            mark.draw(renderer)
    covered = []
    for label in (tick.label1, tick.label2):
        if label.get_visible():
            covered += _write_labels(label, places, words, renderer, level=level, measured=named)
    return covered


def _write_labels(
    label: Text, places: NDArray[np.float64], words: list[str], renderer: RendererBase, *, level: bool, measured: bool
) -> list[Bbox]:
    """Write one label at every place that has words; returns what they cover where that is wanted."""
    covered = []
    for place, text in zip(places, words, strict=True):
        if text:
            (label.set_x if level else label.set_y)(float(place))
            label.set_text(text)
            label.draw(renderer)
            if measured:
                covered.append(label.get_window_extent(renderer))
    return covered


def _draw_name(axis: Axis, covered: list[Bbox], renderer: RendererBase) -> None:
    """Write the name of an axis outside of what its labels cover, as the axis itself would."""
    from matplotlib.transforms import Bbox  # noqa: PLC0415  (loaded already)

    name, pad = axis.get_label(), axis.labelpad * axis.figure.dpi / 72.0
    if not name.get_text():
        return
    x, y = name.get_position()
    side = axis.get_label_position()
    outside = Bbox.union(covered) if covered else axis.axes.spines[side].get_window_extent()
    at = {
        "bottom": (x, outside.y0 - pad), "top": (x, outside.y1 + pad),
        "left": (outside.x0 - pad, y), "right": (outside.x1 + pad, y),
    }  # fmt: skip
    name.set_position(at[side])
    name.draw(renderer)
