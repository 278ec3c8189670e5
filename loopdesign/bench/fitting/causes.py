"""Which part is off: single parts and pairs tried in turn, each fitted, with the odds among all that were tried.

Every explanation is fitted by damped least squares, all of them in step, so that one call of the engine serves all.
The probability of the data under an explanation is Laplace's approximation of the integral over its values,

    ln p = -S/2 + sum ln q(x_k) + (P/2) ln 2 pi - (1/2) ln det J'J,

with S the sum of the squared residuals in units of their scatter at the best values x, J their derivatives there, and q
how far such parts commonly are from their value (`likely`). A second part is paid for by the wider room it has
(common practice of choosing between models).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.bench.fitting.likely import log_likelihood
from loopdesign.bench.fitting.problem import NOWHERE, STEP, Problem
from loopdesign.bench.fitting.result import Cause

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopdesign.bench.fitting.problem import MeasuredSweep
    from loopdesign.bench.keys import FitKey

    Real = NDArray[np.float64]

GRID = (-2.3, -1.6, -0.9, -0.5, -0.25, -0.1, 0.1, 0.25, 0.5, 0.9, 1.6, 2.3)
"""Places of a single value that are tried first: logarithms of a tenth to ten times the nominal one."""
DELAYS = (0.003, 0.01, 0.02, 0.04, 0.08, 0.15)
"""The same of a delay, in periods."""
TELLING = 16.0
"""Change of the sum of squares that a part must bring somewhere to be tried at all."""
BASES, PARTNERS = 4, 4
"""Single parts that pairs are built on, and partners tried with each."""
ROUNDS = 12
LONGEST_STEP = 0.8
SHARE_OF_NONE, SHARE_OF_SINGLES, SHARE_OF_PAIRS = 0.5, 0.4, 0.1
"""What is believed before the data: all parts as planned, one of them off, two of them off."""
TOLD = 6
"""Explanations told at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """One explanation fitted: the values moved, where they came to rest, and how well it explains."""

    which: tuple[int, ...]
    place: Real
    squares: float
    derivatives: Real


