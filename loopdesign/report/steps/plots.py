"""Plots of load and line steps. Every function draws results that are there already and returns its figure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.report.basics.status import stable_word
from loopdesign.report.steps.text import KINDS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from loopdesign.analysis.transient.start import StepKind
    from loopdesign.analysis.transient.steps import StepResult, StepStudy

COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7")
"""Hues that colour-blind readers can tell apart (M. Okabe, K. Ito, 2008)."""
LINES = ("-", "--", ":", "-.")
QUIET = 0.03
"""Share of the largest deviation below which nothing more is drawn but as much time again."""


DRAWN = 1200
"""Cycles drawn at most; more make a picture heavier and no clearer."""
SLOW = 60
"""Ratio of the drawn time to the time of the fall from which the time axis is logarithmic."""


def _figure(rows: int, columns: int, *, height: float = 2.1) -> tuple[Figure, Any]:
    from matplotlib.figure import Figure  # noqa: PLC0415

    figure = Figure(figsize=(2.2 + 3.6 * columns, 0.8 + height * rows), layout="constrained")
    return figure, figure.subplots(rows, columns, squeeze=False, sharex="col")


def _title(r: StepResult) -> str:
    if r.input_voltage_to != r.input_voltage:
        return f"{r.input_voltage:.4g} V to {r.input_voltage_to:.4g} V, {r.load_from:.3g} A"
    return f"{r.input_voltage:.4g} V, {r.load_from:.3g} A to {r.load_to:.3g} A"


def _shown(r: StepResult) -> int:
    """Cycles worth drawing: until the departure has died down, and as long again."""
    final = r.run.mean[-1] if r.output_after_v is None else r.output_after_v
    departure = np.abs(r.run.mean - final)
    last = np.flatnonzero(departure > QUIET * departure.max())
    count = len(r.run.mean)
    return count if not len(last) else int(min(count, max(40, 2 * last[-1])))


def _thinned(count: int) -> np.ndarray:
    """Cycles to draw of many: every one at first, ever fewer later; the eye sees no difference."""
    if count <= DRAWN:
        return np.arange(count)
    return np.unique(
        np.concatenate([np.arange(DRAWN // 2), np.geomspace(DRAWN // 2, count - 1, DRAWN // 2).astype(int)])
    )


def _slow(r: StepResult) -> bool:
    """Whether settling takes so much longer than the first deviation that both do not fit on one linear axis."""
    fall = int(np.argmax(np.abs(r.run.mean - r.output_before_v))) + 1
    return _shown(r) > SLOW * fall


def _head(axes: Axes, r: StepResult) -> None:
    word = stable_word(r.stable)
    axes.set_title(f"{_title(r)}: {word}", fontsize="medium", color="black" if r.stable else "#b00000")


def _label(axes: Any) -> None:  # noqa: ANN401 (an object array of axes)
    for row, text in enumerate(("output [V]", "control [V]", "inductor currents [A]")):
        axes[row, 0].set_ylabel(text)
        for ax in axes[row]:
            ax.grid(visible=True, linewidth=0.3)


def _currents(axes: Axes, time: np.ndarray, currents: Mapping[str, np.ndarray]) -> None:
    for k, (name, values) in enumerate(currents.items()):
        axes.plot(time, values, LINES[k % 4], color=COLOURS[k % 4], linewidth=1.1, label=name)
    axes.legend(fontsize="small", loc="best")


def plot_steps(study: StepStudy, kind: StepKind) -> Figure:
    """Draw output, control voltage and inductor currents over time, one column per step of a kind.

    Parameters
    ----------
    study
        The steps.
    kind
        Which of them.

    Returns
    -------
    Figure
        Output as cycle mean with the band its ripple fills; control and currents as they are at each clock.
    """
    from matplotlib.ticker import FormatStrFormatter  # noqa: PLC0415

    found = study.of(kind)
    figure, axes = _figure(3, len(found))
    slow = any(_slow(r) for r in found)
    for column, r in enumerate(found):
        n = _thinned(_shown(r))
        time = r.time_s[n] * 1e3
        clock = n * r.run.period * 1e3 + (time[0] if slow else 0.0)
        top, middle, bottom = axes[:, column]
        top.fill_between(
            time, r.run.lowest[n], r.run.highest[n], color=COLOURS[0], alpha=0.25, linewidth=0.0, label="with ripple"
        )
        top.plot(time, r.run.mean[n], color=COLOURS[0], linewidth=1.2, label="cycle mean")
        final = r.output_after_v if r.output_after_v is not None else float(r.run.mean[-1])
        for edge in (final - study.band_v, final + study.band_v):
            top.axhline(edge, color="0.4", linewidth=0.7, linestyle=":", label=None)
        top.legend(fontsize="small", loc="best")
        _head(top, r)
        middle.plot(clock, r.run.control[n], color=COLOURS[1], linewidth=1.1)
        limited = np.flatnonzero(r.run.limited[n])
        if len(limited):
            middle.plot(clock[limited], r.run.control[n][limited], ".", color="black", markersize=2, label="at a limit")
            middle.legend(fontsize="small", loc="best")
        _currents(bottom, clock, {k: v[n] for k, v in r.run.currents.items()})
        bottom.set_xlabel("time after the step [ms], logarithmic" if slow else "time after the step [ms]")
        if slow:
            bottom.set_xscale("log")
            bottom.xaxis.set_major_formatter(FormatStrFormatter("%g"))
    _label(axes)
    figure.suptitle(f"{KINDS[kind]}; dotted: settling band; currents and control at each clock edge")
    return figure


def plot_zoom(study: StepStudy, kind: StepKind) -> Figure:
    """Draw the waveforms inside the cycles around a step, one column per step of a kind."""
    found = study.of(kind)
    figure, axes = _figure(3, len(found))
    for column, r in enumerate(found):
        time = r.zoom.time_s * 1e6
        top, middle, bottom = axes[:, column]
        top.plot(time, r.zoom.output, color=COLOURS[0], linewidth=1.0)
        middle.plot(time, r.zoom.control, color=COLOURS[1], linewidth=1.0)
        _currents(bottom, time, r.zoom.currents)
        _head(top, r)
        for ax in axes[:, column]:
            ax.axvline(0.0, color="0.4", linewidth=0.8, linestyle="--")
        bottom.set_xlabel("time after the step [µs]")
    _label(axes)
    figure.suptitle(f"{KINDS[kind]}, single cycles; dashed: the step")
    return figure


def plot_growth(study: StepStudy) -> Figure:
    """Draw how small disturbances grow or die, side by side, with the slope that the multiplier asks for."""
    figure, axes = _figure(1, max(1, len(study.growth)), height=3.2)
    for ax, g in zip(axes[0], study.growth, strict=False):
        size = np.abs(g.departure)
        n = np.arange(len(size))
        peaks = np.maximum.accumulate(size[::-1])[::-1] if g.expected.stable else np.maximum.accumulate(size)
        ax.semilogy(n, np.maximum(size, 1e-14), color=COLOURS[0], linewidth=0.9, label="cycle by cycle")
        guide = float(peaks[0]) if g.expected.stable else float(size[: max(8, len(size) // 20)].max())
        ax.semilogy(
            n, guide * abs(g.expected.multiplier) ** n, "--", color=COLOURS[1], linewidth=1.1,
            label=f"multiplier {abs(g.expected.multiplier):.5f}",
        )  # fmt: skip
        ax.set_ylim(max(1e-13, 0.3 * size[size > 0.0].min()), 3.0 * max(size.max(), guide))
        word = "stable" if g.expected.stable else "UNSTABLE"
        ax.set_title(f"{g.input_voltage:.4g} V, {g.load_current:.3g} A: {word}, {g.expected.name}", fontsize="medium")
        ax.set_xlabel("cycles")
        ax.grid(visible=True, linewidth=0.3)
        ax.legend(fontsize="small", loc="best")
    axes[0, 0].set_ylabel("departure of the output [V]")
    return figure


def step_figures(study: StepStudy) -> dict[str, Figure]:
    """Draw every figure of the report's section, by the name of its file without ending."""
    found: dict[str, Figure] = {}
    for kind in KINDS:
        if study.of(kind):
            name = kind.replace(" ", "_")
            found[f"step_{name}"] = plot_steps(study, kind)
            found[f"step_{name}_cycles"] = plot_zoom(study, kind)
    if study.growth:
        found["disturbance"] = plot_growth(study)
    return found
