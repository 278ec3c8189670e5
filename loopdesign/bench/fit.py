"""Parts refined until the exact model meets the measurement, with their 95 % intervals and what the data cannot tell.

Least squares of ``ln|measured/predicted|`` and its angle, each over the scatter that the points themselves show, in the
logarithm of every value, which keeps it positive and makes shares of all sizes alike. The derivatives are central
differences, all of them and the residuals one call of the engine. With J their matrix at the end and s2 the mean square
of the residuals, not below the one that the scatter explains, the covariance of the logarithms is ``s2 inv(J'J)``
(common practice).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.bench.compare import Deviation, deviation, scatter_of, thinned
from loopdesign.bench.keys import DELAY
from loopdesign.bench.predict import predictions
from loopdesign.errors import CircuitError, DataError, NumericalError, UnreachableOutputError

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
"""Step of the central differences, as a share of a value."""
MOST_FITTED = 400
"""Points a fit uses; of more, neighbours are averaged."""
FINEST_DB, FINEST_DEG = 0.02, 0.1
"""Least scatter of gain and phase assumed: what a good analyser promises (common practice)."""
UNSEEN = 0.7
"""Half width of the 95 % interval in ln(value), every other part known, from which on the data do not see a part."""
TIED = 0.95
"""Correlation above which two parts are listed as a pair that the data hardly part."""
LARGEST_DELAY = 0.3
"""Largest delay of a fit, as a share of the period."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedPart:
    """One value that a fit has moved.

    Attributes
    ----------
    nominal, value : float
        Before and after, in SI units.
    low, high : float
        Ends of the interval that encloses the true value with 95 % probability.
    seen : bool
        Whether the data tell of it; where not, the value is the nominal one.
    """

    nominal: float
    value: float
    low: float
    high: float
    seen: bool

    def to_dict(self) -> dict[str, Any]:
        """Turn it into plain values, ready for JSON."""
        return {
            "nominal": self.nominal, "value": self.value, "low": self.low, "high": self.high, "seen": self.seen,
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """What a fit found.

    Attributes
    ----------
    parts : mapping of str to FittedPart
        By dotted key.
    correlated : tuple of tuple of str
        Pairs of keys that move the response nearly alike.
    difference : Deviation
        Measured against the model with the fitted values.
    """

    parts: dict[str, FittedPart]
    correlated: tuple[tuple[str, str], ...]
    difference: Deviation

    def to_dict(self) -> dict[str, Any]:
        """Turn it into plain values, ready for JSON."""
        return {
            "parts": {key: part.to_dict() for key, part in self.parts.items()},
            "correlated": [list(pair) for pair in self.correlated],
            "difference": self.difference.to_dict(),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class _Problem:
    """Residuals and derivatives of a fit; the last call of the engine is kept, for both are asked for in turn."""

    setting: MeasuredSetting
    hz: Real
    measured: Complex
    keys: Sequence[FitKey]
    weight: complex
    kept: dict[bytes, Complex] = field(default_factory=dict)

    def values(self, places: Real) -> Real:
        """Turn places (B, P), zero at nominal, into values in SI units."""
        return np.stack([_value(key, places[:, k], self.setting) for k, key in enumerate(self.keys)], axis=1)

    def curves(self, place: Real) -> Complex:
        """Respond at a place and beside it along every axis (2P+1, F), one call of the engine."""
        at = place.tobytes()
        if at not in self.kept:
            steps = np.concatenate([np.zeros((1, len(place))), STEP * np.eye(len(place)), -STEP * np.eye(len(place))])
            rows = predictions(self.setting, self.hz, self.keys, self.values(place + steps))
            self.kept.clear()
            self.kept[at] = rows
        return self.kept[at]

    def residuals(self, place: Real) -> Real:
        """Weighted differences (2F,); where the model has no operating point they are very large instead."""
        try:
            ratio = self.measured / self.curves(place)[0]
        except (CircuitError, NumericalError, UnreachableOutputError):
            return np.full(2 * len(self.hz), 1e6)
        return np.concatenate([np.log(np.abs(ratio)) / self.weight.real, np.angle(ratio) / self.weight.imag])

    def derivatives(self, place: Real) -> Real:
        """Return the derivatives (2F, P) of the residuals by the places."""
        rows, count = self.curves(place), len(place)
        turn = rows[1 : count + 1] / rows[count + 1 :]
        slope = (np.log(np.abs(turn)) + 1j * np.angle(turn)) / (2.0 * STEP)
        return -np.concatenate([slope.real / self.weight.real, slope.imag / self.weight.imag], axis=1).T


def fit_parts(setting: MeasuredSetting, hz: Real, measured: Complex, reference: Complex, keys: Sequence[FitKey]) -> Fit:
    """Refine values of the case until the model meets the measurement.

    Parameters
    ----------
    setting : MeasuredSetting
        What was measured, and where.
    hz : ndarray (F,)
        Rising frequencies [Hz].
    measured, reference : ndarray (F,)
        Measured values, and those predicted with nominal parts [unitless] or [ohm].
    keys : sequence of FitKey
        The values to move.

    Returns
    -------
    Fit
        Values with their intervals.

    Raises
    ------
    DataError
        Where there are fewer points than the values need.
    """
    if 2 * len(hz) < 3 * len(keys):
        raise DataError(f"fit: {len(hz)} points are too few for {len(keys)} values")
    few, measured_few, reference_few = thinned(hz, measured, reference, MOST_FITTED)
    problem = _Problem(
        setting=setting, hz=few, measured=measured_few, keys=keys, weight=_weight(measured_few, reference_few)
    )
    place = np.array([0.0 if key.nominal > 0.0 else 0.05 for key in keys])
    seen = np.ones(len(keys), bool)
    for _ in range(2):  # the scatter is known better once the model is near
        place = _settled(problem, place, seen)
        problem = replace(problem, weight=_weight(measured_few, problem.curves(place)[0]))
        seen = _seen(problem, place)
        place = np.where(seen, place, [0.0 if key.nominal > 0.0 else 2.0 * STEP for key in keys])
    if seen.any():
        place = _settled(problem, place, seen)
    return _fit(problem, place, seen, hz, measured)


def _weight(measured: Complex, reference: Complex) -> complex:
    """Scatter of ln|.| as real and of the angle [rad] as imaginary part of one number."""
    db, deg = scatter_of(measured, reference)
    return complex(max(db, FINEST_DB) * np.log(10.0) / 20.0, np.radians(max(deg, FINEST_DEG)))


def _value(key: FitKey, place: Real, setting: MeasuredSetting) -> Real:
    """Turn a place into a value: by its logarithm, or in periods where the nominal value is zero."""
    if key.nominal > 0.0:
        return np.asarray(key.nominal * np.exp(place))
    return place / setting.case.converter.switching_frequency


def _ends(problem: _Problem) -> tuple[Real, Real]:
    """Bounds of every place."""
    low, high = [], []
    for key in problem.keys:
        if key.nominal <= 0.0:
            low.append(2.0 * STEP)
            high.append(LARGEST_DELAY)
            continue
        low.append(-np.log(WIDEST))
        top = float(np.log(WIDEST))
        if key.key == "stage.coupling":
            top = float(np.log(0.9999 / key.nominal))
        if key.key == DELAY:
            top = float(np.log(LARGEST_DELAY / (key.nominal * problem.setting.case.converter.switching_frequency)))
        high.append(max(top, 2.0 * STEP))
    return np.array(low), np.array(high)


def _settled(problem: _Problem, place: Real, free: NDArray[np.bool_]) -> Real:
    """Run the least squares over the free places from a beginning."""
    from scipy.optimize import least_squares  # noqa: PLC0415  (only a fit needs it)

    low, high = (end[free] for end in _ends(problem))

    def whole(some: Real) -> Real:
        full = place.copy()
        full[free] = some
        return full

    found = least_squares(
        lambda some: problem.residuals(whole(some)),
        np.clip(place[free], low + 1e-9, high - 1e-9),
        jac=lambda some: problem.derivatives(whole(some))[:, free],
        bounds=(low, high), x_scale="jac", xtol=1e-10, ftol=1e-10, gtol=1e-10, max_nfev=60,
    )  # fmt: skip
    return whole(found.x)


def _spread_of(problem: _Problem, place: Real) -> float:
    """Root of the mean square of the residuals per degree of freedom, not below one."""
    residuals = problem.residuals(place)
    return float(np.sqrt(max(1.0, float(np.sum(residuals**2)) / (len(residuals) - len(place)))))


def _student(problem: _Problem) -> float:
    """Half width of a 95 % interval in standard deviations, by Student's distribution."""
    from scipy.special import stdtrit  # noqa: PLC0415  (only a fit needs it)

    return float(stdtrit(2 * len(problem.hz) - len(problem.keys), 0.975))


def _alone(problem: _Problem, place: Real) -> Real:
    """Half width (P,) of every part's interval were all others known; infinite where it moves nothing."""
    size = np.sqrt((problem.derivatives(place) ** 2).sum(axis=0))
    return np.asarray(_student(problem) * _spread_of(problem, place) / np.maximum(size, 1e-300))


def _seen(problem: _Problem, place: Real) -> NDArray[np.bool_]:
    """Whether the data tell of each value; of a delay that the case leaves out, whether they tell it from none."""
    half = _alone(problem, place)
    added = np.array([key.nominal <= 0.0 for key in problem.keys])
    return np.where(added, (place > 3.0 * STEP) & (half < place), half < UNSEEN)


def _fit(problem: _Problem, place: Real, seen: NDArray[np.bool_], hz: Real, measured: Complex) -> Fit:
    """Gather values, intervals and correlated pairs."""
    jacobian = problem.derivatives(place)[:, seen]
    names = [key.key for key, there in zip(problem.keys, seen, strict=True) if there]
    half = _alone(problem, place)
    pairs: list[tuple[str, str]] = []
    if seen.any():
        covariance = np.linalg.pinv(jacobian.T @ jacobian, rcond=1e-14, hermitian=True)
        deviations = np.sqrt(np.diag(covariance))
        half[seen] = _student(problem) * _spread_of(problem, place) * deviations
        related = covariance / np.maximum(np.outer(deviations, deviations), 1e-300)
        rows, columns = np.nonzero(np.triu(np.abs(related) > TIED, 1))
        pairs = [(names[a], names[b]) for a, b in zip(rows, columns, strict=True)]
    low, high = _ends(problem)
    centre = problem.values(place[None])[0]
    ends = [problem.values(np.clip(place + sign * half, low, high)[None])[0] for sign in (-1.0, 1.0)]
    parts = {
        key.key: FittedPart(
            nominal=key.nominal,
            value=float(centre[k]) if seen[k] else key.nominal,
            low=float(min(ends[0][k], centre[k])) if seen[k] or key.nominal > 0.0 else 0.0,
            high=float(max(ends[1][k], centre[k])),
            seen=bool(seen[k]),
        )
        for k, key in enumerate(problem.keys)
    }
    values = np.array([[part.value for part in parts.values()]])
    return Fit(
        parts=parts,
        correlated=tuple(pairs),
        difference=deviation(hz, measured, predictions(problem.setting, hz, problem.keys, values)[0]),
    )
