"""A sweep drawn: curves against one quantity, a map over two. Nothing is computed here but what lines need."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.report.basics import axes as shared
from loopdesign.report.basics.sheet import drawable
from loopdesign.report.explore.drawing import own_figure
from loopdesign.report.explore.sweep_text import quantity_name

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from loopdesign.explore.quantities import SweptQuantity
    from loopdesign.explore.sweep import SweepResult

CURVES_SIZE, MAP_SIZE = (7.5, 9.0), (8.2, 6.4)
"""Width and height of the figures [inch]."""
PANELS = (
    ("largest_multiplier", "largest multiplier", None, 1.0),
    ("phase_margin_deg", "phase margin [deg]", "phase_margin", None),
    ("gain_margin_db", "gain margin [dB]", "gain_margin", None),
    ("crossover_hz", "crossover [Hz]", "crossover_limit", None),
    ("peak_deviation_v", "step deviation [V]", "step_deviation", None),
)
"""Reading, its name, the limit it is held against, and a line that is no limit of the case."""
MISLEADING = "UNSTABLE, though the plot shows the margins asked for"
CONTOURS = (0.0, 15.0, 30.0, 45.0, 60.0, 75.0, 90.0)
"""Phase margins with a contour line [deg]."""


def sweep_figure(swept: SweepResult) -> Figure:
    """Draw a sweep.

    Parameters
    ----------
    swept : SweepResult
        The points.

    Returns
    -------
    Figure
        Curves against one quantity with their limits, or a map of the phase margin over two.
    """
    return _curves(swept) if len(swept.varied) == 1 else _map(swept)


def _curves(swept: SweepResult) -> Figure:
    """Draw one panel per reading, the unstable part shaded."""
    (q,) = swept.varied
    x, panels = np.array(q.values), [p for p in PANELS if np.isfinite(swept.column(p[0])).any()]
    figure = own_figure(CURVES_SIZE[0], 1.0 + 1.9 * max(len(panels), 1))
    upper = figure.subplots(max(len(panels), 1), 1, sharex=True, squeeze=False)[:, 0]
    for ax, (name, words, limit, line) in zip(upper, panels, strict=False):
        ax.plot(x, swept.column(name), color=shared.PALETTE[0], marker=".", markersize=4)
        value = swept.asked.get(limit, None) if limit else line
        if value is not None:
            ax.axhline(value, color=shared.INK, linestyle=(0, (4, 2)), linewidth=1.0)
            told = "limit" if limit else "boundary of stability"
            high = value > np.mean(ax.get_ylim())  # the words stand on the side where the panel has room
            ax.annotate(
                f"{told} {value:.4g}",
                (0.995, value),
                xytext=(0.0, -2.0 if high else 2.0),
                textcoords="offset points",
                xycoords=("axes fraction", "data"),
                ha="right",
                va="top" if high else "bottom",
                fontsize=8,
            )
        ax.set_ylabel(words)
        ax.grid(visible=True, color="#cccccc", linewidth=0.6)
        _shade(ax, swept, x)
        if q.own is not None and x.min() <= q.own <= x.max():
            ax.axvline(q.own, color=shared.FAINT, linestyle=":", linewidth=1.2)
    _axis(upper[-1], q, "x")
    figure.suptitle(_title(swept), fontsize=11)
    return figure


def _shade(ax: Axes, swept: SweepResult, x: NDArray[np.float64]) -> None:
    """Shade where a nominal corner is unstable, out to the traced boundary; mark points that were not examined."""
    unstable = np.array([p.stable is False for p in swept.points])
    roots = [] if swept.boundary is None else [float(c[0, 0]) for c in swept.boundary.curves]
    for k in np.flatnonzero(unstable).tolist():
        ends = []
        for step in (-1, 1):
            j = k + step
            if not 0 <= j < len(x):
                ends.append(x[k])
                continue
            between = [r for r in roots if min(x[k], x[j]) <= r <= max(x[k], x[j])]
            ends.append(between[0] if between else 0.5 * (x[k] + x[j]) if not unstable[j] else x[j])
        ax.axvspan(min(ends), max(ends), facecolor="#f3c6c6", edgecolor="none", hatch="///", alpha=0.55, zorder=0)
    for k, p in enumerate(swept.points):
        if p.error is not None:
            ax.axvline(x[k], color=shared.ALARM, linestyle=(0, (1, 3)), linewidth=1.0)


def _map(swept: SweepResult) -> Figure:
    """Draw the phase margin over two quantities, the boundary of stability, and where the plot tells the contrary."""
    first, second = swept.varied
    shape = len(first.values), len(second.values)
    x, y = np.array(first.values), np.array(second.values)
    margin = swept.column("phase_margin_deg").reshape(shape)
    figure = own_figure(*MAP_SIZE)
    ax = figure.subplots()
    _fill(figure, ax, (x, y), margin, swept)
    handles = _regions(ax, (x, y), swept, shape)
    for curve in () if swept.boundary is None else swept.boundary.curves:
        ax.plot(curve[:, 0], curve[:, 1], color=shared.INK, linewidth=2.6)
    handles += _marks(ax, swept)
    _axis(ax, first, "x")
    _axis(ax, second, "y")
    ax.set_xlim(min(x), max(x))
    ax.set_ylim(min(y), max(y))
    figure.legend(handles=handles, loc="outside lower center", ncols=2, fontsize=8.5, frameon=False)
    figure.suptitle(_title(swept), fontsize=11)
    return figure


def _fill(figure: Figure, ax: Axes, places: tuple[Any, Any], margin: NDArray[np.float64], swept: SweepResult) -> None:
    """Fill by the phase margin, with contour lines."""
    x, y = places
    if not np.isfinite(margin).any() or min(margin.shape) < 2:
        return
    shown = np.ma.masked_invalid(margin.T)
    filled = ax.contourf(x, y, shown, levels=np.arange(0.0, 91.0, 5.0), cmap="cividis", extend="both")
    bar = figure.colorbar(filled, ax=ax)
    bar.set_label("least phase margin read from the loop gain [deg]")
    asked = swept.asked.get("phase_margin")
    levels = sorted({*CONTOURS, *([asked] if asked is not None else [])})
    widths = [2.0 if level == asked else 0.8 for level in levels]
    lines = ax.contour(x, y, shown, levels=levels, colors="white", linewidths=widths)
    ax.clabel(lines, fmt=lambda v: f"{v:.0f}°" + (" asked" if v == asked else ""), fontsize=8)


def _regions(ax: Axes, places: tuple[Any, Any], swept: SweepResult, shape: tuple[int, int]) -> list[Any]:
    """Hatch what is unstable and what is not held, and mark each point where the plot tells the contrary."""
    from matplotlib.lines import Line2D  # noqa: PLC0415  (loads matplotlib)
    from matplotlib.patches import Patch  # noqa: PLC0415

    x, y = places
    multiplier = swept.column("largest_multiplier").reshape(shape)
    told: list[Any] = []
    if swept.boundary is not None and swept.boundary.curves:
        told.append(Line2D([], [], color=shared.INK, linewidth=2.6, label="boundary of stability, traced"))
    if (multiplier >= 1.0).any() and min(shape) > 1:
        shown = np.ma.masked_invalid(np.log(multiplier).T)
        ax.contourf(x, y, shown, levels=[0.0, np.inf], colors="none", hatches=["////"])
        told.append(Patch(facecolor="none", edgecolor=shared.INK, hatch="////", label="UNSTABLE at a nominal corner"))
    column, row = (a.ravel() for a in np.meshgrid(x, y, indexing="ij"))
    kept = [p.stable is not False or (p.largest_multiplier or 0.0) >= 1.0 for p in swept.points]
    for flags, marker, colour, words in (
        ([bool(p.misleading) for p in swept.points], "s", shared.PALETTE[1], MISLEADING),
        ([not k for k in kept], "v", shared.PALETTE[4], "not held by its controller"),
        ([p.error is not None for p in swept.points], "x", shared.ALARM, "not examined"),
    ):
        here = np.array(flags)
        if here.any():
            edge = colour if marker == "x" else "white"
            marks: dict[str, Any] = {"marker": marker, "color": colour, "markersize": 6, "markeredgecolor": edge}
            ax.plot(column[here], row[here], linestyle="", zorder=4, clip_on=False, **marks)
            told.append(Line2D([], [], linestyle="", label=words, **marks))
    return told


def _marks(ax: Axes, swept: SweepResult) -> list[Any]:
    """Mark the case itself."""
    from matplotlib.lines import Line2D  # noqa: PLC0415  (loads matplotlib)

    own = [float("nan") if q.own is None else q.own for q in swept.varied]
    if not np.isfinite(own).all():
        return []
    marks: dict[str, Any] = {
        "marker": "P",
        "color": "white",
        "markeredgecolor": shared.INK,
        "linestyle": "",
        "markersize": 10,
    }
    ax.plot([own[0]], [own[1]], **marks, zorder=5)
    return [Line2D([], [], **marks, label="the case as it stands")]


def _axis(ax: Axes, q: SweptQuantity, which: str) -> None:
    """Name an axis and give it engineering labels, logarithmic where the values are spaced by ratios."""
    from matplotlib.ticker import EngFormatter, LogLocator, NullFormatter  # noqa: PLC0415  (loads matplotlib)

    axis = ax.xaxis if which == "x" else ax.yaxis
    if q.log:
        (ax.set_xscale if which == "x" else ax.set_yscale)("log")
        narrow = max(q.values) < 30.0 * min(q.values)
        axis.set_major_locator(LogLocator(base=10.0, subs=(1.0, 2.0, 5.0) if narrow else (1.0,)))
        axis.set_minor_formatter(NullFormatter())
    axis.set_major_formatter(EngFormatter(unit=q.unit, sep=" "))
    (ax.set_xlabel if which == "x" else ax.set_ylabel)(quantity_name(q.key))


def _title(swept: SweepResult) -> str:
    """Title with what the points cover."""
    covered = (
        "worst over line, load, temperature and tolerance ends" if swept.worst else "worst over the nominal corners"
    )
    chosen = ", compensation chosen anew at every point" if swept.redesign else ""
    return drawable(f"{' '.join(swept.title.split())}: {covered}{chosen}")
