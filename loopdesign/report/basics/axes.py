"""What every frequency plot shares: line styles that do not lean on colour, ticks, limits and legends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.report.basics.status import stable_word

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from loopdesign.analysis.check import CheckResult

PALETTE = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00", "#000000")
"""Colours that colour-blind readers tell apart (M. Okabe, K. Ito, "Color Universal Design", 2008; from memory)."""
DASHES = ("-", (0, (4, 1.5)), (0, (1.5, 1.2)), (0, (5, 1.5, 1.2, 1.5)), (0, (5, 1.2, 1.2, 1.2, 1.2, 1.2)))
MAGNITUDE_LIMITS = (-80.0, 80.0)
PHASE_LIMITS = (-405.0, 225.0)
MOST_COLUMNS = 4
"""Load currents drawn side by side at most; of more the extremes and the ones that matter most are kept."""
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
    calm = verdict.current_loop_stable if held else verdict.stable
    word = stable_word(calm)
    if calm and not verdict.current_loop_stable:
        word = "stable, current loop alone UNSTABLE"
    return Stroke(
        colour=PALETTE[rank % len(PALETTE)],
        dashes=DASHES[rank % len(DASHES)],
        label=f"{found.conditions.input_voltage[item]:.4g} V{warm}: {word}",
        width=1.5 if calm else 2.3,
    )


def loads(found: CheckResult) -> tuple[float, ...]:
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


def bare_figure(width: float, height: float) -> Figure:
    """Make an empty figure with a canvas of its own; no global state is touched."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg  # noqa: PLC0415  (a third of a second to import)
    from matplotlib.figure import Figure  # noqa: PLC0415

    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def frequency_axis(ax: Axes, frequencies_hz: NDArray[np.float64], *, named: bool) -> None:
    """Make the horizontal axis logarithmic with engineering labels; name it on the lowest plot only."""
    from matplotlib.ticker import EngFormatter, LogLocator, NullFormatter  # noqa: PLC0415

    ax.set_xscale("log")
    ax.set_xlim(float(np.min(frequencies_hz)), float(np.max(frequencies_hz)))
    ax.xaxis.set_major_locator(LogLocator(base=10.0, numticks=12))
    ax.xaxis.set_minor_locator(LogLocator(base=10.0, subs=tuple(range(2, 10)), numticks=12))
    ax.xaxis.set_major_formatter(EngFormatter(sep=" "))
    ax.xaxis.set_minor_formatter(NullFormatter())
    ax.grid(visible=True, which="major", color="#cccccc", linewidth=0.6)
    ax.grid(visible=True, which="minor", axis="x", color="#ececec", linewidth=0.4)
    ax.set_axisbelow(True)
    if named:
        ax.set_xlabel("frequency [Hz]")


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


def legend_above(ax: Axes, title: str) -> None:
    """Put the legend above the axes, where it covers no curve."""
    labels = ax.get_legend_handles_labels()[1]
    columns = 3 if max(map(len, labels)) <= 18 and len(labels) != 4 else 2
    box = ax.legend(
        loc="lower center", bbox_to_anchor=(0.5, 1.01), ncols=columns, fontsize=8, title=title, title_fontsize=9.5,
        frameon=False, handlelength=3.2, columnspacing=1.5, borderaxespad=0.2,
    )  # fmt: skip
    for text in box.get_texts():
        if "UNSTABLE" in text.get_text():
            text.set(color=ALARM, fontweight="bold")
