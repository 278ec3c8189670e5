"""What every frequency plot shares: line styles that do not lean on colour, ticks, limits and legends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.report.basics.sheet import NORMAL, RIGHT, SMALL, SheetHeading, SheetLayout, panels, short
from loopdesign.report.basics.status import verdict_word

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from numpy.typing import NDArray

    from loopdesign.analysis.check import CheckResult

PALETTE = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00", "#000000")
"""Colours that colour-blind readers tell apart (M. Okabe, K. Ito, "Color Universal Design", 2008; from memory)."""
DASHES = ("-", (0, (4, 1.5)), (0, (1.5, 1.2)), (0, (5, 1.5, 1.2, 1.5)), (0, (5, 1.2, 1.2, 1.2, 1.2, 1.2)))
MAGNITUDE_LIMITS = (-80.0, 80.0)
PHASE_LIMITS = (-405.0, 225.0)
MOST_COLUMNS = 3
"""Panels drawn side by side at most; of more the extremes and the ones that matter most are kept."""
FEW_DECADES = 1.5
"""Decades of an axis below which ticks stand at 1, 2 and 5 as well."""
LEAST_SHARE = 1e-3
"""Share of a level that an axis spans at least; a smaller change would be magnified to what it is not."""
HALF = 0.5
INK, FAINT, ALARM = "#222222", "#8c8c8c", "#a40000"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """How one corner is drawn: colour, dashes, and the label that carries its verdict."""

    colour: str
    dashes: str | tuple[int, tuple[float, ...]]
    label: str
    width: float


def stroke(found: CheckResult, item: int, *, held: bool = False) -> Stroke:
    """Choose colour and dashes by the input voltage, and say in the label whether the corner is stable.

    Parameters
    ----------
    found
        The assessment.
    item
        Corner, counted from zero.
    held
        True where the control voltage is held, so that the current loop's verdict is the one to show.

    Returns
    -------
    Stroke
        An unstable corner is drawn wider.
    """
    voltages = np.unique(found.conditions.input_voltage)
    rank = int(np.searchsorted(voltages, found.conditions.input_voltage[item]))
    temperature = found.conditions.temperature
    warm = f", {temperature[item]:.3g} °C" if np.ptp(temperature) > 0.0 else ""
    verdict = found.verdicts[item]
    word, calm = verdict_word(verdict, current_loop=held), verdict.current_loop_stable if held else verdict.stable
    if not held and calm and not verdict.current_loop_stable:
        word = "stable, current loop alone UNSTABLE"
    return Stroke(
        colour=PALETTE[rank % len(PALETTE)],
        dashes=DASHES[rank % len(DASHES)],
        label=f"{found.conditions.input_voltage[item]:.4g} V{warm}: {word}",
        width=1.3 if calm else 2.2,
    )


def drawn_loads(found: CheckResult) -> tuple[float, ...]:
    """Load currents to draw, rising [A]; of many, the extremes, that of the worst corner and one between."""
    every = [float(x) for x in np.unique(found.conditions.load_current)]
    if len(every) <= MOST_COLUMNS:
        return tuple(every)
    worst = float(found.conditions.load_current[worst_corner(found, range(len(found.verdicts)))])
    wanted = [every[0], every[-1], worst, every[len(every) // 2], every[1]]
    return tuple(sorted(list(dict.fromkeys(wanted))[:MOST_COLUMNS]))


def corners_at(found: CheckResult, load_current: float) -> list[int]:
    """Corners of one load current."""
    return [int(i) for i in np.flatnonzero(found.conditions.load_current == load_current)]


def worst_corner(found: CheckResult, items: range | list[int]) -> int:
    """Corner to speak about: the most unstable, else the one with the smallest phase margin."""

    def rank(item: int) -> tuple[float, float]:
        size = found.verdicts[item].largest_multiplier
        margin = found.margins[item].phase_margin_deg if found.margins else None
        return (-size if size >= 1.0 else 0.0, 1e3 if margin is None else margin)

    return min(items, key=rank)


def bare_panels(height: float, *, rows: int = 1, right: float = RIGHT) -> list[Axes]:
    """Make panels below one another with room for one legend, for a plot that is drawn by itself.

    Parameters
    ----------
    height : float
        Height of each panel [inch].
    rows : int
        Number of panels [unitless].
    right : float
        Room to their right [inch].

    Returns
    -------
    list of Axes
        From top to bottom; no global state is touched.
    """
    layout = SheetLayout(rows=rows, columns=1, heights=(height,) * rows, above=0.6, right=right)
    return [row[0] for row in panels(SheetHeading(title=""), layout)[1]]


def frequency_axis(ax: Axes, frequencies_hz: NDArray[np.float64], *, named: bool) -> None:
    """Make the horizontal axis logarithmic with engineering labels; name it on the lowest plot only."""
    from matplotlib.ticker import NullLocator  # noqa: PLC0415

    low, high = float(np.min(frequencies_hz)), float(np.max(frequencies_hz))
    ax.set_xscale("log")
    ax.set_xlim(low, high)
    decades = np.arange(np.floor(np.log10(low)), np.ceil(np.log10(high)) + 1.0)
    few = np.log10(high / low) < FEW_DECADES
    ticks = np.outer(10.0**decades, (1.0, 2.0, 5.0) if few else (1.0,)).ravel()
    _fixed_ticks(ax.xaxis, ticks[(ticks >= low * 0.999) & (ticks <= high * 1.001)])
    ax.xaxis.set_minor_locator(NullLocator())
    between = np.outer(10.0**decades, np.arange(2, 10)).ravel()
    lines_behind(ax, between[(between > low) & (between < high)], x=True)
    ax.grid(visible=True, which="major", color="#cccccc", linewidth=0.6)
    ax.set_axisbelow(True)
    if named:
        ax.set_xlabel("frequency [Hz]", fontsize=NORMAL)


def lines_behind(ax: Axes, places: NDArray[np.float64], *, x: bool) -> None:
    """Draw faint lines of a grid as one object; as many ticks would take most of the time of a figure.

    Parameters
    ----------
    ax : Axes
        The panel.
    places : ndarray (N,)
        Where, in the unit of the axis.
    x : bool
        Whether on the horizontal axis [unitless].
    """
    from matplotlib.patches import PathPatch  # noqa: PLC0415
    from matplotlib.path import Path  # noqa: PLC0415

    if len(places):
        along, across = np.repeat(places, 2), np.tile([0.0, 1.0], len(places))
        path = Path(np.stack((along, across) if x else (across, along), axis=1), np.tile([1, 2], len(places)))
        whole = ax.get_xaxis_transform() if x else ax.get_yaxis_transform()
        ax.add_artist(PathPatch(path, transform=whole, fill=False, edgecolor="#ececec", linewidth=0.4, zorder=0.4))


def impedance_axis(ax: Axes, low: float, high: float) -> None:
    """Make the vertical axis logarithmic with engineering labels, between limits [Ω]."""
    from matplotlib.ticker import NullLocator  # noqa: PLC0415

    ax.set_yscale("log")
    ax.set_ylim(low, high)
    decades = np.arange(np.floor(np.log10(low)), np.ceil(np.log10(high)) + 1.0)
    few = np.log10(high / low) < FEW_DECADES
    ticks = np.outer(10.0**decades, (1.0, 2.0, 5.0) if few else (1.0,)).ravel()
    _fixed_ticks(ax.yaxis, ticks[(ticks >= low * 0.999) & (ticks <= high * 1.001)])
    ax.yaxis.set_minor_locator(NullLocator())


def _fixed_ticks(axis: Axis, places: NDArray[np.float64]) -> None:
    """Put ticks at places, each labelled with its own prefix."""
    from matplotlib.ticker import FixedFormatter, FixedLocator  # noqa: PLC0415

    axis.set_major_locator(FixedLocator(places.tolist()))
    axis.set_major_formatter(FixedFormatter([short(float(v), "Hz").removesuffix("Hz").rstrip() for v in places]))


def level_axis(ax: Axes, values: Sequence[NDArray[np.float64]], least: float) -> None:
    """Give the vertical axis limits around values, and ticks that carry the whole number.

    Parameters
    ----------
    ax : Axes
        The panel.
    values : sequence of ndarray
        All that is drawn in it, in the unit of the axis.
    least : float
        Smallest range that is worth an axis; below it only rounding would be magnified.
    """
    from matplotlib.ticker import MaxNLocator, ScalarFormatter  # noqa: PLC0415

    every = np.concatenate([np.ravel(v) for v in values])
    every = every[np.isfinite(every)]
    low, high = (float(every.min()), float(every.max())) if len(every) else (0.0, 0.0)
    span = max(high - low, least, LEAST_SHARE * max(abs(low), abs(high)))
    middle = 0.5 * (low + high)
    ax.set_ylim(middle - 0.58 * span, middle + 0.58 * span)
    ax.yaxis.set_major_locator(MaxNLocator(5))
    formatter = ScalarFormatter(useOffset=False)
    formatter.set_scientific(False)
    ax.yaxis.set_major_formatter(formatter)
    ax.grid(visible=True, color="#dddddd", linewidth=0.5)
    ax.set_axisbelow(True)


def time_axis(ax: Axes, low: float, high: float, words: str | None) -> None:
    """Give the horizontal axis of time its limits and plain ticks; name it on the lowest plot only.

    Parameters
    ----------
    ax : Axes
        The panel.
    low, high : float
        Ends, in the unit that ``words`` says.
    words : str or None
        Name with its unit.
    """
    from matplotlib.ticker import MaxNLocator, ScalarFormatter  # noqa: PLC0415

    ax.set_xlim(low, high)
    ax.xaxis.set_major_locator(MaxNLocator(5))
    formatter = ScalarFormatter(useOffset=False)
    formatter.set_scientific(False)
    ax.xaxis.set_major_formatter(formatter)
    if words is not None:
        ax.set_xlabel(words, fontsize=NORMAL)


def limit_line(ax: Axes, at: float, text: str) -> None:
    """Mark a limit on the horizontal axis, its label inside the panel wherever the limit lies.

    Parameters
    ----------
    ax : Axes
        The panel, its horizontal limits set.
    at : float
        The limit, in the unit of the axis.
    text : str
        Its label.
    """
    low, high = ax.get_xlim()
    inside = low <= at <= high
    if inside:
        ax.axvline(at, color=FAINT, linewidth=1.0, linestyle=":")
    share = ax.transAxes.inverted().transform(ax.transData.transform((min(max(at, low), high), ax.get_ylim()[0])))[0]
    words = text if inside else f"{text} (beyond this axis)"
    ax.annotate(
        words, (float(np.clip(share, 0.0, 1.0)), 0.02), xycoords="axes fraction",
        xytext=(-4 if share > HALF else 4, 1), textcoords="offset points", fontsize=SMALL, color="#555555",
        va="bottom", ha="right" if share > HALF else "left",
    )  # fmt: skip


def magnitude_limits(*curves_db: NDArray[np.float64]) -> tuple[float, float]:
    """Limits in whole steps of 20 dB, clipped to the useful range."""
    low, high = _span(curves_db, 20.0, MAGNITUDE_LIMITS)
    return low, max(high, low + 40.0)


def phase_limits(*curves_deg: NDArray[np.float64]) -> tuple[float, float]:
    """Limits in whole steps of 45 degrees, clipped to the useful range."""
    low, high = _span(curves_deg, 45.0, PHASE_LIMITS)
    return low, max(high, low + 90.0)


def room_below(curves_deg: NDArray[np.float64]) -> float:
    """Lower limit that leaves room for a line of text below the left part of the curves."""
    left = curves_deg[..., : max(1, int(0.6 * curves_deg.shape[-1]))]
    return float(max(45.0 * np.floor((left.min() - 60.0) / 45.0), PHASE_LIMITS[0]))


def _span(curves: tuple[NDArray[np.float64], ...], step: float, limits: tuple[float, float]) -> tuple[float, float]:
    values = np.concatenate([np.ravel(c) for c in curves])
    values = values[np.isfinite(values)]
    low = step * np.floor((values.min() - 0.05 * step) / step)
    high = step * np.ceil((values.max() + 0.05 * step) / step)
    return float(max(low, limits[0])), float(min(high, limits[1]))


def phase_ticks(ax: Axes) -> None:
    """Put ticks at multiples of 45 degrees, of 90 where that is too many."""
    from matplotlib.ticker import MultipleLocator  # noqa: PLC0415

    low, high = ax.get_ylim()
    ax.yaxis.set_major_locator(MultipleLocator(45.0 if high - low <= 405.0 else 90.0))


def curve(ax: Axes, x: NDArray[np.float64], y: NDArray[np.float64], look: Stroke, label: str | None = None) -> None:
    """Draw one corner's curve in its stroke."""
    ax.plot(x, y, color=look.colour, linestyle=look.dashes, linewidth=look.width, label=label)


def mark_point(ax: Axes, x: float, y: float, look: Stroke) -> None:
    """Mark one point of a corner's curve."""
    ax.plot(x, y, marker="o", markersize=4.5, color=look.colour, markeredgecolor="white")
