"""Crossings of loop gains: bracketed on a grid, read by interpolation or refined to the last digit.

Internal to `loopdesign.margins`, which says what the numbers mean. A batch has its items along the first axis (B,) and
frequency along the last (F,); crossings come as flat lists because every item has its own number of them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from loopdesign.errors import NumericalError

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
IndexArray = NDArray[np.intp]
ResponseFunction = Callable[[FloatArray], ComplexArray]

LARGEST_STEP = (
    0.35  # change of ln T between neighbours [neper and rad] above which the grid is refined: 3 dB or 20 degrees
)
FINEST_RATIO = 1e-7  # relative spacing below which the grid is refined no further
REFINEMENT_ROUNDS = 12
ROOT_TOLERANCE = 1e-11  # of ln f; the residual of a measured or computed response is far larger
ROOT_ITERATIONS = 60
ZOOM_ROUNDS = 7
ZOOM_POINTS = 9  # each round shrinks the interval around the least |1 + T| by four


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossings:
    """Crossings of a batch as a flat list ordered by item, then frequency: item (n,), hz (n,), value (n,)."""

    item: IndexArray
    hz: FloatArray
    value: FloatArray


def wrapped_deg(angle_deg: ArrayLike) -> FloatArray:
    """Return angles brought into (-180, 180].

    Parameters
    ----------
    angle_deg : array_like
        Angles [degree].

    Returns
    -------
    ndarray
        The same angles less whole turns [degree].
    """
    return 180.0 - np.mod(180.0 - np.asarray(angle_deg, dtype=np.float64), 360.0)


def require_finite(frequencies: FloatArray, values: ComplexArray) -> None:
    """Refuse a loop gain that is not finite, saying where.

    Raises
    ------
    NumericalError
        Where a value is infinite or not a number.
    """
    bad = ~np.isfinite(values)
    if bad.any():
        item, column = np.argwhere(bad)[0]
        hz = np.broadcast_to(frequencies, values.shape)[item, column]
        raise NumericalError(f"the loop gain is not finite at {hz:.6g} Hz (item {item})")


# ---- the grid


def first_grid(low_hz: float, high_hz: float, count: int, batch: int, extra_hz: ArrayLike) -> FloatArray:
    """Return a rising grid (B, F) from low to high, with the extra frequencies of each item among it."""
    base = np.broadcast_to(np.geomspace(low_hz, high_hz, count), (batch, count))
    extra = np.asarray(extra_hz, dtype=np.float64)
    if extra.size == 0:
        return base.copy()
    extra = np.broadcast_to(extra, (batch, extra.shape[-1]))
    # What lies outside the band becomes a copy of its lower end, and copies are moved apart below.
    inside = np.isfinite(extra) & (extra > low_hz) & (extra < high_hz)
    grid = np.sort(np.concatenate([base, np.where(inside, extra, low_hz)], axis=-1), axis=-1)
    return _without_copies(grid, high_hz)


def _without_copies(grid: FloatArray, high_hz: float) -> FloatArray:
    """Replace repeated frequencies by midpoints of the widest gaps, so that every row rises strictly."""
    rows = []
    for row in grid:
        distinct = np.unique(row)
        while len(distinct) < len(row):
            gaps = np.diff(np.log(distinct))
            widest = np.argsort(gaps)[-(len(row) - len(distinct)) :]
            distinct = np.unique(np.concatenate([distinct, np.sqrt(distinct[widest] * distinct[widest + 1])]))
        rows.append(distinct)
    result = np.array(rows)
    result[:, -1] = high_hz
    return result


def refined_grid(
    response: ResponseFunction, frequencies: FloatArray, loop: ComplexArray
) -> tuple[FloatArray, ComplexArray]:
    """Insert geometric midpoints where the loop gain changes fast; every row gains equally many, each its own worst."""
    for _ in range(REFINEMENT_ROUNDS):
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.abs(np.log(loop[:, 1:] / loop[:, :-1]))
        step = np.where(np.diff(np.log(frequencies), axis=-1) > FINEST_RATIO, np.nan_to_num(step, posinf=0.0), 0.0)
        wanted = int((step > LARGEST_STEP).sum(axis=-1).max())
        if wanted == 0:
            break
        # A row with less to refine still takes `wanted` points: its widest steps, or its first gaps, harmlessly.
        worst = np.argsort(step, axis=-1)[:, -wanted:]
        new = np.sqrt(np.take_along_axis(frequencies, worst, -1) * np.take_along_axis(frequencies, worst + 1, -1))
        frequencies = np.concatenate([frequencies, new], axis=-1)
        loop = np.concatenate([loop, response(new)], axis=-1)
        order = np.argsort(frequencies, axis=-1)
        frequencies, loop = np.take_along_axis(frequencies, order, -1), np.take_along_axis(loop, order, -1)
    return frequencies, loop


# ---- crossings on the grid


def _gain_brackets(loop: ComplexArray) -> tuple[IndexArray, IndexArray]:
    above = _square(loop) >= 1.0
    item, left = np.nonzero(above[:, 1:] != above[:, :-1])
    return item, left


def _phase_brackets(loop: ComplexArray) -> tuple[IndexArray, IndexArray]:
    """Intervals whose shorter arc from one value to the next passes the negative real axis."""
    upper = loop.imag >= 0.0
    item, left = np.nonzero(upper[:, 1:] != upper[:, :-1])
    first, last = loop[item, left], loop[item, left + 1]
    # Where the chord meets the real axis: (re0 im1 - re1 im0) / (im1 - im0); only the sign is wanted.
    meeting = (first.real * last.imag - last.real * first.imag) * np.sign(last.imag - first.imag)
    crosses = meeting < 0.0
    return item[crosses], left[crosses]


def gain_crossings(frequencies: FloatArray, loop: ComplexArray) -> Crossings:
    """Return where |T| = 1 with the phase margin in degrees, by interpolation."""
    item, left = _gain_brackets(loop)
    first, last = loop[item, left], loop[item, left + 1]
    start, end = _log_abs(first), _log_abs(last)
    # With one end at one to the last bit, rounding may put it on the wrong side.
    part = np.clip(start / np.where(start == end, 1.0, start - end), 0.0, 1.0)
    angle = np.angle(first) + part * np.angle(last * np.conj(first))
    return Crossings(
        item=item, hz=_between(frequencies, item, left, part), value=wrapped_deg(180.0 + np.degrees(angle))
    )


def phase_crossings(frequencies: FloatArray, loop: ComplexArray) -> Crossings:
    """Return where T is real and negative with the gain margin in dB, by interpolation."""
    item, left = _phase_brackets(loop)
    first, last = loop[item, left], loop[item, left + 1]
    start = np.angle(-first)
    part = -start / np.angle(last * np.conj(first))
    log_gain = _log_abs(first) * (1 - part) + _log_abs(last) * part
    return Crossings(item=item, hz=_between(frequencies, item, left, part), value=-20.0 / np.log(10.0) * log_gain)


def _square(values: ComplexArray) -> FloatArray:
    return np.asarray(values.real**2 + values.imag**2)


def _log_abs(values: ComplexArray) -> FloatArray:
    return np.asarray(np.log(np.maximum(np.abs(values), np.finfo(float).tiny)))


def _between(frequencies: FloatArray, item: IndexArray, left: IndexArray, part: FloatArray) -> FloatArray:
    low, high = frequencies[item, left], frequencies[item, left + 1]
    return np.asarray(low * (high / low) ** part)


def grid_modulus(frequencies: FloatArray, loop: ComplexArray) -> tuple[FloatArray, FloatArray]:
    """Least |1 + T|: the parabola of |1 + T|^2 over ln f through the least value and its neighbours."""
    square = (1.0 + loop.real) ** 2 + loop.imag**2
    rows, middle = np.arange(len(loop)), np.argmin(square, axis=-1)
    inner = np.clip(middle, 1, max(loop.shape[-1] - 2, 1))
    if loop.shape[-1] < 3:
        return np.sqrt(square[rows, middle]), frequencies[rows, middle]
    x = np.log(np.stack([frequencies[rows, inner + shift] for shift in (-1, 0, 1)]))
    y = np.stack([square[rows, inner + shift] for shift in (-1, 0, 1)])
    slope_left, slope_right = (y[1] - y[0]) / (x[1] - x[0]), (y[2] - y[1]) / (x[2] - x[1])
    curvature = (slope_right - slope_left) / (x[2] - x[0])
    usable = (curvature > 0) & (middle == inner)
    safe = np.where(usable, curvature, 1.0)
    vertex = np.where(usable, 0.5 * (x[0] + x[1]) - 0.5 * slope_left / safe, x[1])
    least = y[0] + slope_left * (vertex - x[0]) + safe * (vertex - x[0]) * (vertex - x[1])
    least = np.where(usable, np.maximum(least, 0.0), square[rows, middle])
    return np.sqrt(least), np.where(usable, np.exp(vertex), frequencies[rows, middle])


# ---- refinement


def refined_crossings(
    response: ResponseFunction, frequencies: FloatArray, loop: ComplexArray
) -> tuple[Crossings, Crossings]:
    """Refine all brackets of both kinds together: they share each call of the response."""
    brackets = [_gain_brackets(loop), _phase_brackets(loop)]
    item = np.concatenate([b[0] for b in brackets])
    left = np.concatenate([b[1] for b in brackets])
    is_gain = np.arange(len(item)) < len(brackets[0][0])
    slot = _slots(item, len(loop))
    shape = (len(loop), int(slot.max(initial=-1)) + 1)
    if shape[1] == 0:
        empty = Crossings(item=item, hz=np.empty(0), value=np.empty(0))
        return empty, empty

    def evaluate(log_hz: FloatArray) -> ComplexArray:
        """Loop gain at each crossing's own frequency; unused slots of the rectangle read the lowest frequency."""
        packed = np.repeat(frequencies[:, :1], shape[1], axis=1)
        packed[item, slot] = np.exp(log_hz)
        return np.asarray(response(packed)[item, slot])

    def residual(values: ComplexArray) -> FloatArray:
        with np.errstate(divide="ignore"):
            # Both are non-negative exactly where the brackets call a point "above" or "upper", to the last bit: the
            # square is the brackets' own, so that a crossover on a grid point is not taken for none.
            return np.where(is_gain, 0.5 * np.log(_square(values)), -np.angle(-values))

    low, high = frequencies[item, left], frequencies[item, left + 1]
    root = _find_roots(
        lambda x: residual(evaluate(x)),
        (np.log(low), np.log(high)),
        (residual(loop[item, left]), residual(loop[item, left + 1])),
    )
    values = evaluate(root)
    hz = np.exp(root)
    margin_deg = wrapped_deg(180.0 + np.degrees(np.angle(values)))
    margin_db = -20.0 * np.log10(np.abs(values))
    gain = Crossings(item=item[is_gain], hz=hz[is_gain], value=margin_deg[is_gain])
    return gain, Crossings(item=item[~is_gain], hz=hz[~is_gain], value=margin_db[~is_gain])


