"""Grids on which crossings and dips of loop gains are bracketed: laid first, then refined where the loop tells.

A batch has its items along the first axis (B,) and frequency along the last (F,).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
BoolArray = NDArray[np.bool_]
ResponseFunction = Callable[[FloatArray], ComplexArray]

LARGEST_STEP = 0.35
"""Change of ln T between neighbours [neper and rad] above which the grid is refined: 3 dB or 20 degrees."""
FINEST_RATIO = 1e-7
"""Relative spacing below which the grid is refined no further."""
REFINEMENT_ROUNDS = 12
MOST_ADDED = 2000
"""Points that refinement may add to one item: noise, or a loop of endless resonances, is not followed further."""
HIDDEN = 3.0
"""A curve that turns back between points is followed where three times the dip of its parabola reaches the line."""
FLANK = np.array([*-np.geomspace(0.05, 1e-6, 7), 0.0, *np.geomspace(1e-6, 0.05, 7)])
"""Points laid beside a resonance of unknown width, as shares of its frequency."""
COPY = 1e-9
"""Relative distance at which equal frequencies are set apart."""
MARGIN = 1e-5
"""Relative distance to the ends of the band within which an extra point tells nothing new."""


def first_grid(low_hz: float, high_hz: float, count: int, batch: int, extra_hz: ArrayLike) -> FloatArray:
    """Return a rising grid (B,F) from low to high, with points at and beside the extra frequencies of each item.

    Parameters
    ----------
    low_hz : float
        Lower end of the band [Hz].
    high_hz : float
        Upper end [Hz].
    count : int
        Points shared by all items [unitless].
    batch : int
        Number of items B [unitless].
    extra_hz : array_like (K,) or (B, K)
        Frequencies of lightly damped poles and zeros [Hz].

    Returns
    -------
    ndarray (B, F)
        Frequencies, rising [Hz].
    """
    base = np.geomspace(low_hz, high_hz, count)
    extra = np.asarray(extra_hz, dtype=np.float64)
    if extra.size == 0:
        return np.broadcast_to(base, (batch, count)).copy()
    extra = np.broadcast_to(extra, (batch, extra.shape[-1]))
    beside = (extra[..., np.newaxis] * (1.0 + FLANK)).reshape(batch, -1)
    return merged_grid(base, beside)


def merged_grid(base: FloatArray, extra: FloatArray) -> FloatArray:
    """Return a strictly rising grid (B,F) of a shared one (F0,) and each item's extra points (B,K).

    Points outside the band, and those that are not finite, are replaced by some inside it.

    Parameters
    ----------
    base : ndarray (F0,)
        Shared frequencies, rising [Hz].
    extra : ndarray (B, K)
        Frequencies of each item [Hz].

    Returns
    -------
    ndarray (B, F)
        Frequencies, rising [Hz].
    """
    inside = np.isfinite(extra) & (extra > base[0] * (1.0 + MARGIN)) & (extra < base[-1] * (1.0 - MARGIN))
    spare = np.interp((np.arange(extra.shape[-1]) + 0.5) / extra.shape[-1], np.linspace(0.0, 1.0, len(base)), base)
    joint = [np.broadcast_to(base, (len(extra), len(base))), np.where(inside, extra, spare)]
    grid = np.sort(np.concatenate(joint, axis=-1), axis=-1)
    # what is equal is parted by far less than a margin can show; the ends of the band stay what they are
    grid *= 1.0 + COPY * (np.arange(grid.shape[-1]) - grid.shape[-1] + 1.0)
    grid[:, 0], grid[:, -1] = base[0], base[-1]
    return grid


def refined_grid(
    response: ResponseFunction, frequencies: FloatArray, loop: ComplexArray, *, rounds: int = REFINEMENT_ROUNDS
) -> tuple[FloatArray, ComplexArray]:
    """Insert geometric midpoints where a loop gain changes fast, or turns back close to a line it may have crossed.

    Every row gains equally many points, each where it needs them most; the work is bounded by MOST_ADDED.

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
    tuple of ndarray (B, F)
        Frequencies [Hz] and loop gain [unitless].
    """
    most = loop.shape[-1] + MOST_ADDED
    for _ in range(rounds):
        need = _need(frequencies, loop)
        wanted = min(int((need > LARGEST_STEP).sum(axis=-1).max(initial=0)), most - loop.shape[-1])
        if wanted <= 0:
            break
        # A row with less to refine still takes `wanted` points: its widest steps, harmlessly.
        worst = np.argpartition(need, -wanted, axis=-1)[:, -wanted:] if wanted < need.shape[-1] else _every(need)
        new = np.sqrt(np.take_along_axis(frequencies, worst, -1) * np.take_along_axis(frequencies, worst + 1, -1))
        frequencies = np.concatenate([frequencies, new], axis=-1)
        loop = np.concatenate([loop, response(new)], axis=-1)
        order = np.argsort(frequencies, axis=-1, kind="stable")
        frequencies, loop = np.take_along_axis(frequencies, order, -1), np.take_along_axis(loop, order, -1)
    return frequencies, loop


def _every(need: FloatArray) -> NDArray[np.intp]:
    return np.broadcast_to(np.arange(need.shape[-1]), need.shape)


def _need(frequencies: FloatArray, loop: ComplexArray) -> FloatArray:
    """How much each interval (B,F-1) asks for a point: its step of ln T, more where a crossing may hide in it."""
    with np.errstate(divide="ignore"):
        size = 0.5 * np.log(loop.real**2 + loop.imag**2)
    phase = np.arctan2(-loop.imag, -loop.real)
    width = np.diff(np.log(frequencies), axis=-1)
    turn = np.abs(np.diff(phase, axis=-1))
    with np.errstate(invalid="ignore"):
        need = np.hypot(np.diff(size, axis=-1), np.minimum(turn, 2.0 * np.pi - turn))
    hidden = _turns_back(size, width) | _turns_back(phase, width)
    need[:, :-1] += 10.0 * hidden
    need[:, 1:] += 10.0 * hidden
    return np.where(width > FINEST_RATIO, np.nan_to_num(need, posinf=0.0), 0.0)


def _turns_back(values: FloatArray, width: FloatArray) -> BoolArray:
    """Inner points (B,F-2) at which values come near zero and turn back, so near that they may have crossed between."""
    near = np.sign(values[:, 1:-1]) * values[:, 1:-1]
    before, after = (np.sign(values[:, 1:-1]) * v for v in (values[:, :-2], values[:, 2:]))
    turning = (before >= near) & (after >= near) & (near < 1.0)
    turning &= (width[:, :-1] > FINEST_RATIO) & (width[:, 1:] > FINEST_RATIO)
    if not turning.any():
        return turning
    rows, places = np.nonzero(turning)
    left, right = width[rows, places], width[rows, places + 1]
    y, y0, y2 = near[rows, places], before[rows, places], after[rows, places]
    fall, rise = (y - y0) / left, (y2 - y) / right
    bend = (rise - fall) / (left + right)
    slope = (fall * right + rise * left) / (left + right)
    with np.errstate(divide="ignore", invalid="ignore"):
        dip = np.nan_to_num(slope**2 / (4.0 * bend))
    turning[rows, places] = y < HIDDEN * dip
    return turning
