"""Crossings of loop gains: bracketed on a grid, read by interpolation or refined to the last digit.

Internal to `loopdesign.margins`, which says what the numbers mean. A batch has its items along the first axis (B,) and
frequency along the last (F,); crossings come as flat lists because every item has its own number of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from loopdesign.errors import NumericalError

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike

    from loopdesign.margins.grid import BoolArray, ComplexArray, FloatArray, ResponseFunction

IndexArray = NDArray[np.intp]

ROOT_TOLERANCE = 1e-11
"""Of ln f; the residual of a measured or computed response is far larger."""
ROOT_ITERATIONS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Crossings:
    """Crossings of a batch as a flat list ordered by item, then frequency: item (n,), hz (n,), value (n,)."""

    item: IndexArray
    hz: FloatArray
    value: FloatArray

    def take(self, kept: BoolArray) -> Crossings:
        """Keep some, in order."""
        return Crossings(item=self.item[kept], hz=self.hz[kept], value=self.value[kept])


def wrapped_deg(angle_deg: ArrayLike) -> FloatArray:
    """Return angles brought into (-180, 180].

    Parameters
    ----------
    angle_deg : array_like
        Angles [deg].

    Returns
    -------
    ndarray
        The same angles less whole turns [deg].
    """
    return 180.0 - np.mod(180.0 - np.asarray(angle_deg, dtype=np.float64), 360.0)


def require_finite(frequencies: FloatArray, values: ComplexArray) -> None:
    """Refuse a loop gain that is not finite, saying where.

    Parameters
    ----------
    frequencies : ndarray (F,) or (B, F)
        Frequencies [Hz].
    values : ndarray (B, F)
        Loop gain [unitless].

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


# ---- crossings on the grid


def _gain_brackets(loop: ComplexArray) -> tuple[IndexArray, IndexArray]:
    return _changes(_square(loop) >= 1.0)


def _changes(holds: BoolArray) -> tuple[IndexArray, IndexArray]:
    """Item and left end of each interval over which a condition (B,F) changes, by item, then frequency."""
    changes = holds[:, 1:] != holds[:, :-1]
    item, left = np.divmod(np.flatnonzero(changes), changes.shape[1])
    return item, left


def _phase_brackets(loop: ComplexArray) -> tuple[IndexArray, IndexArray]:
    """Intervals whose shorter arc from one value to the next passes the negative real axis."""
    item, left = _changes(loop.imag >= 0.0)
    first, last = loop[item, left], loop[item, left + 1]
    # Where the chord meets the real axis: (re0 im1 - re1 im0) / (im1 - im0); only the sign is wanted.
    meeting = (first.real * last.imag - last.real * first.imag) * np.sign(last.imag - first.imag)
    crosses = meeting < 0.0
    return item[crosses], left[crosses]


def gain_crossings(frequencies: FloatArray, loop: ComplexArray) -> Crossings:
    """Return where |T| = 1 with the phase margin in degrees, by interpolation.

    Parameters
    ----------
    frequencies : ndarray (B, F)
        Frequencies, rising [Hz].
    loop : ndarray (B, F)
        Loop gain there [unitless].

    Returns
    -------
    Crossings
        By item, then frequency; phase margin [deg].
    """
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
    """Return where T is real and negative with the gain margin in dB, by interpolation.

    Parameters
    ----------
    frequencies : ndarray (B, F)
        Frequencies, rising [Hz].
    loop : ndarray (B, F)
        Loop gain there [unitless].

    Returns
    -------
    Crossings
        By item, then frequency; gain margin [dB].
    """
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


# ---- refinement


def refined_crossings(
    response: ResponseFunction, frequencies: FloatArray, loop: ComplexArray, *, tolerance: float = ROOT_TOLERANCE
) -> tuple[Crossings, Crossings]:
    """Refine all brackets of both kinds together, to a tolerance of ln f: they share each call of the response.

    Parameters
    ----------
    response : callable
        Takes frequencies (B, M) [Hz] and returns the loop gain (B, M) [unitless].
    frequencies : ndarray (B, F)
        Frequencies, rising [Hz].
    loop : ndarray (B, F)
        Loop gain there [unitless].
    tolerance : float
        Of ln f [unitless].

    Returns
    -------
    tuple of Crossings
        Where |T| = 1, and where T is real and negative.
    """
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
        tolerance,
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
    tolerance: float,
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
        least = 0.5 * tolerance / np.maximum(np.abs(x2 - x1), tolerance)
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
