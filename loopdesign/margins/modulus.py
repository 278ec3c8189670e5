"""Least distance of loop gains from -1, ``min |1 + T|``: the global one, of all the dips a grid shows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.margins.grid import BoolArray, ComplexArray, FloatArray, ResponseFunction

CANDIDATES = 3
"""Dips of each item that are followed to their bottom: those whose parabola goes deepest."""
DEEPER = 3.0
"""How much deeper than its parabola a dip is allowed for when the candidates are chosen."""
TINY = 1e-300
"""Square of |1 + T| that a loop gain of exactly -1 is given, so that its reciprocal stays finite."""
ZOOM_ROUNDS = 7
ZOOM_POINTS = 9
"""Points of one round of zooming, each of which shrinks the interval around the bottom by four."""


def grid_modulus(frequencies: FloatArray, loop: ComplexArray) -> tuple[FloatArray, FloatArray]:
    """Least |1 + T| (B,) and where: the parabola of 1/|1 + T|^2 over ln f through each of the two highest peaks.

    The reciprocal stays small beside a pole, where |1 + T|^2 would send a parabola anywhere.

    Parameters
    ----------
    frequencies : ndarray (B, F)
        Frequencies, rising [Hz].
    loop : ndarray (B, F)
        Loop gain there [unitless].

    Returns
    -------
    tuple of ndarray (B,)
        Least |1 + T| [unitless], and where [Hz].
    """
    square = (1.0 + loop.real) ** 2 + loop.imag**2
    rows = np.arange(len(loop))[:, None]
    first = np.argmin(square, axis=-1)[:, None]
    if loop.shape[-1] < 3:
        return np.sqrt(square[rows, first])[:, 0], frequencies[rows, first][:, 0]
    falls = square[:, 1:] < square[:, :-1]
    dips = np.where(falls[:, :-1] & ~falls[:, 1:], square[:, 1:-1], np.inf)
    np.put_along_axis(dips, np.clip(first - 1, 0, dips.shape[-1] - 1), np.inf, axis=-1)
    places = np.concatenate([first, 1 + np.argmin(dips, axis=-1)[:, None]], axis=1)
    inner = np.clip(places, 1, loop.shape[-1] - 2)
    x = [np.log(frequencies[rows, inner + shift]) for shift in (-1, 0, 1)]
    y = [1.0 / np.maximum(square[rows, inner + shift], TINY) for shift in (-1, 0, 1)]
    height, where = _vertex(x, y)
    # at an end of the band, and where the parabola opens upward, the point itself is the top
    point = 1.0 / np.maximum(square[rows, places], TINY)
    better = (inner == places) & (height > point)
    height = np.where(better, height, point)
    return _best(1.0 / np.sqrt(height), np.where(better, np.exp(where), frequencies[rows, places]))


def refined_modulus(
    response: ResponseFunction, frequencies: FloatArray, loop: ComplexArray, *, rounds: int = ZOOM_ROUNDS
) -> tuple[FloatArray, FloatArray]:
    """Return the least |1 + T| (B,) and where: the deepest dips are sampled ever closer around their bottoms.

    Parameters
    ----------
    response : callable
        Takes frequencies (B, M) [Hz] and returns the loop gain (B, M) [unitless].
    frequencies : ndarray (B, F)
        Frequencies, rising [Hz].
    loop : ndarray (B, F)
        Loop gain there [unitless].
    rounds : int
        Rounds at most [unitless].

    Returns
    -------
    tuple of ndarray (B,)
        Least |1 + T| [unitless], and where [Hz].
    """
    batch, last = len(loop), loop.shape[-1] - 1
    rows = np.arange(batch)[:, None]
    places = _deepest(frequencies, loop)
    low = np.log(frequencies[rows, np.maximum(places - 1, 0)])
    high = np.log(frequencies[rows, np.minimum(places + 1, last)])
    columns = np.arange(places.shape[1])
    for _ in range(rounds):
        grid = np.linspace(low, high, ZOOM_POINTS, axis=-1)
        values = response(np.exp(grid).reshape(batch, -1)).reshape(grid.shape)
        peak = _reciprocal_square(values)
        best = np.argmax(peak, axis=-1)
        low = grid[rows, columns, np.maximum(best - 1, 0)]
        high = grid[rows, columns, np.minimum(best + 1, ZOOM_POINTS - 1)]
    inner = np.clip(best, 1, ZOOM_POINTS - 2)
    x, y = ([a[rows, columns, inner + shift] for shift in (-1, 0, 1)] for a in (grid, peak))
    height, where = _vertex(x, y)
    top = peak[rows, columns, best]
    better = (inner == best) & (height > top)
    where = np.where(better, where, grid[rows, columns, best])
    return _best(1.0 / np.sqrt(np.where(better, height, top)), np.exp(where))


def _reciprocal_square(loop: ComplexArray) -> FloatArray:
    """1 / |1 + T|^2, finite where T is -1."""
    return np.asarray(1.0 / np.maximum((1.0 + loop.real) ** 2 + loop.imag**2, TINY))


def _local_peaks(peak: FloatArray) -> BoolArray:
    """Points (B,F) no lower than their neighbours, the ends included."""
    tops = np.ones(peak.shape, bool)
    tops[:, 1:] &= peak[:, 1:] >= peak[:, :-1]
    tops[:, :-1] &= peak[:, :-1] >= peak[:, 1:]
    return tops


def _deepest(frequencies: FloatArray, loop: ComplexArray) -> NDArray[np.intp]:
    """Grid points (B,K) of the dips that may go deepest, judged by their parabolas."""
    peak = _reciprocal_square(loop)
    bound = np.where(_local_peaks(peak), peak, 0.0)
    if loop.shape[-1] > 2:
        x = np.log(frequencies)
        height, _ = _vertex([x[:, :-2], x[:, 1:-1], x[:, 2:]], [peak[:, :-2], peak[:, 1:-1], peak[:, 2:]])
        extra = np.where(bound[:, 1:-1] > 0.0, np.maximum(height - peak[:, 1:-1], 0.0), 0.0)
        bound[:, 1:-1] += DEEPER * extra
    count = min(CANDIDATES, loop.shape[-1])
    return np.argpartition(bound, -count, axis=-1)[:, -count:]


def _vertex(x: list[FloatArray], y: list[FloatArray]) -> tuple[FloatArray, FloatArray]:
    """Height and place of the top of the parabola through three points; the middle one where it has none between."""
    left, right = x[1] - x[0], x[2] - x[1]
    span = left + right
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        rise, fall = (y[1] - y[0]) / left, (y[2] - y[1]) / right
        bend = (fall - rise) / span
        slope = (rise * right + fall * left) / span
        shift = -slope / (2.0 * bend)
        height = y[1] + 0.5 * slope * shift
    usable = (bend < 0.0) & (shift >= -left) & (shift <= right) & np.isfinite(height)
    return np.where(usable, height, y[1]), np.where(usable, x[1] + shift, x[1])


def _best(least: FloatArray, hz: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least value and its place among the candidates (B,K)."""
    rows, best = np.arange(len(least)), np.argmin(least, axis=-1)
    return least[rows, best], hz[rows, best]
