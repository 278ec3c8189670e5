"""Plots of a spread: histograms of the readings, and the loop gain as a band. Nothing but counts is computed here."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.report.basics import axes as shared
from loopdesign.report.basics.sheet import NORMAL, SMALL, SheetLayout, heading, panels, place
from loopdesign.report.spread.text import failing_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from loopdesign.analysis.spread.envelope import Envelope
    from loopdesign.analysis.spread.sample import SpreadResult

BINS = 48
HALF = 0.5
EMPTY = 1.5
"""Where the axis of a reading that no sample has ends, beginning at zero [times the limit]."""
READINGS = (
    ("crossover_hz", "highest crossover of each sample [kHz]", "crossover_limit", True, 1e-3),
    ("phase_margin_deg", "smallest phase margin of each sample [deg]", "phase_margin", False, 1.0),
    ("gain_margin_db", "smallest gain margin of each sample [dB]", "gain_margin", False, 1.0),
    ("modulus_margin", "smallest modulus margin of each sample", "modulus_margin", False, 1.0),
)


def worst_per_sample(found: SpreadResult, name: str, *, high_is_bad: bool) -> NDArray[np.float64]:
    """Worst finite reading (n,) of every sample that has one, over the conditions; those not stable left out."""
    values = getattr(found, name)[found.stable.all(axis=1)]
    filled = np.where(np.isfinite(values), values, -np.inf if high_is_bad else np.inf)
    worst = filled.max(axis=1) if high_is_bad else filled.min(axis=1)
    return worst[np.isfinite(worst)]


def plot_histogram(found: SpreadResult, index: int, *, ax: Axes | None = None) -> Axes:
    """Draw the distribution of one reading over the samples, worst condition each, with its limit.

    Parameters
    ----------
    found
        Samples.
    index
        Which of `READINGS`.
    ax
        Where to draw; a figure of its own where absent.

    Returns
    -------
    Axes
        What was drawn on. Samples unstable or not held have no margins and are counted in the title only.
    """
    name, words, limit_name, high, scale = READINGS[index]
    ax = shared.bare_panels(2.4)[0] if ax is None else ax
    values = worst_per_sample(found, name, high_is_bad=high) * scale
    limit = found.limit(limit_name) * scale
    if len(values):
        counts, edges = np.histogram(values, bins=_edges(values, limit))
        middle = 0.5 * (edges[1:] + edges[:-1])
        bars = ax.bar(middle, counts, width=np.diff(edges), color=shared.PALETTE[0], alpha=0.85)
        for at, bar in zip(middle, bars.patches, strict=True):
            if (at > limit) if high else (at < limit):
                bar.set_facecolor(shared.PALETTE[1])
                bar.set_hatch("///")
    else:
        ax.text(
            0.5, 0.5, "no sample has this reading", ha="center", va="center", transform=ax.transAxes,
            bbox={"facecolor": "white", "edgecolor": "none"},
        )  # fmt: skip
    every = np.append(values, limit) if len(values) else np.array([0.0, limit, EMPTY * limit])
    span = max(float(np.ptp(every)), 1e-3 * abs(limit))
    shared.time_axis(ax, float(every.min()) - 0.06 * span, float(every.max()) + 0.06 * span, words)
    ax.axvline(limit, color=shared.INK, linewidth=1.3, linestyle="--")
    low, wide = ax.get_xlim()[0], float(np.ptp(ax.get_xlim()))
    left = limit - low > HALF * wide  # the side of the line with more room
    ax.annotate(
        f"{'at most' if high else 'at least'} {limit:.4g}", xy=(limit, 0.97), xycoords=("data", "axes fraction"),
        xytext=(-4 if left else 4, 0), textcoords="offset points", fontsize=SMALL, va="top",
        ha="right" if left else "left", color=shared.INK,
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1.0},
    )  # fmt: skip
    ax.set_ylabel("samples", fontsize=NORMAL)
    ax.margins(y=0.12)
    _whole_counts(ax, some=bool(len(values)))
    ax.grid(visible=True, axis="y", color="#dddddd", linewidth=0.6)
    ax.set_axisbelow(True)
    return ax


def _whole_counts(ax: Axes, *, some: bool) -> None:
    """Count samples at whole numbers; at none where there are no samples."""
    from matplotlib.ticker import MaxNLocator, NullLocator  # noqa: PLC0415

    ax.yaxis.set_major_locator(MaxNLocator(nbins=5, integer=True) if some else NullLocator())


def _edges(values: NDArray[np.float64], limit: float) -> NDArray[np.float64]:
    """Edges of the bars, the limit among them, so that no bar stands on both sides of it."""
    low, high = float(values.min()), float(values.max())
    bars = min(BINS, int(np.ceil(2.0 * len(values) ** (1.0 / 3.0))))  # twice the cube root: common practice
    width = max((high - low) / bars, 1e-6 * max(abs(low), abs(high), 1e-12))
    first, last = np.floor((low - limit) / width), np.floor((high - limit) / width) + 1
    return np.asarray(limit + width * np.arange(first, last + 1))


def histogram_figure(found: SpreadResult) -> Figure:
    """Draw all four readings; the title carries the verdict."""
    u, o = found.unstable, found.off_target
    verdict = "all stable" if not u.count else f"{u.count} {failing_words(found).upper()} (left out below)"
    title = f"{found.samples} samples at {len(found.conditions)} conditions: {verdict}, {o.count} off target"
    layout = SheetLayout(rows=2, columns=2, heights=(1.9, 1.9), gap=0.62, row_gap=0.5)
    figure, grid = panels(heading(found.case, title, covers=_covers(found)), layout, share_x=False, share_y=False)
    for index, ax in enumerate(grid.ravel()):
        plot_histogram(found, index, ax=ax)
    return figure


def histogram_caption(found: SpreadResult) -> str:
    """Say what to see in the histograms."""
    return (
        f"The worst of each reading over all conditions, for each of {found.samples} samples drawn from the "
        "tolerances. To see: the share beyond the limits (dashed), hatched. A sample says what is likely, not what "
        "is possible: the worst ends are examined apart. Samples unstable or not held somewhere have no margins; they "
        "are left out here and counted in the title."
    )


def _covers(found: SpreadResult) -> str:
    """Say what a spread covers: samples of the tolerances, and the seed that repeats them."""
    return f"samples of the tolerances, seed {found.seed}"


def plot_envelope(band: Envelope, *, ax: tuple[Axes, Axes] | None = None) -> tuple[Axes, Axes]:
    """Draw the loop gain of the samples as bands: all of them pale, the middle nine tenths darker, the median a line.

    Parameters
    ----------
    band
        Quantiles of magnitude and phase.
    ax
        Axes of magnitude and phase; a figure of its own where absent.

    Returns
    -------
    tuple of Axes
        What was drawn on.
    """
    if ax is None:
        upper, lower = shared.bare_panels(2.5, rows=2)
        ax = (upper, lower)
    for axis, rows, words in ((ax[0], band.magnitude_db, "magnitude [dB]"), (ax[1], band.phase_deg, "phase [deg]")):
        f = band.frequencies_hz
        axis.fill_between(f, rows[0], rows[4], color=shared.PALETTE[0], alpha=0.22, linewidth=0, label="all samples")
        axis.fill_between(f, rows[1], rows[3], color=shared.PALETTE[0], alpha=0.40, linewidth=0, label="90 % of them")
        axis.plot(f, rows[2], color=shared.INK, linewidth=1.4, label="median")
        shared.frequency_axis(axis, f, named=axis is ax[1])
        axis.set_ylabel(words, fontsize=NORMAL)
    ax[0].axhline(0.0, color=shared.FAINT, linewidth=1.0)
    ax[1].axhline(-180.0, color=shared.ALARM, linewidth=1.0, linestyle="--")
    ax[0].set_ylim(*shared.magnitude_limits(band.magnitude_db))
    ax[1].set_ylim(*shared.phase_limits(band.phase_deg))
    shared.phase_ticks(ax[1])
    ax[0].legend(
        loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3, fontsize=SMALL, frameon=False, borderaxespad=0.1
    )
    return ax


def envelope_figure(found: SpreadResult, band: Envelope) -> Figure:
    """Draw the band of one condition, its verdict in the title."""
    c = band.condition
    counts = {"UNSTABLE": band.unstable, "NOT HELD": band.samples - band.stable - band.unstable}
    word = ", ".join(f"{count} {what}" for what, count in counts.items() if count) or "all stable"
    at = place(float(found.conditions.input_voltage[c]), float(found.conditions.load_current[c]))
    title = f"Loop gain of {band.samples} samples at {at}: {word}"
    layout = SheetLayout(rows=2, columns=1, heights=(2.4, 2.4), above=0.25)
    figure, grid = panels(heading(found.case, title, covers=_covers(found)), layout)
    plot_envelope(band, ax=(grid[0, 0], grid[1, 0]))
    return figure


def envelope_caption(found: SpreadResult, band: Envelope) -> str:
    """Say what to see in the band of the loop gain."""
    c = band.condition
    at = place(float(found.conditions.input_voltage[c]), float(found.conditions.load_current[c]))
    return (
        f"Loop gain by injection of {band.samples} samples at {at}: the middle nine tenths (darker), all of them "
        "(paler), and the median. To see: how wide the band is at crossover, and how near its phase comes to -180 "
        "degrees. The bands are of magnitude and phase one by one; a single sample does not follow an edge of them."
    )
