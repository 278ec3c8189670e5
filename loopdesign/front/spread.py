"""``spread``: how often the converter fails in production, and which part is to blame."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.analysis.given import require_slope, with_parts
from loopdesign.analysis.spread import sample
from loopdesign.analysis.spread.envelope import envelope
from loopdesign.analysis.spread.sample import READINGS, SpreadResult
from loopdesign.errors import DataError
from loopdesign.front.case import as_case
from loopdesign.front.shown import Shown, one_line, shown_as
from loopdesign.report.basics.brief import Brief
from loopdesign.report.loop.terminal import parts_text
from loopdesign.report.spread.text import bounds_table, spread_headline, spread_sentences

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from concurrent.futures import Executor

    from matplotlib.figure import Figure

    from loopdesign.front.case import CaseOrPath


CONDITIONS = ("input_voltage", "load_current", "temperature")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Spread(Shown, SpreadResult):
    """Hold samples of a case over its tolerances, each examined at every input voltage, load and temperature.

    Attributes
    ----------
    crossover_hz, phase_margin_deg, gain_margin_db, modulus_margin : ndarray (N, C)
        Readings of every sample at every condition, NaN where there is none [Hz], [deg], [dB], [unitless].
    largest_multiplier, stable : ndarray (N, C)
        Verdict of every sample at every condition [unitless].
    unstable, off_target : Share
        Share of the samples that are unstable somewhere, or miss a target somewhere [unitless].
    conditions, varied, places, limits, worst_sample, ranking, nominal, extremes
        What `loopdesign.analysis.spread.sample.SpreadResult` holds.

    Examples
    --------
    >>> import loopdesign as ld
    >>> sampled = ld.spread("cases/tide_gauge_sepic_undamped.toml", samples=32, seed=1)
    >>> sampled.phase_margin_deg.shape
    (32, 6)
    >>> sampled.unstable.count > 0  # undamped, at low line
    True
    """

    def to_rows(self) -> list[dict[str, Any]]:
        """Turn the samples into one row per sample and condition, ready for a data frame.

        Returns
        -------
        list of dict
            Number of the sample, condition, verdict and readings, and for every varied value, such as
            ``Co.capacitance``, its factor on nominal [unitless].
        """
        every = np.arange(self.samples)
        rows: list[dict[str, Any]] = []
        for c in range(len(self.conditions)):
            columns: dict[str, list[Any]] = {
                "sample": every.tolist(),
                **{name: [float(getattr(self.conditions, name)[c])] * self.samples for name in CONDITIONS},
                "stable": self.stable[:, c].tolist(),
                "largest_multiplier": self.largest_multiplier[:, c].tolist(),
            }
            for name in READINGS:
                values = getattr(self, name)[:, c]
                columns[name] = [v if math.isfinite(v) else None for v in values.tolist()]
            factors = self.sample_corners_of(every, c).factors
            columns |= {name: np.broadcast_to(f, self.samples).tolist() for name, f in factors.items()}
            rows += [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]
        return rows

    def brief(self) -> Brief:
        """Say how many samples fail, then worst figures by four routes, then what moves the margin."""
        ranked = ", ".join(f"{r.name} {100.0 * r.share:.3g} %" for r in self.ranking[:3])
        blamed = (f"what moves the phase margin most, share of its variance: {ranked}",) if ranked else ()
        title = f"{one_line(self.case.title)} ({self.case.converter.topology}), parts: {parts_text(self.parts)}"
        return Brief(
            verdict=spread_headline(self),
            facts=(title, *spread_sentences(self)),
            table=bounds_table(self),
            notes=blamed,
        )

    def plot(self) -> Figure:
        """Draw histograms of the readings over all samples, each with its limit.

        Returns
        -------
        matplotlib.figure.Figure
            Number of samples over crossover [Hz], phase margin [deg], gain margin [dB] and modulus margin [unitless].
        """
        from loopdesign.report.spread.plots import histogram_figure  # noqa: PLC0415  (loads matplotlib)

        return histogram_figure(self)

    def plot_envelope(self) -> Figure:
        """Draw the band that the loop gains of the samples fill at the condition with the least phase margin.

        Returns
        -------
        matplotlib.figure.Figure
            Magnitude [dB] above phase [deg] over frequency [Hz].
        """
        from loopdesign.report.spread.plots import envelope_figure  # noqa: PLC0415  (loads matplotlib)

        return envelope_figure(self, envelope(self, self.ranked_condition))


def spread(
    case: CaseOrPath,
    parts: Mapping[str, float | str] | None = None,
    *,
    samples: int = 10_000,
    seed: int = 1,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Spread:
    """Sample every toleranced value of a case and examine each sample at every condition.

    Parameters
    ----------
    case : Case, str or Path
        The case, or the path of its file, with the whole loop.
    parts : mapping of str to float or str, optional
        Values in place of the case's own, by designator [ohm], [F].
    samples : int
        Number of samples, at least 1 [unitless].
    seed : int
        The same seed gives the same samples, whatever the executor; not negative [unitless].
    executor : concurrent.futures.Executor, optional
        Who does the work; threads, one per processor, unless given.
    progress : callable, optional
        Called with the items done and in all.

    Returns
    -------
    Spread
        Every reading of every sample, with shares, ranking and extremes.

    Raises
    ------
    CaseError
        Where a case file holds faults.
    DataError
        Where the case leaves parts open, or a number makes no sense.
    UnreachableOutputError
        Where losses keep the output below its target with nominal parts.

    Examples
    --------
    >>> import loopdesign as ld
    >>> case = ld.load_case("cases/wave_buoy_coupled_sepic.toml")
    >>> sampled = ld.spread(case, {"R1": "10 kohm", "C1": "22 nF", "C2": "none"}, samples=16)
    >>> len(sampled.to_rows()) == 16 * len(sampled.conditions)
    True
    """
    given = with_parts(as_case(case), parts)
    require_slope(given)
    for name, value, least in (("samples", samples, 1), ("seed", seed, 0)):
        if not isinstance(value, int) or isinstance(value, bool) or value < least:
            raise DataError(f"{name} must be a whole number of at least {least}; found {value!r}")
    return shown_as(Spread, sample.spread(given, samples, seed, executor, progress))
