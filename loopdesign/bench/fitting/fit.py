"""Parts refined until the exact model meets the measurements, with their 95 % intervals and what the data cannot tell.

Least squares of ``ln|measured/predicted|`` and its angle over all files, each over the scatter that the points
themselves show, in the logarithm of every value, which keeps it positive and makes shares of all sizes alike. The
derivatives are central differences, all of them and the residuals one call of the engine for each file. The scatter is
taken from what the fit leaves, channel by channel, and the fit repeated with it; with J the matrix of derivatives then,
the covariance of the logarithms is ``inv(J'J)``, and the interval is Student's (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.bench.compare import deviation
from loopdesign.bench.fitting.likely import spread_of
from loopdesign.bench.fitting.problem import STEP, Problem, tamed
from loopdesign.bench.fitting.result import Fit, FittedPart
from loopdesign.bench.predict import predictions
from loopdesign.errors import DataError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopdesign.bench.fitting.problem import MeasuredSweep
    from loopdesign.bench.keys import FitKey

    Real = NDArray[np.float64]
    Complex = NDArray[np.complex128]

UNSEEN = 0.7
"""Half width of the 95 % interval in ln(value) from which on the data do not see a part."""
TIED = 0.95
"""Correlation above which two parts are listed as a pair that the data hardly part."""
TRIED = (-2.3, -1.2, -0.7, -0.3, 0.3, 0.7, 1.2, 2.3)
"""Places of every single part that the fit may begin from."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """Where a fit came to rest.

    Attributes
    ----------
    problem : Problem
        With the scatter that the fit leaves.
    place : ndarray (P,)
        Logarithms of the values over the nominal ones; of a delay that the case leaves out, periods [unitless].
    seen : ndarray (P,)
        Whether the data tell of each [unitless].
    half : ndarray (P,)
        Half widths of the 95 % intervals, in the same units; infinite where nothing is known.
    correlated : tuple of tuple of str
        Pairs that the data hardly part.
    """

    problem: Problem
    place: Real
    seen: NDArray[np.bool_]
    half: Real
    correlated: tuple[tuple[str, str], ...]


def settle(sweeps: Sequence[MeasuredSweep], keys: Sequence[FitKey]) -> Settled:
    """Refine values of the case until the model meets the measurements.

    Parameters
    ----------
    sweeps : sequence of MeasuredSweep
        The measured files.
    keys : sequence of FitKey
        The values to move.

    Returns
    -------
    Settled
        Where the fit came to rest.

    Raises
    ------
    DataError
        Where there are fewer points than the values need.
    """
    problem = Problem(sweeps=tuple(sweeps), keys=keys)
    if not keys:
        nothing = np.empty(0)
        return Settled(problem=problem, place=nothing, seen=np.empty(0, bool), half=nothing, correlated=())
    if problem.count < 3 * len(keys):
        raise DataError(f"fit: {problem.count // 2} points are too few for {len(keys)} values")
    seen, place = np.ones(len(keys), bool), _beginning(problem)
    for _ in range(2):  # the scatter is known better once the model is near
        place = _least(problem, place, seen)
        problem = problem.rescaled(place, int(seen.sum()))
    pairs: list[tuple[str, str]] = []
    half = np.full(len(keys), np.inf)
    while True:
        blind, half, tied = _blind(problem, place, seen)
        pairs += [p for p in tied if p not in pairs]
        if blind is None:
            break
        seen = seen.copy()
        seen[blind] = False
        place = np.where(seen, place, problem.start())
        place = _least(problem, place, seen) if seen.any() else place
        problem = problem.rescaled(place, int(seen.sum()))
    return Settled(problem=problem, place=place, seen=seen, half=half, correlated=tuple(pairs))


def _beginning(problem: Problem) -> Real:
    """Choose where to begin: at nominal, or where one part alone, far from nominal, brings the curves much nearer."""
    low, high = problem.ends()
    start = np.clip(problem.start() + np.array([0.05 if k.nominal <= 0.0 else 0.0 for k in problem.keys]), low, high)
    places = [start]
    for k in range(len(start)):
        for place in TRIED:
            beside = start.copy()
            beside[k] = np.clip(place if problem.keys[k].nominal > 0.0 else abs(place) / 10.0, low[k], high[k])
            places.append(beside)
    rows = problem.weighted(problem.away(np.array(places)))
    cost = (np.minimum(np.abs(rows), 1e3) ** 2).sum(axis=1)
    best = int(np.argmin(cost))
    return places[best] if cost[best] < 0.5 * cost[0] else start


def _least(problem: Problem, place: Real, free: NDArray[np.bool_]) -> Real:
    """Run the least squares over the free places from a beginning, wild points counting less."""
    from scipy.optimize import least_squares  # noqa: PLC0415  (only a fit needs it)

    low, high = (end[free] for end in problem.ends())
    last: dict[bytes, tuple[Real, Real]] = {}  # residuals and derivatives are asked for in turn

    def at(some: Real) -> tuple[Real, Real]:
        if some.tobytes() not in last:
            full = place.copy()
            full[free] = some
            last.clear()
            last[some.tobytes()] = problem.linear(full)
        return last[some.tobytes()]

    begin = np.clip(place[free], low + 1e-9, high - 1e-9)
    for _ in range(2):
        weight = tamed(at(begin)[0] / max(1.0, _typical(at(begin)[0])))
        found = least_squares(
            lambda some, w=weight: w * at(some)[0],
            begin,
            jac=lambda some, w=weight: w[:, None] * at(some)[1][:, free],
            bounds=(low, high), x_scale="jac", xtol=1e-9, ftol=1e-9, gtol=1e-9, max_nfev=60,
        )  # fmt: skip
        begin = np.clip(found.x, low + 1e-9, high - 1e-9)
        if np.all(tamed(at(begin)[0] / max(1.0, _typical(at(begin)[0]))) == weight):
            break
    full = place.copy()
    full[free] = found.x
    return full


def _typical(residuals: Real) -> float:
    """Typical size of the residuals, a few wild ones left aside."""
    return float(1.4826 * np.median(np.abs(residuals)))


def _blind(problem: Problem, place: Real, seen: NDArray[np.bool_]) -> tuple[int | None, Real, list[tuple[str, str]]]:
    """Find the next value that the data do not see, all half widths, and the pairs they hardly part.

    A value is not seen where its interval would be too wide were all others known. Where it is too wide only beside the
    others, the data know these together and not singly: of those the one that is commonly nearest to its value is kept.
    """
    residuals, jacobian = problem.linear(place)
    weight = tamed(residuals)
    jacobian = weight[:, None] * jacobian
    wide = _student(problem, int(seen.sum())) * _left_over(weight * residuals, int(seen.sum()))
    half = np.asarray(wide / np.maximum(np.sqrt((jacobian**2).sum(axis=0)), 1e-300))
    bare = np.array([k.nominal <= 0.0 for k in problem.keys], bool)
    limit = np.where(bare, np.maximum(place, 0.0) + 1e-300, UNSEEN)  # a delay must be told from none
    lost = np.flatnonzero(seen & ((half > limit) | (bare & (place < 3.0 * STEP))))
    if len(lost):
        return int(lost[np.argmax(half[lost] / limit[lost])]), half, []
    if not seen.any():
        return None, half, []
    names = [k.key for k, s in zip(problem.keys, seen, strict=True) if s]
    covariance = np.linalg.pinv(jacobian[:, seen].T @ jacobian[:, seen], rcond=1e-14, hermitian=True)
    deviations = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    half = half.copy()
    half[seen] = wide * deviations
    related = covariance / np.outer(deviations, deviations)
    rows, columns = np.nonzero(np.triu(np.abs(related) > TIED, 1))
    pairs = [(names[a], names[b]) for a, b in zip(rows, columns, strict=True)]
    lost = np.flatnonzero(seen & (half > limit))
    if len(lost):
        return int(min(lost.tolist(), key=lambda k: spread_of(problem.keys[k].key))), half, pairs
    return None, half, pairs


def _left_over(residuals: Real, free: int) -> float:
    """Root of the mean square of the weighted residuals per degree of freedom, not below one."""
    return float(np.sqrt(max(1.0, float(np.sum(residuals**2)) / max(len(residuals) - free, 1))))


def _student(problem: Problem, free: int) -> float:
    """Half width of a 95 % interval in standard deviations, by Student's distribution."""
    from scipy.special import stdtrit  # noqa: PLC0415  (only a fit needs it)

    return float(stdtrit(max(problem.count - free, 1), 0.975))


