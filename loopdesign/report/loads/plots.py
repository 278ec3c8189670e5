"""Pictures of the loads of a case: its regimes over input voltage, and its output characteristics."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.report.basics import axes as shared
from loopdesign.report.basics.sheet import drawable
from loopdesign.report.explore.drawing import own_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from loopdesign.analysis.loads.result import LoadsResult
    from loopdesign.analysis.regimes.overload.curve import OverloadCurve

SIZE = (7.2, 4.6)
DASHES = ("-", "--", ":", "-.")
MARKERS = ("o", "s", "^", "D")


def regimes_figure(found: LoadsResult) -> Figure:
    """Draw the loads at which conduction and regulation change over input voltage.

    Parameters
    ----------
    found : LoadsResult
        The loads.

    Returns
    -------
    matplotlib.figure.Figure
        Load over input voltage, the load on a logarithmic axis, with the loads of the case as a band.
    """
    figure = own_figure(*SIZE)
    ax = figure.subplots()
    lines, b = found.boundary.input_voltage, found.boundary
    given = found.case.specification.output_current
    least = _drawn(b.least_load_a)
    largest = np.full(len(lines), np.nan) if found.largest_load_a is None else _drawn(found.largest_load_a)
    for k, (values, name, words) in enumerate(
        (
            (largest, "largest_load_a", "limit reached (stability below it not examined)"),
            (b.continuous_limit_a, "continuous_limit_a", "continuous conduction ends"),
            (least, "least_load_a", "least load with a pulse every period"),
        )
    ):
        if np.isfinite(values).any():
            ax.plot(
                lines, values, color=shared.PALETTE[k], linestyle=DASHES[k], marker=MARKERS[k], markersize=4.5,
                linewidth=1.8, label=words,
            )  # fmt: skip
            _bars(ax, found, name, k)
    _unstable_limits(ax, found)
    ax.axhspan(
        max(given.lowest, b.smallest_load_a), given.highest, facecolor="#d9d9d9", alpha=0.55, zorder=0,
        label="loads of the case",
    )  # fmt: skip
    ax.set_yscale("log")
    _axis(ax, "input voltage", "V", "x")
    _axis(ax, "load current", "A", "y")
    ax.grid(visible=True, which="major", color="#cccccc", linewidth=0.5)
    figure.legend(loc="outside lower center", ncols=2, fontsize=8.5, frameon=False)
    bars = "" if found.ends is None or not found.ends.causes else "; bars: tolerance ends"
    figure.suptitle(drawable(f"{' '.join(found.case.title.split())}: loads, nominal parts{bars}"), fontsize=11)
    return figure


def _unstable_limits(ax: Axes, found: LoadsResult) -> None:
    """Hollow out the limits at listed input voltages whose orbit is not stable or not kept."""
    curves = [c for c in found.overload if c.largest_load_a and c.points]
    bad = [c for c in curves if max(c.points, key=lambda p: p.output_voltage_v).stable is False]
    if bad:
        ax.plot(
            [c.input_voltage for c in bad], [c.largest_load_a or 0.0 for c in bad], color=shared.PALETTE[0],
            linestyle="", marker=MARKERS[0], markerfacecolor="white", markersize=7.0, zorder=5,
            label="limit at a listed input: orbit UNSTABLE or not held",
        )  # fmt: skip


def _bars(ax: Axes, found: LoadsResult, name: str, place: int) -> None:
    """Draw the range of a boundary at the tolerance ends as bars."""
    ranges = () if found.ends is None else [r for r in found.ends.ranges if r.name == name]
    for r in ranges:
        low, high = (float(v) for v in _drawn(np.array([r.lowest.value, r.highest.value])))
        ax.plot(
            [r.input_voltage] * 2, [low, high], color=shared.PALETTE[place], linewidth=1.0, marker="_", markersize=11.0
        )


def _drawn(loads: NDArray[np.float64]) -> NDArray[np.float64]:
    """Keep the loads that a logarithmic axis can show, the others as NaN."""
    return np.where(np.isfinite(loads) & (loads > 0.0), loads, np.nan)


def overload_figure(found: LoadsResult) -> Figure:
    """Draw the output characteristics with the controller at its limit.

    Parameters
    ----------
    found : LoadsResult
        The loads, with at least one characteristic.

    Returns
    -------
    matplotlib.figure.Figure
        Output voltage over output current; points whose orbit is not stable or not kept are hollow, and what stepping
        gives in their place is a cross.
    """
    figure = own_figure(*SIZE)
    ax = figure.subplots()
    farthest, highest = 0.0, 0.0 if _by_current(found) else found.case.specification.output_voltage
    for k, curve in enumerate(c for c in found.overload if c.points):
        colour, marker = shared.PALETTE[k % len(shared.PALETTE)], MARKERS[k % len(MARKERS)]
        orbits = [p for p in curve.points if p.stable is not None]
        x, y = [p.output_current_a for p in orbits], [p.output_voltage_v for p in orbits]
        label = f"{curve.input_voltage:.4g} V input"
        begin = _begin(found, curve)
        ax.plot(
            [*begin[0], *x, *begin[2]], [*begin[1], *y, *begin[3]], color=colour, linestyle=DASHES[k % len(DASHES)],
            linewidth=1.6, label=label,
        )  # fmt: skip
        for p in orbits:
            face = colour if p.stable else "white"
            ax.plot([p.output_current_a], [p.output_voltage_v], marker=marker, color=colour, markerfacecolor=face)
        ax.plot(
            [p.stepped_current_a or 0.0 for p in orbits if p.stepped_voltage_v],
            [p.stepped_voltage_v for p in orbits if p.stepped_voltage_v], linestyle="", marker="x", color=colour,
            markersize=7,
        )  # fmt: skip
        farthest, highest = max([farthest, *x]), max([highest, *y])
    ax.set_xlim(0.0, 1.12 * farthest)
    ax.set_ylim(0.0, 1.08 * highest)
    _axis(ax, "output current", "A", "x")
    _axis(ax, "output voltage", "V", "y")
    ax.grid(visible=True, color="#cccccc", linewidth=0.5)
    if _by_current(found):
        _load_line(ax, found, farthest)
    _legend(figure, ax)
    figure.suptitle(drawable(f"{' '.join(found.case.title.split())}: overload, nominal parts"), fontsize=11)
    return figure


def _by_current(found: LoadsResult) -> bool:
    return found.case.specification.regulate == "current"


def _begin(found: LoadsResult, curve: OverloadCurve) -> tuple[list[float], list[float], list[float], list[float]]:
    """Where a curve is held before its points and behind them: currents [A], voltages [V], and the same behind."""
    if not _by_current(found):
        return [0.0], [found.case.specification.output_voltage], [], []
    level = curve.levels[-1]
    if any(p.ended == "shortest pulse" for p in curve.points):
        return [], [], [], []
    return [], [], [level.load_current], [level.held_from_v or 0.0]


def _load_line(ax: Axes, found: LoadsResult, most: float) -> None:
    """Draw the load of the case: its drop, and its resistance."""
    load = found.case.specification.voltage_load
    if load is not None:
        x = np.array([0.0, most])
        ax.plot(
            x, load.drop + load.resistance * x, color="#777777", linewidth=1.0, linestyle=(0, (1, 2)), label="the load"
        )


def _legend(figure: Figure, ax: Axes) -> None:
    """Name curves and marks."""
    from matplotlib.lines import Line2D  # noqa: PLC0415  (loads matplotlib)

    handles: list[Any] = [*ax.get_legend_handles_labels()[0]]
    plain: dict[str, Any] = {"color": shared.INK, "linestyle": ""}
    handles += [
        Line2D([], [], marker="o", markerfacecolor="white", **plain, label="orbit UNSTABLE or not held"),
        Line2D([], [], marker="x", **plain, label="what it does there, stepped in time"),
    ]
    figure.legend(handles=handles, loc="outside lower center", ncols=2, fontsize=8.5, frameon=False)


def _axis(ax: Axes, name: str, unit: str, which: str) -> None:
    """Name an axis and give it engineering labels."""
    from matplotlib.ticker import EngFormatter, LogLocator, NullFormatter  # noqa: PLC0415  (loads matplotlib)

    axis = ax.xaxis if which == "x" else ax.yaxis
    if axis.get_scale() == "log":
        axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        axis.set_minor_formatter(NullFormatter())
    axis.set_major_formatter(EngFormatter(unit=unit, sep=" "))
    (ax.set_xlabel if which == "x" else ax.set_ylabel)(name)
