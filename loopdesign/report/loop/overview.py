"""All lines and loads in one picture, the worst emphasised: Bode plot with a band of worst ends, and Nyquist plot.

Nominal corners are grey and told apart by dashes and by labels at the end of each curve; what matters is black. So the
figures lose nothing in print without colour.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.findings.worst import with_ends
from loopdesign.margins.margins import unwrapped_phase_deg
from loopdesign.report.basics import axes as shared
from loopdesign.report.basics.sheet import NORMAL, SMALL, SheetLayout, heading, panels, place, short
from loopdesign.report.basics.status import verdict_word
from loopdesign.report.loop.plots import dress_plane

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from loopdesign.analysis.findings.worst import WorstReading
    from loopdesign.analysis.variants.worst_curves import WorstCurves

HEIGHT = 2.5
SQUARE = 4.6
LABEL_ROOM = 1.55
"""Room for labels to the right of the panels [inch]."""
LABEL_STEP = 0.125
"""Least distance of two labels [inch]."""
BODE_LAYOUT = SheetLayout(rows=2, columns=1, heights=(HEIGHT, HEIGHT), right=LABEL_ROOM)
NYQUIST_LAYOUT = SheetLayout(rows=1, columns=1, heights=(SQUARE,), width=SQUARE + 0.9)
GREY, SHADE = "#777777", "#d9d9d9"
BOX = {"facecolor": "white", "edgecolor": shared.INK, "linewidth": 0.6, "boxstyle": "round,pad=0.3"}
MOST_CURVES = 12
"""Nominal corners drawn at most: those with the extreme phase at each end, and the worst."""


def overview_bode_figure(curves: WorstCurves) -> Figure:
    """Draw the loop gain of all lines and loads in one Bode plot.

    Parameters
    ----------
    curves : WorstCurves
        Loop gains of nominal corners and worst ends.

    Returns
    -------
    Figure
        Magnitude above phase: nominal corners grey, the worst phase margin black, the band of the worst ends shaded.
    """
    head = heading(curves.check.case, "Loop gain, all lines and loads", covers=_covers(curves))
    figure, grid = panels(head, BODE_LAYOUT)
    f = curves.frequencies_hz
    every = np.concatenate([curves.nominal, curves.ends])
    reference = curves.nominal[:1]
    gain, phase = _db(every), _beside(unwrapped_phase_deg(every), unwrapped_phase_deg(reference))
    upper, lower = grid[:, 0]
    for ax, values in ((upper, gain), (lower, phase)):
        ax.fill_between(f, values.min(axis=0), values.max(axis=0), color=SHADE, linewidth=0.0, zorder=0.6)
        for item in _drawn(curves):
            ax.plot(
                f,
                values[item],
                color=GREY,
                linestyle=shared.DASHES[_dash(curves, item)],
                linewidth=_width(curves, item),
            )
        shared.frequency_axis(ax, f, named=ax is lower)
    upper.set_ylim(*shared.magnitude_limits(gain))
    lower.set_ylim(*shared.phase_limits(phase))
    shared.phase_ticks(lower)
    upper.axhline(0.0, color=shared.INK, linewidth=0.8)
    lower.axhline(-180.0, color=shared.INK, linewidth=0.8)
    limit = curves.check.limit("crossover_limit")
    shared.limit_line(upper, limit, f"crossover limit {short(limit, 'Hz')}")
    _emphasise(curves, (upper, lower), (gain, phase))
    labels = [(float(phase[k, -1]), _name(curves, k)) for k in _drawn(curves)]
    _labels_beside(lower, labels)
    upper.set_ylabel("magnitude [dB]", fontsize=NORMAL)
    lower.set_ylabel("phase [deg]", fontsize=NORMAL)
    return figure


def overview_bode_caption(curves: WorstCurves) -> str:
    """Say what to see in the Bode plot of all lines and loads."""
    return (
        "Loop gain by injection over all lines and loads. Grey: nominal parts, named at the right end of each curve "
        f"(dashes tell lines apart; the thicker, the heavier the load). {_band_words(curves)} To see: in black "
        f"{_leading_words(curves)}, its crossover as a dot and its phase margin as an arrow.{_verdicts(curves)}"
    )


def overview_nyquist_figure(curves: WorstCurves) -> Figure:
    """Draw the loop gain of all lines and loads near -1, with the circle of the modulus margin.

    Parameters
    ----------
    curves : WorstCurves
        Loop gains of nominal corners and worst ends.

    Returns
    -------
    Figure
        Nominal corners grey, the worst modulus margin black.
    """
    head = heading(curves.check.case, "Loop gain near -1, all lines and loads", covers=_covers(curves))
    figure, grid = panels(head, NYQUIST_LAYOUT)
    ax = grid[0, 0]
    turn = np.linspace(0.0, 2.0 * np.pi, 91)
    radius = curves.check.limit("modulus_margin")
    ax.fill(-1.0 + radius * np.cos(turn), radius * np.sin(turn), color=SHADE, zorder=0.5, linewidth=0)
    ax.plot(np.cos(turn), np.sin(turn), color=shared.FAINT, linewidth=0.8, linestyle=":")
    for item in _drawn(curves):
        T = curves.nominal[item]
        ax.plot(
            T.real, T.imag, color=GREY, linestyle=shared.DASHES[_dash(curves, item)], linewidth=_width(curves, item)
        )
    ax.annotate(
        f"at least {radius:g}", (-1.0, radius), xytext=(0, 3), textcoords="offset points", ha="center", va="bottom",
        fontsize=SMALL,
    )  # fmt: skip
    _nearest(curves, ax)
    ax.plot(-1.0, 0.0, marker="+", markersize=10, markeredgewidth=1.6, color=shared.INK, linestyle="none")
    dress_plane(ax)
    return figure


def overview_nyquist_caption(curves: WorstCurves) -> str:
    """Say what to see in the Nyquist plot of all lines and loads."""
    radius = curves.check.limit("modulus_margin")
    return (
        "Loop gain near -1 (the cross), positive frequencies. To see: that no curve enters the shaded circle of "
        f"radius {radius:g}, the modulus margin asked for. Grey: nominal parts at every line and load; black: the "
        f"point that comes nearest{_told(curves, 'modulus_margin')}; the dashed line is its distance. Dotted: the "
        f"circle of radius one.{_verdicts(curves)}"
    )


def _covers(curves: WorstCurves) -> str:
    """Say whether nominal parts alone are drawn, or the worst ends as well."""
    count = len(curves.nominal)
    corners = f"{count} nominal corner{'s' if count > 1 else ''}"
    return f"{corners} and the worst ends" if curves.check.examined.tolerance_ends else f"{corners}, nominal parts only"


def _band_words(curves: WorstCurves) -> str:
    if not curves.check.examined.tolerance_ends:
        return "Shaded: what these corners span; tolerances were left out."
    return (
        f"Shaded: what these and the curves at the {len(curves.ends)} points with the worst readings span "
        "(temperatures and tolerance ends); other combinations may lie beyond it where that makes no reading worse."
    )


def _drawn(curves: WorstCurves) -> list[int]:
    """Nominal corners to draw: all, or of many the extremes and some between."""
    count = len(curves.nominal)
    if count <= MOST_CURVES:
        return list(range(count))
    order = np.argsort(unwrapped_phase_deg(curves.nominal)[:, -1], kind="stable")
    return sorted({int(order[k]) for k in np.linspace(0, count - 1, MOST_CURVES).astype(int)})


def _grey(curves: WorstCurves, ax: Axes, xy: tuple[NDArray[np.float64], NDArray[np.float64]], item: int) -> None:
    """Draw a nominal corner in grey: dashes tell lines apart, widths loads."""
    dashes = shared.DASHES[_dash(curves, item)]
    ax.plot(*xy, color=GREY, linestyle=dashes, linewidth=_width(curves, item))


def _dash(curves: WorstCurves, item: int) -> int:
    voltages = np.unique(curves.check.conditions.input_voltage)
    return int(np.searchsorted(voltages, curves.check.conditions.input_voltage[item])) % len(shared.DASHES)


def _width(curves: WorstCurves, item: int) -> float:
    """Width of a line [point]: the heavier the load, the thicker."""
    loads = np.unique(curves.check.conditions.load_current)
    rank = int(np.searchsorted(loads, curves.check.conditions.load_current[item]))
    return 0.7 + 0.6 * rank / max(len(loads) - 1, 1)


def _name(curves: WorstCurves, item: int) -> str:
    """Name a nominal corner, with its verdict where it is not stable."""
    k, verdict = curves.check.conditions, curves.check.verdicts[item]
    word = "" if verdict.stable else f": {verdict_word(verdict)}"
    return f"{place(float(k.input_voltage[item]), float(k.load_current[item]))}{word}"


def _leading(curves: WorstCurves) -> str:
    """Name the reading whose point is emphasised: what grows fastest, else the smallest phase margin."""
    grows = curves.check.worst.get("largest_multiplier")
    return "largest_multiplier" if grows is not None and grows.value >= 1.0 else "phase_margin_deg"


def _emphasise(curves: WorstCurves, ax: tuple[Axes, Axes], values: tuple[NDArray[np.float64], ...]) -> None:
    """Draw the curve of the worst point in black, with crossover, phase margin and a label."""
    reading, row = _worst(curves, _leading(curves))
    if reading is None or row is None:
        return
    f, gain, phase = curves.frequencies_hz, values[0][row], values[1][row]
    for each, y in zip(ax, (gain, phase), strict=True):
        each.plot(f, y, color="black", linewidth=1.9, zorder=2.5)
    margin = _mark_margin(ax, f, gain, phase)
    words = "stable" if reading.stable else f"UNSTABLE, largest multiplier {reading.value:.4g}"
    if margin is not None:
        words += (
            f", phase margin {margin:.1f}°" if reading.stable else f",\nalthough the phase margin reads {margin:.1f}°"
        )
    colour = shared.INK if reading.stable else shared.ALARM
    ax[1].annotate(
        f"worst: {words}\n{_where(curves, reading)}", (0.015, 0.03), xycoords="axes fraction", fontsize=SMALL,
        va="bottom", color=colour, fontweight="normal" if reading.stable else "bold", bbox=BOX | {"edgecolor": colour},
    )  # fmt: skip


def _mark_margin(
    ax: tuple[Axes, Axes], f: NDArray[np.float64], gain: NDArray[np.float64], phase: NDArray[np.float64]
) -> float | None:
    """Mark the crossover with the smallest phase margin, and return that margin [deg]; None without a crossover."""
    k = np.flatnonzero((gain[:-1] > 0.0) != (gain[1:] > 0.0))
    if not len(k):
        return None
    at = f[k] * (f[k + 1] / f[k]) ** (gain[k] / (gain[k] - gain[k + 1]))
    heights = np.interp(np.log(at), np.log(f), phase)
    margins = (heights + 360.0) % 360.0 - 180.0
    least = int(np.argmin(margins))
    hz, height, margin = float(at[least]), float(heights[least]), float(margins[least])
    ax[0].plot(hz, 0.0, marker="o", markersize=5, color="black", zorder=3)
    ax[1].plot(hz, height, marker="o", markersize=5, color="black", zorder=3)
    ax[1].annotate(
        "", (hz, height), xytext=(hz, height - margin),
        arrowprops={"arrowstyle": "<->", "color": "black", "linewidth": 1.1, "shrinkA": 0, "shrinkB": 0},
    )  # fmt: skip
    return margin


def _where(curves: WorstCurves, reading: WorstReading) -> str:
    """Name a point in a figure: corner, temperature where there are several, and the leading ends."""
    heat = f", {reading.temperature:.3g} °C" if curves.check.examined.temperatures > 1 else ""
    at = place(reading.input_voltage, reading.load_current)
    return f"{at}{heat}{with_ends(reading.ends, reading.leading)}"


def _worst(curves: WorstCurves, name: str) -> tuple[WorstReading | None, int | None]:
    """Worst reading of a kind, and its row among nominal corners and ends."""
    rows = [k for k, names in enumerate(curves.readings) if name in names]
    return curves.check.worst.get(name), len(curves.nominal) + rows[0] if rows else None


def _nearest(curves: WorstCurves, ax: Axes) -> None:
    """Draw the curve that comes nearest to -1 in black, with its distance."""
    reading, T = curves.check.worst.get("modulus_margin"), curves.of("modulus_margin")
    if reading is None or T is None:
        return
    ax.plot(T.real, T.imag, color="black", linewidth=1.9, zorder=2.5)
    near = T[int(np.argmin(np.abs(1.0 + T)))]
    ax.plot([-1.0, near.real], [0.0, near.imag], color="black", linewidth=0.9, linestyle="--", zorder=2.6)
    ax.plot(near.real, near.imag, marker="o", markersize=5, color="black", zorder=3)
    word = "stable" if reading.stable else "UNSTABLE"
    ax.annotate(
        f"nearest: {word}, modulus margin {reading.value:.3g}\n{_where(curves, reading)}", (0.02, 0.985),
        xycoords="axes fraction", fontsize=SMALL, va="top", bbox=BOX,
    )  # fmt: skip


def _labels_beside(ax: Axes, labels: Sequence[tuple[float, str]]) -> None:
    """Write labels to the right of a panel at the ends of curves, none over another, each led to its curve."""
    low, high = ax.get_ylim()
    inch = ax.get_position().height * ax.figure.get_figheight()  # type: ignore[union-attr]
    order = sorted(range(len(labels)), key=lambda k: labels[k][0])
    ends = np.array([np.clip((labels[k][0] - low) / (high - low), 0.0, 1.0) * inch for k in order])
    places = spread_out(ends, LABEL_STEP, inch)
    for k, end, at in zip(order, ends / inch, places / inch, strict=True):
        ax.annotate(
            labels[k][1], (1.0, end), xycoords="axes fraction", xytext=(1.045, at), textcoords="axes fraction",
            fontsize=SMALL, va="center", annotation_clip=False,
            color=shared.ALARM if "UNSTABLE" in labels[k][1] or "NOT HELD" in labels[k][1] else shared.INK,
            arrowprops={"arrowstyle": "-", "color": GREY, "linewidth": 0.5, "shrinkA": 0, "shrinkB": 0},
        )  # fmt: skip


def spread_out(wanted: NDArray[np.float64], step: float, room: float) -> NDArray[np.float64]:
    """Move places apart, as little as need be.

    Parameters
    ----------
    wanted : ndarray (N,)
        Where labels belong, rising [inch].
    step : float
        Least distance of two [inch].
    room : float
        Upper end of what there is; the lower is zero [inch].

    Returns
    -------
    ndarray (N,)
        Rising places at least a step apart (closer only where the room does not hold them) [inch].
    """
    step = min(step, room / max(len(wanted) - 1, 1))
    places = np.array(wanted, float)
    for k in range(1, len(places)):
        places[k] = max(places[k], places[k - 1] + step)
    if len(places):
        places[-1] = min(places[-1], room)
    for k in range(len(places) - 2, -1, -1):
        places[k] = min(places[k], places[k + 1] - step)
    return places


def _told(curves: WorstCurves, name: str) -> str:
    """Say a worst reading and where it is, as an aside of a caption."""
    reading = curves.check.worst.get(name)
    if reading is None:
        return ""
    value = {"phase_margin_deg": f"{reading.value:.1f} deg"}.get(name, f"{reading.value:.4g}")
    return f" ({value} at {_where(curves, reading)})"


def _leading_words(curves: WorstCurves) -> str:
    """Say which point is emphasised."""
    if _leading(curves) == "largest_multiplier":
        return f"the point that is most unstable{_told(curves, 'largest_multiplier')}"
    return f"the point with the smallest phase margin of all{_told(curves, 'phase_margin_deg')}"


def _verdicts(curves: WorstCurves) -> str:
    if curves.check.stable:
        return " Every point examined is stable by its characteristic multipliers; these curves alone do not prove it."
    return " Not every point examined is stable, whatever the curves suggest: see the verdicts."


def _db(values: NDArray[np.complex128]) -> NDArray[np.float64]:
    return 20.0 * np.log10(np.maximum(np.abs(values), 1e-30))


def _beside(phase_deg: NDArray[np.float64], reference_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """Move phase curves by whole turns next to a reference at the lowest frequency."""
    return phase_deg + 360.0 * np.round((reference_deg[..., :1] - phase_deg[..., :1]) / 360.0)