def _slots(item: IndexArray, batch: int) -> IndexArray:
    """Rank of each entry among the entries of the same item."""
    order = np.argsort(item, kind="stable")
    first = np.concatenate([[0], np.cumsum(np.bincount(item, minlength=batch))[:-1]]).astype(np.intp)
    slot = np.empty(len(item), dtype=np.intp)
    slot[order] = np.arange(len(item)) - first[item[order]]
    return slot


def _find_roots(
    function: Callable[[FloatArray], FloatArray],
    ends: tuple[FloatArray, FloatArray],
    values: tuple[FloatArray, FloatArray],
) -> FloatArray:
    """Find one root in each bracket together by Chandrupatla's method (1997).

    An inverse quadratic step is taken where the three latest points promise it to land inside, a bisection elsewhere.
    """
    (x2, x1), (f2, f1) = ends, values
    part = np.full(len(x1), 0.5)
    for _ in range(ROOT_ITERATIONS):
        x = x1 + part * (x2 - x1)
        f = function(x)
        same = (f >= 0) == (f1 >= 0)
        x3, f3 = np.where(same, x1, x2), np.where(same, f1, f2)
        x2, f2 = np.where(same, x2, x1), np.where(same, f2, f1)
        x1, f1 = x, f
        # A bracket as narrow as the tolerance is bisected on while others still move.
        least = 0.5 * ROOT_TOLERANCE / np.maximum(np.abs(x2 - x1), ROOT_TOLERANCE)
        if np.all((least >= 0.5) | (f1 == 0.0) | (f2 == 0.0)):
            break
        part = np.clip(_quadratic_step((x1, x2, x3), (f1, f2, f3)), least, 1.0 - least)
    return np.where(np.abs(f1) <= np.abs(f2), x1, x2)


