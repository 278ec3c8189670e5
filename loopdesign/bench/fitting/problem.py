"""Residuals and derivatives of all measured files over one set of parts, each file at its own operating point."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.bench.compare import thinned
from loopdesign.bench.fitting.scatter import scatter_at_first, scatter_of_residuals
from loopdesign.bench.keys import DELAY
from loopdesign.bench.predict import Kept, predictions
from loopdesign.errors import CircuitError, NumericalError, UnreachableOutputError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopdesign.bench.keys import FitKey
    from loopdesign.bench.predict import MeasuredSetting

    Real = NDArray[np.float64]
    Complex = NDArray[np.complex128]

WIDEST = 30.0
"""A fitted value stays within this factor of the nominal one."""
STEP = 1e-4
"""Step of the central differences, as a share of a value, or of a delay in periods."""
MOST_FITTED = 400
"""Points of a file that a fit uses; of more, neighbours are averaged."""
LARGEST_DELAY = 0.3
"""Largest delay of a fit, as a share of the period."""
TIGHTEST_COUPLING = 0.9999
NOWHERE = 1e6
"""Residual where the model has no operating point [unitless]."""
WILD = 4.0
"""Scatters beyond which a point counts less, as in Huber's estimate of location (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredSweep:
    """One measured file, ready to be fitted.

    Attributes
    ----------
    setting : MeasuredSetting
        What was measured, and where.
    hz : ndarray (F,)
        Rising frequencies [Hz].
    measured : ndarray (F,)
        Measured values [unitless] or [ohm].
    scatter : ndarray (F,)
        Standard deviation of ``ln|.|`` as real and of the angle [rad] as imaginary part.
    kept : dict
        Nominal operating points, derived once.
    """

    setting: MeasuredSetting
    hz: Real
    measured: Complex
    scatter: Complex
    kept: Kept = field(default_factory=dict)


def sweep_of(setting: MeasuredSetting, hz: Real, measured: Complex, reference: Complex) -> MeasuredSweep:
    """Prepare one file for a fit.

    Parameters
    ----------
    setting : MeasuredSetting
        What was measured, and where.
    hz : ndarray (F,)
        Rising frequencies [Hz].
    measured, reference : ndarray (F,)
        Measured values, and those predicted with nominal parts [unitless] or [ohm].

    Returns
    -------
    MeasuredSweep
        Of many points, neighbours averaged.
    """
    few, measured, reference = thinned(hz, measured, reference, MOST_FITTED)
    return MeasuredSweep(setting=setting, hz=few, measured=measured, scatter=scatter_at_first(measured, reference))


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """All files, and the values that a fit moves.

    Attributes
    ----------
    sweeps : tuple of MeasuredSweep
        The files.
    keys : sequence of FitKey
        The values (P).
    """

    sweeps: tuple[MeasuredSweep, ...]
    keys: Sequence[FitKey]

    @property
    def count(self) -> int:
        """How many residuals there are."""
        return 2 * sum(len(s.hz) for s in self.sweeps)

    def values(self, places: Real) -> Real:
        """Turn places (B, P), zero at nominal, into values in SI units."""
        period = 1.0 / self.sweeps[0].setting.case.converter.switching_frequency
        columns = [
            key.nominal * np.exp(places[:, k]) if key.nominal > 0.0 else places[:, k] * period
            for k, key in enumerate(self.keys)
        ]
        return np.stack(columns, axis=1) if columns else np.empty((len(places), 0))

    def start(self) -> Real:
        """Return the nominal place (P,); a delay that the case leaves out begins just above none."""
        return np.array([0.0 if key.nominal > 0.0 else 2.0 * STEP for key in self.keys])

    def ends(self) -> tuple[Real, Real]:
        """Return the lowest and the highest place (P,) that physics and sense allow."""
        clock = self.sweeps[0].setting.case.converter.switching_frequency
        low, high = [], []
        for key in self.keys:
            if key.nominal <= 0.0:
                low.append(2.0 * STEP)
                high.append(LARGEST_DELAY)
                continue
            low.append(-np.log(WIDEST))
            top = float(np.log(WIDEST))
            if key.key == "stage.coupling":
                top = float(np.log(TIGHTEST_COUPLING / key.nominal))
            if key.key == DELAY:
                top = float(np.log(LARGEST_DELAY / (key.nominal * clock)))
            high.append(max(top, 2.0 * STEP))
        return np.array(low), np.array(high)

    def away(self, places: Real) -> Complex:
        """Respond at places (B, P): ``ln|measured/predicted|`` and the angle [rad] of every point (B, F)."""
        values = self.values(places)
        return np.concatenate([self._away(s, values) for s in self.sweeps], axis=1)

    def _away(self, sweep: MeasuredSweep, values: Real) -> Complex:
        """Respond in one file (B, F); not a number where the model has no operating point."""
        try:
            rows = predictions(sweep.setting, sweep.hz, self.keys, values, sweep.kept)
        except (CircuitError, NumericalError, UnreachableOutputError):
            if len(values) == 1:
                return np.full((1, len(sweep.hz)), complex(np.nan, np.nan))
            half = len(values) // 2
            return np.concatenate([self._away(sweep, values[:half]), self._away(sweep, values[half:])])
        ratio = sweep.measured / rows
        return np.asarray(np.log(np.abs(ratio)) + 1j * np.angle(ratio))

    def weighted(self, away: Complex) -> Real:
        """Put differences (B, F) over the scatter of each point (B, 2F)."""
        scatter = np.concatenate([s.scatter for s in self.sweeps])
        rows = np.concatenate([away.real / scatter.real, away.imag / scatter.imag], axis=1)
        return np.where(np.isfinite(rows), rows, NOWHERE)

    def around(self, place: Real) -> Real:
        """List a place and those beside it along every axis (2P+1, P)."""
        steps = STEP * np.eye(len(place))
        return place + np.concatenate([np.zeros((1, len(place))), steps, -steps])

    def slopes(self, rows: Real) -> tuple[Real, Real]:
        """Turn the residuals of `around` into those of the place (2F,) and their derivatives (2F, P)."""
        count = len(rows) // 2
        return rows[0], (rows[1 : count + 1] - rows[count + 1 :]).T / (2.0 * STEP)

    def linear(self, place: Real) -> tuple[Real, Real]:
        """Return residuals (2F,) and derivatives (2F, P) at a place, one call of the engine for each file."""
        return self.slopes(self.weighted(self.away(self.around(place))))

    def rescaled(self, place: Real, free: int) -> Problem:
        """Take the scatter from what is left at a place, with so many values free."""
        sweeps = []
        for sweep in self.sweeps:
            away = self._away(sweep, self.values(place[None]))[0]
            if not np.isfinite(away).all():
                return self
            share = free * len(sweep.hz) / (self.count / 2.0)
            sweeps.append(replace(sweep, scatter=scatter_of_residuals(away, 0.5 * share)))
        return replace(self, sweeps=tuple(sweeps))


def tamed(residuals: Real) -> Real:
    """Return the square roots of the weights (2F,) by which wild points count less.

    Parameters
    ----------
    residuals : ndarray (2F,)
        In units of the scatter [unitless].

    Returns
    -------
    ndarray (2F,)
        One up to `WILD` scatters, falling beyond [unitless].
    """
    return np.sqrt(np.minimum(1.0, WILD / np.maximum(np.abs(residuals), 1e-9)))
