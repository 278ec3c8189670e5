"""Cost against step deviation drawn: what meets every target, what misses one, and the front between them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from loopdesign.report.basics import axes as shared
from loopdesign.report.basics.sheet import drawable
from loopdesign.report.explore.drawing import own_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from loopdesign.explore.size import SizeResult

SIZE = (8.2, 5.6)
"""Width and height of the figure [inch]."""
MOST_LABELS = 30
"""Combinations of the front that are numbered in the figure."""


def size_figure(found: SizeResult) -> Figure:
    """Draw every combination by what it costs and how far the output departs at the load step.

    Parameters
    ----------
    found : SizeResult
        The search.

    Returns
    -------
    Figure
        Filled marks meet every target, crosses miss one; the line is the front.
    """
    from matplotlib.ticker import EngFormatter  # noqa: PLC0415  (loads matplotlib)

    figure = own_figure(*SIZE)
    ax = figure.subplots()
    _marks(ax, found)
    limit = found.limits.get("step_deviation")
    if limit is not None:
        ax.axhline(limit, color=shared.INK, linestyle=(0, (4, 2)), linewidth=1.0, label="step deviation allowed")
    ax.yaxis.set_major_formatter(EngFormatter(unit="V", sep=" "))
    ax.set_xlabel(f"total {found.weighed_by}, as the case file counts it")
    ax.set_ylabel("step deviation, the largest of everything examined")
    ax.grid(visible=True, color="#cccccc", linewidth=0.6)
    ax.set_ylim(bottom=0.0)
    if ax.get_legend_handles_labels()[0]:
        figure.legend(loc="outside lower center", ncols=2, fontsize=8.5, frameon=False)
    covered = "nominal parts" if found.nominal else "temperatures and worst tolerance ends included"
    title = " ".join(found.title.split())
    figure.suptitle(
        drawable(f"{title}: {len(found.points)} of {found.combinations} combinations, {covered}"), fontsize=11
    )
    return figure


def _marks(ax: Axes, found: SizeResult) -> None:
    """Mark every combination that has a departure, join the front and name what lies on it."""
    seen = [(k, c, c.peak_deviation_v) for k, c in enumerate(found.points) if c.peak_deviation_v is not None]
    met: dict[str, Any] = {"marker": "o", "color": shared.PALETTE[0], "label": "meets every target"}
    missed: dict[str, Any] = {"marker": "x", "color": shared.PALETTE[1], "label": "misses a target"}
    for flag, style in ((True, met), (False, missed)):
        some = [(c.cost, y) for _, c, y in seen if c.targets_met is flag]
        if some:
            ax.plot(*zip(*some, strict=True), linestyle="", markersize=7, zorder=3, **style)
    front = [(c.cost, y, str(1 + found.front.index(k))) for k, c, y in seen if k in found.front]
    if front and not found.skipped:
        x, y, _ = zip(*front, strict=True)
        ax.step(
            x,
            y,
            where="post",
            color=shared.PALETTE[0],
            linewidth=1.6,
            label="front, numbered as in the table",
            zorder=2,
        )
    for x_, y_, name in front[:MOST_LABELS]:
        ax.annotate(name, (x_, y_), textcoords="offset points", xytext=(5, 5), fontsize=9)  # off the front's risers
    alone = sum(c.stage_fails for c in found.points)
    if alone:
        told = f"not drawn: {alone} whose stage alone fails"
        ax.annotate(told, (0.99, 0.02), xycoords="axes fraction", ha="right", va="bottom", fontsize=8)