def suspects_tried(sweeps: Sequence[MeasuredSweep], keys: Sequence[FitKey]) -> tuple[Cause, ...]:
    """Try single parts and pairs, and return them by their odds.

    Parameters
    ----------
    sweeps : sequence of MeasuredSweep
        The measured files.
    keys : sequence of FitKey
        The values that may be off.

    Returns
    -------
    tuple of Cause
        The likeliest first; no values where all parts may be as planned.
    """
    problem = Problem(sweeps=tuple(sweeps), keys=keys)
    none, singles = _singles(problem)
    if singles:  # the scatter is known better once the model is near
        best = min(singles, key=lambda t: t.squares)
        if best.squares < none:
            problem = problem.rescaled(best.place, 1)
            none, singles = _singles(problem)
    bases = sorted(singles, key=lambda t: -_evidence(t, problem, 1.0))[:BASES]
    pairs = _fitted(problem, _pairs(problem, bases)) if len(singles) > 1 else []
    tried = [*singles, *pairs]
    least = min([none, *(t.squares for t in tried)])
    excess = max(1.0, least / max(problem.count - 2, 1))
    room = max(len(singles), 1), max(len(singles) * (len(singles) - 1) // 2, 1)
    scores = [-0.5 * none / excess + np.log(SHARE_OF_NONE)]
    for t in tried:
        share = SHARE_OF_SINGLES / room[0] if len(t.which) == 1 else SHARE_OF_PAIRS / room[1]
        scores.append(_evidence(t, problem, excess) + np.log(share))
    weights = np.exp(np.array(scores) - max(scores))
    odds = weights / weights.sum()
    found = [Cause(values={}, odds=float(odds[0]))]
    for t, share in zip(tried, odds[1:], strict=True):
        values = problem.values(t.place[None])[0]
        found.append(Cause(values={keys[k].key: float(values[k]) for k in t.which}, odds=float(share)))
    return tuple(sorted(found, key=lambda c: -c.odds)[:TOLD])


def _evidence(tried: Tried, problem: Problem, excess: float) -> float:
    """Logarithm of the probability of the data under an explanation, scatter larger by the root of ``excess``."""
    told = sum(log_likelihood(problem.keys[k].key, float(tried.place[k])) for k in tried.which)
    curvature = tried.derivatives.T @ tried.derivatives / excess
    _, size = np.linalg.slogdet(curvature + 1e-12 * np.eye(len(curvature)))
    return float(-0.5 * tried.squares / excess + told + 0.5 * len(tried.which) * np.log(2.0 * np.pi) - 0.5 * size)


def _squares(rows: Real) -> Real:
    """Sum of squares of each row, wild points counting less (Huber's loss)."""
    size = np.minimum(np.abs(rows), NOWHERE)
    return np.asarray(np.where(size <= 4.0, size**2, 8.0 * size - 16.0).sum(axis=1))


def _singles(problem: Problem) -> tuple[float, list[Tried]]:
    """Fit every single part that changes anything; return the sum of squares with none moved as well."""
    low, high = problem.ends()
    start, places, owner = problem.start(), [], []
    for k, key in enumerate(problem.keys):
        for place in GRID if key.nominal > 0.0 else DELAYS:
            if low[k] < place < high[k]:
                beside = start.copy()
                beside[k] = place
                places.append(beside)
                owner.append(k)
    rows = problem.weighted(problem.away(np.array([start, *places])))
    squares, owners = _squares(rows), np.array(owner)
    change = ((rows[1:] - rows[0]) ** 2).sum(axis=1)
    begins = []
    for k in range(len(problem.keys)):
        mine = np.flatnonzero(owners == k)
        if not len(mine) or change[mine].max() < TELLING:
            continue
        best = mine[np.argmin(squares[1:][mine])]
        near = squares[1:][best] >= squares[0]
        begins.append(((k,), start if near and problem.keys[k].nominal > 0.0 else places[best]))
    return float(squares[0]), _fitted(problem, begins)


def _pairs(problem: Problem, bases: Sequence[Tried]) -> list[tuple[tuple[int, ...], Real]]:
    """Choose for each good single part the partners that promise most by the derivatives there."""
    found: dict[tuple[int, ...], Real] = {}
    low, high = problem.ends()
    for base in bases:
        residuals, jacobian = problem.linear(base.place)
        promise = []
        for k in range(len(problem.keys)):
            if k in base.which or not np.any(jacobian[:, k]):
                continue
            both = [*base.which, k]
            step = np.linalg.lstsq(jacobian[:, both], -residuals, rcond=1e-10)[0]
            promise.append((float(((residuals + jacobian[:, both] @ step) ** 2).sum()), k, step))
        for _, k, step in sorted(promise, key=lambda p: p[0])[:PARTNERS]:
            which = tuple(sorted([*base.which, k]))
            place = base.place.copy()
            place[[*base.which, k]] += np.clip(step, -LONGEST_STEP, LONGEST_STEP)
            found.setdefault(which, np.clip(place, low, high))
    return list(found.items())


def _fitted(problem: Problem, begins: Sequence[tuple[tuple[int, ...], Real]]) -> list[Tried]:
    """Fit explanations in step by damped least squares (common practice)."""
    low, high = problem.ends()
    start = problem.start()
    places = [np.clip(place, np.minimum(low, start), high) for _, place in begins]
    best: list[Tried | None] = [None] * len(begins)
    damping, active = np.full(len(begins), 1e-3), set(range(len(begins)))
    for _ in range(ROUNDS):
        if not active:
            break
        order = sorted(active)
        for item, (residuals, jacobian) in zip(order, _linear(problem, begins, places, order), strict=True):
            which = list(begins[item][0])
            squares = float(_squares(residuals[None])[0])
            held = best[item]
            if held is None or squares < held.squares:
                gained = np.inf if held is None else held.squares - squares
                best[item] = Tried(which=tuple(which), place=places[item], squares=squares, derivatives=jacobian)
                damping[item] = max(damping[item] / 5.0, 1e-6)
                current = (residuals, jacobian)
                if gained < 1e-3:
                    active.discard(item)
            else:
                damping[item] *= 10.0
                current = None
            if damping[item] > 1e3:
                active.discard(item)
            places[item] = _next(best[item], current, damping[item], low, high, problem)  # type: ignore[arg-type]
    return [t for t in best if t is not None]


def _next(
    held: Tried, current: tuple[Real, Real] | None, damping: float, low: Real, high: Real, problem: Problem
) -> Real:
    """Take a damped step from the best place so far."""
    which = list(held.which)
    residuals = current[0] if current is not None else problem.weighted(problem.away(held.place[None]))[0]
    weight = np.sqrt(np.minimum(1.0, 4.0 / np.maximum(np.abs(residuals), 1e-9)))
    jacobian = weight[:, None] * held.derivatives
    square = jacobian.T @ jacobian
    step = np.linalg.solve(
        square + (damping * np.diag(np.diag(square)) + 1e-9 * np.eye(len(which))), -jacobian.T @ (weight * residuals)
    )
    place = held.place.copy()
    place[which] = np.clip(place[which] + np.clip(step, -LONGEST_STEP, LONGEST_STEP), low[which], high[which])
    return place


def _linear(
    problem: Problem, begins: Sequence[tuple[tuple[int, ...], Real]], places: Sequence[Real], order: Sequence[int]
) -> list[tuple[Real, Real]]:
    """Residuals and derivatives of every explanation, all in one call for each file."""
    rows, counts = [], []
    for item in order:
        which = begins[item][0]
        rows.append(places[item])
        for sign in (1.0, -1.0):
            for k in which:
                beside = places[item].copy()
                beside[k] += sign * STEP
                rows.append(beside)
        counts.append(2 * len(which) + 1)
    found = problem.weighted(problem.away(np.array(rows)))
    pieces = np.split(found, np.cumsum(counts)[:-1])
    return [problem.slopes(piece) for piece in pieces]


def likeliest(causes: Sequence[Cause], keys: Sequence[FitKey]) -> list[FitKey]:
    """Return the values of the likeliest explanation.

    Parameters
    ----------
    causes : sequence of Cause
        By their odds.
    keys : sequence of FitKey
        The values that may be off.

    Returns
    -------
    list of FitKey
        Empty where all parts may be as planned.
    """
    return [replace(key) for key in keys if key.key in causes[0].values]