def _quadratic_step(x: tuple[FloatArray, ...], f: tuple[FloatArray, ...]) -> FloatArray:
    (x1, x2, x3), (f1, f2, f3) = x, f
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        xi, phi = (x1 - x2) / (x3 - x2), (f1 - f2) / (f3 - f2)
        step = f1 / (f2 - f1) * f3 / (f2 - f3) + (x3 - x1) / (x2 - x1) * f1 / (f3 - f1) * f2 / (f3 - f2)
        trusted = (phi**2 < xi) & ((1 - phi) ** 2 < 1 - xi) & np.isfinite(step)
    return np.where(trusted, step, 0.5)


def refined_modulus(
    response: ResponseFunction, frequencies: FloatArray, loop: ComplexArray
) -> tuple[FloatArray, FloatArray]:
    """Return the least |1 + T| and where: the interval around the least value on the grid is resampled until narrow."""
    rows, middle = np.arange(len(loop)), np.argmin(np.abs(1.0 + loop), axis=-1)
    low = np.log(frequencies[rows, np.maximum(middle - 1, 0)])
    high = np.log(frequencies[rows, np.minimum(middle + 1, loop.shape[-1] - 1)])
    for _ in range(ZOOM_ROUNDS):
        grid = np.linspace(low, high, ZOOM_POINTS, axis=-1)
        distance = np.abs(1.0 + response(np.exp(grid)))
        best = np.argmin(distance, axis=-1)
        low, high = grid[rows, np.maximum(best - 1, 0)], grid[rows, np.minimum(best + 1, ZOOM_POINTS - 1)]
    return distance[rows, best], np.exp(grid[rows, best])
