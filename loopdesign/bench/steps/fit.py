"""Parts refined until the step of the model meets the record; instant and level of the step are refined with them.

Least squares over instants at least a switching period apart, early ones closer together, in the logarithm of every
value; derivatives by differences of whole runs. The scatter is what the fit leaves; the intervals are Student's
(common practice).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.bench.fitting.fit import TIED, UNSEEN
from loopdesign.bench.fitting.problem import LARGEST_DELAY, TIGHTEST_COUPLING, WIDEST
from loopdesign.bench.fitting.result import FittedPart
from loopdesign.bench.keys import DELAY
from loopdesign.bench.steps.model import step_curve
from loopdesign.errors import DataError, LoopDesignError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.bench.keys import FitKey
    from loopdesign.bench.steps.compare import Placed
    from loopdesign.bench.steps.model import StepCurve, Way

    Real = NDArray[np.float64]

STEP = 2e-3
"""Step of the differences, as a share of a value, or of a delay in periods."""
MOST_FITTED = 250
"""Instants a fit uses."""
FARTHEST = 200.0
"""Periods by which the step may lie elsewhere than nominal values place it."""
LEAST_DELAY = 1e-3
"""Shortest delay tried, in periods."""


def chosen_instants(time_s: Real, step_s: float, period_s: float) -> NDArray[np.intp]:
    """Choose the samples a fit uses: some before the step, then early ones closer together than late ones.

    Parameters
    ----------
    time_s : ndarray (N,)
        Instants [s].
    step_s : float
        Instant of the step [s].
    period_s : float
        Switching period [s].

    Returns
    -------
    ndarray (M,)
        Their numbers.
    """
    last = max(time_s[-1] - step_s, 2.0 * period_s)
    wanted = np.concatenate([
        np.linspace(time_s[0], step_s, 20, endpoint=False), step_s + np.geomspace(0.5 * period_s, last, MOST_FITTED),
    ])  # fmt: skip
    found = np.unique(np.clip(np.searchsorted(time_s, wanted), 0, len(time_s) - 1))
    kept = [int(found[0])]
    for k in found[1:]:
        if time_s[k] - time_s[kept[-1]] >= 0.99 * period_s:
            kept.append(int(k))
    return np.array(kept)


def fit_step(
    case: cases.Case, way: Way, input_voltage: float, keys: Sequence[FitKey], time_s: Real, mean_v: Real, placed: Placed
) -> tuple[dict[str, FittedPart], tuple[tuple[str, str], ...], StepCurve]:
    """Refine values of the case until its step meets the record.

    Parameters
    ----------
    case : Case
        The case.
    way : {"load", "load back"}
        The step, or the way back.
    input_voltage : float
        Input voltage [V].
    keys : sequence of FitKey
        The values to move (P).
    time_s, mean_v : ndarray (N,)
        Instants [s] and cycle means [V].
    placed : Placed
        Where the step lies with nominal values.

    Returns
    -------
    tuple of dict, tuple and StepCurve
        Values with intervals by key, pairs that act alike, and the step with the values found.

    Raises
    ------
    DataError
        Where the record is too short for so many values.
    """
    from scipy.optimize import least_squares  # noqa: PLC0415  (only a fit needs it)
    from scipy.special import stdtrit  # noqa: PLC0415

    period = 1.0 / case.converter.switching_frequency
    whole = (time_s, mean_v)
    few = chosen_instants(time_s, placed.step_s, period)
    time_s, mean_v = time_s[few], mean_v[few]
    count, cycles = len(keys), int((time_s[-1] - placed.step_s) / period) + 3
    if len(time_s) < 2 * (count + 2):
        raise DataError(f"fit: the record is too short for {count} values")
    scale = max(placed.rms_v, 1e-6)

    def values(place: Real) -> dict[str, float]:
        return {
            key.key: float(key.nominal * np.exp(p) if key.nominal > 0.0 else p * period)
            for key, p in zip(keys, place[:count], strict=True)
        }

    def residuals(place: Real) -> Real:
        try:
            curve = step_curve(case, way, input_voltage, cycles, values(place))
        except LoopDesignError:
            return np.full(len(time_s), 1e3)
        moved = placed.step_s + place[count] * period
        return (mean_v - curve.before_v - place[count + 1] * scale - curve.at(time_s - moved)) / scale

    def derivatives(place: Real) -> Real:
        ends = []
        for k in range(count + 2):
            width = STEP if k < count else 1e-2
            beside = [place.copy(), place.copy()]
            beside[0][k] += width
            beside[1][k] -= width
            ends.append((residuals(beside[0]) - residuals(beside[1])) / (2.0 * width))
        return np.stack(ends, axis=1)

    low, high = _ends(keys, period)
    begin = np.array([*(0.0 if k.nominal > 0.0 else 5.0 * LEAST_DELAY for k in keys), 0.0, placed.offset_v / scale])
    found = least_squares(
        residuals, begin, jac=derivatives, x_scale="jac", xtol=1e-6, ftol=1e-8, gtol=1e-8, max_nfev=25,
        bounds=(np.append(low, [-FARTHEST, -np.inf]), np.append(high, [FARTHEST, np.inf])),
    )  # fmt: skip
    freedom = max(len(time_s) - count - 2, 1)
    spread = float(np.sqrt(np.sum(found.fun**2) / freedom))
    wide = float(stdtrit(freedom, 0.975)) * spread
    covariance = np.linalg.pinv(found.jac.T @ found.jac, rcond=1e-14, hermitian=True)
    deviations = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    blind = wide * deviations[:count] > np.where([k.nominal > 0.0 for k in keys], UNSEEN, found.x[:count])
    parts = _parts(keys, found.x[:count], wide * deviations[:count], blind, values)
    related = covariance / np.outer(deviations, deviations)
    pairs = tuple(
        (keys[a].key, keys[b].key) for a in range(count) for b in range(a + 1, count) if abs(related[a, b]) > TIED
    )
    if blind.any() and not blind.all():  # once more with the others at their nominal values
        left = [key for key, gone in zip(keys, blind, strict=True) if not gone]
        again, _, curve = fit_step(case, way, input_voltage, left, *whole, placed)
        return {key: again.get(key, part) for key, part in parts.items()}, pairs, curve
    told = {key: part.value for key, part in parts.items() if part.seen}
    return parts, pairs, step_curve(case, way, input_voltage, cycles, told)


def _ends(keys: Sequence[FitKey], period: float) -> tuple[Real, Real]:
    """Bounds of every place."""
    low, high = [], []
    for key in keys:
        bare = key.nominal <= 0.0
        low.append(LEAST_DELAY if bare else -np.log(WIDEST))
        top = LARGEST_DELAY if bare else float(np.log(WIDEST))
        if key.key == "stage.coupling":
            top = float(np.log(TIGHTEST_COUPLING / key.nominal))
        if key.key == DELAY and not bare:
            top = float(np.log(LARGEST_DELAY * period / key.nominal))
        high.append(top)
    return np.array(low), np.array(high)


def _parts(
    keys: Sequence[FitKey],
    place: Real,
    half: Real,
    blind: NDArray[np.bool_],
    values: Callable[[Real], dict[str, float]],
) -> dict[str, FittedPart]:
    """Gather values and intervals."""
    found = {}
    for k, key in enumerate(keys):
        ends = []
        for sign in (-1.0, 1.0):
            beside = place.copy()
            beside[k] += sign * min(half[k], 5.0)
            ends.append(max(values(beside)[key.key], 0.0))
        found[key.key] = FittedPart(
            nominal=key.nominal, value=key.nominal if blind[k] else values(place)[key.key], low=ends[0], high=ends[1],
            seen=not bool(blind[k]),
        )  # fmt: skip
    return found