def fit_of(settled: Settled, sweep: MeasuredSweep, hz: Real, measured: Complex, excess: float) -> Fit:
    """Gather what a fit found, its difference taken in one file.

    Parameters
    ----------
    settled : Settled
        Where the fit came to rest.
    sweep : MeasuredSweep
        The file as it was fitted.
    hz, measured : ndarray (F,)
        All frequencies [Hz] and measured values of the file [unitless] or [ohm].
    excess : float
        What is left over all files, in units of the scatter [unitless].

    Returns
    -------
    Fit
        Values with their intervals.
    """
    problem, place, half = settled.problem, settled.place, settled.half
    low, high = problem.ends()
    centre = problem.values(place[None])[0]
    ends = [
        problem.values(np.clip(place + sign * np.minimum(half, 1e3), np.where(low > 0.0, 0.0, low), high)[None])[0]
        for sign in (-1.0, 1.0)
    ]
    parts = {
        key.key: FittedPart(
            nominal=key.nominal,
            value=float(centre[k]) if settled.seen[k] else key.nominal,
            low=float(min(ends[0][k], centre[k])) if settled.seen[k] or key.nominal > 0.0 else 0.0,
            high=float(max(ends[1][k], centre[k])),
            seen=bool(settled.seen[k]),
        )
        for k, key in enumerate(problem.keys)
    }
    values = np.array([[part.value for part in parts.values()]])
    predicted = predictions(sweep.setting, hz, problem.keys, values)[0]
    return Fit(
        parts=parts,
        correlated=settled.correlated,
        difference=deviation(hz, measured, predicted),
        excess=excess,
    )


def excess_of(settled: Settled, sweeps: Sequence[MeasuredSweep]) -> float:
    """Return how much larger than the scatter of single points the differences are that a fit leaves.

    Parameters
    ----------
    settled : Settled
        Where the fit came to rest.
    sweeps : sequence of MeasuredSweep
        The files with the scatter found before the fit, from neighbouring points alone.

    Returns
    -------
    float
        Root of the mean square of residuals over that scatter [unitless].
    """
    first = Problem(sweeps=tuple(sweeps), keys=settled.problem.keys)
    rows = first.weighted(first.away(settled.place[None]))[0]
    return float(np.sqrt(np.mean(np.minimum(np.abs(rows), 1e3) ** 2)))
