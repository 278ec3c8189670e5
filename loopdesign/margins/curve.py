"""Loop gain between its samples, from the characteristic multipliers of the closed loop.

With P the map of the closed loop over one period,

    1 + T = det(1 - exp(-jw) P) / N(w):

``1 / (1 + T)`` is a response of the closed loop, so its poles are the multipliers, all of them known, and what is left,
N, has no poles at all. N is the transform of a signal that ends after a few periods: between samples it stays smooth,
however sharply T rises and falls there, and local polynomials through 47 samples give it to seven digits over four
decades. Dips of ``|1 + T|`` are zeros of the determinant, peaks of T are zeros of N; neither can hide.

    samples stand evenly in ln w + w / CROWDED: by decades at low frequency, evenly near the clock.

J. P. Berrut, L. N. Trefethen, "Barycentric Lagrange interpolation", SIAM Review 46(3), 2004, has the form used here
(from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

CROWDED = 0.25
"""Angle per period [rad] above which samples stand evenly rather than by decades."""
SAMPLES_PER_UNIT = 2.1
"""Samples per unit of ``ln w + w / CROWDED``; 47 from 3e-5 of the clock to one half of it."""
NEIGHBOURS = 10
"""Samples each interpolated value draws on."""
SPENT = 0.03
"""Size of a multiplier below which its factor of the determinant is as smooth as N and is left there."""
SHARP = 0.3
"""Half width over frequency below which a multiplier makes a dip too narrow for an even grid: a quality of 1.7."""
BESIDE = (0.0, 0.5, -0.5)
"""Grid points beside a dip, in half widths."""
FLANK = 8
"""Grid points on each flank of a dip, from its half width to REACH of its frequency in equal ratios."""
REACH = 0.12
AT_ONCE = 400
"""Values up to which one call over an array with one more axis is quicker than a loop."""
ASIDE = 1.0 - 1e-9
"""By what an angle on a sample is moved off it, so that nothing is divided by zero; its value is the sample's own."""
TINY = float(np.finfo(float).tiny)
CLOSEST = 1e-9
"""Half width over frequency below which a dip is taken as this wide."""


@lru_cache(maxsize=64)
def spread_evenly(low: float, per_unit: float) -> NDArray[np.float64]:
    """Angles (F,) from ``low`` to pi, evenly spaced in ``ln w + w / CROWDED``.

    Parameters
    ----------
    low : float
        Lowest angle, frequency times period [rad].
    per_unit : float
        Angles per unit of that measure [1/unit].

    Returns
    -------
    ndarray (F,)
        Angles, rising [rad]; the same array for the same call, to be read only.
    """
    fine = np.geomspace(low, np.pi, 4000)
    place = np.log(fine) + fine / CROWDED
    count = max(NEIGHBOURS, round((place[-1] - place[0]) * per_unit) + 1)
    angles = np.interp(np.linspace(place[0], place[-1], count), place, fine)
    angles[0], angles[-1] = low, np.pi
    angles.flags.writeable = False
    return angles


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopCurve:
    """Loop gains (B,) of one switching frequency, to be evaluated anywhere from the lowest sample to half the clock.

    Attributes
    ----------
    switching_hz
        Switching frequency [Hz].
    multipliers
        (B,n) characteristic multipliers of the closed loops [unitless], spent ones left out.
    centre
        (B,) delay [periods] taken out of N, about half of its length, so that it turns least.
    angles
        (F,) sampled angles per period, rising to pi [rad].
    smooth
        (B,F) N at the samples, less its delay.
    weights
        (F-NEIGHBOURS+1, NEIGHBOURS) barycentric weights of every run of neighbours.
    """

    switching_hz: float
    multipliers: NDArray[np.complex128]
    centre: NDArray[np.float64]
    angles: NDArray[np.float64]
    smooth: NDArray[np.complex128]
    weights: NDArray[np.float64]

    def __call__(self, frequencies_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Loop gain (B,M) at each item's own frequencies (B,M) [Hz]."""
        angle = self._angle(frequencies_hz)
        found = np.searchsorted(self.angles, angle)
        hits = np.nonzero(self.angles[np.minimum(found, len(self.angles) - 1)] == angle)
        beside = angle
        if len(hits[0]):
            beside = angle.copy()
            beside[hits] *= ASIDE
        first = np.minimum(np.maximum(found - NEIGHBOURS // 2, 0), len(self.angles) - NEIGHBOURS)
        smooth = (self._few if angle.size <= AT_ONCE else self._many)(beside, first)
        smooth[hits] = self.smooth[hits[0], found[hits]]
        return self._loop(angle, smooth)

    def on(self, frequencies_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Loop gain (B,M) at frequencies (M,) that all items share [Hz]: one product."""
        angle = self._angle(frequencies_hz)
        first, share = _shares(self.angles, self.weights, angle)
        matrix = np.zeros((len(self.angles), len(angle)))
        np.put_along_axis(matrix, (first[:, None] + np.arange(NEIGHBOURS)).T, share.T, axis=0)
        return self._loop(np.broadcast_to(angle, (len(self.smooth), len(angle))), self.smooth @ matrix)

    @property
    def dips_hz(self) -> NDArray[np.float64]:
        """Grid points (B,K) [Hz] that resolve the dips of ``|1 + T|`` an even grid may step over, NaN where fewer."""
        exponent = np.log(np.where(self.multipliers == 0.0, np.finfo(float).tiny, self.multipliers))
        hz = exponent.imag * self.switching_hz / (2.0 * np.pi)
        width = np.maximum(np.abs(exponent.real) * self.switching_hz / (2.0 * np.pi), CLOSEST * hz)
        sharp = (hz > 0.0) & (width < SHARP * hz)
        count = int(sharp.sum(axis=1).max(initial=0))
        order = np.argsort(~sharp, axis=1, kind="stable")[:, :count]
        hz, width, sharp = (np.take_along_axis(x, order, 1)[..., None] for x in (hz, width, sharp))
        flank = width * (REACH * np.where(sharp, hz / np.where(sharp, width, 1.0), 1.0)) ** (
            np.arange(FLANK) / (FLANK - 1.0)
        )
        points = np.concatenate([hz + width * np.array(BESIDE), hz + flank, hz - flank], axis=2)
        return np.where(sharp, points, np.nan).reshape(len(hz), -1)

    def _few(self, angle: NDArray[np.float64], first: NDArray[np.intp]) -> NDArray[np.complex128]:
        """N (B,M) between samples, all neighbours in one array."""
        near = first[..., None] + np.arange(NEIGHBOURS)
        share = self.weights[first] / (angle[..., None] - self.angles[near])
        near += (np.arange(len(angle)) * len(self.angles))[:, None, None]
        values = self.smooth.ravel()[near] * share
        return np.asarray(values.sum(axis=-1) / share.sum(axis=-1))

    def _many(self, angle: NDArray[np.float64], first: NDArray[np.intp]) -> NDArray[np.complex128]:
        """N (B,M) between samples, neighbour by neighbour, which keeps large arrays near the processor."""
        place = first + (np.arange(len(angle)) * len(self.angles))[:, None]
        flat, weights = self.smooth.ravel(), np.ascontiguousarray(self.weights.T)
        total, shares = np.zeros(angle.shape, complex), np.zeros(angle.shape)
        for k in range(NEIGHBOURS):
            share = weights[k].take(first)
            share /= angle - self.angles[k:].take(first)
            total += share * flat[k:].take(place)
            shares += share
        total /= shares
        return total

    def _angle(self, frequencies_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        angle = 2.0 * np.pi * np.asarray(frequencies_hz, float) / self.switching_hz
        return np.minimum(np.maximum(angle, self.angles[0]), self.angles[-1])

    def _loop(self, angle: NDArray[np.float64], smooth: NDArray[np.complex128]) -> NDArray[np.complex128]:
        top = _determinant(self.multipliers, self.centre, angle)
        smooth[smooth == 0.0] = TINY
        top /= smooth
        top -= 1.0
        return top


def sampled_curve(
    response: Callable[[NDArray[np.float64]], NDArray[np.complex128]],
    multipliers: NDArray[np.complex128],
    *,
    switching_hz: float,
    low_hz: float,
    tolerance: float | None = None,
) -> LoopCurve:
    """Sample loop gains from ``low_hz`` to half the switching frequency.

    Parameters
    ----------
    response
        Takes frequencies (B,M) [Hz] and returns the loop gain (B,M) [unitless].
    multipliers
        (B,n) characteristic multipliers of the closed loops [unitless].
    switching_hz, low_hz
        Switching frequency and lowest frequency [Hz].
    tolerance
        Where given, samples are doubled until the curve meets the new ones within this share of ``|1 + T|``, three
        times at most [unitless].

    Returns
    -------
    LoopCurve
        The loop gains, ready to be evaluated between the samples.
    """
    alive = np.abs(multipliers).max(axis=0) > SPENT if len(multipliers) else np.ones(multipliers.shape[1], bool)
    kept = multipliers[:, alive]
    centre = 0.5 * np.minimum(np.abs(kept), 1.0).sum(axis=1)

    def taken(angles: NDArray[np.float64]) -> NDArray[np.complex128]:
        hz = np.broadcast_to(angles * switching_hz / (2.0 * np.pi), (len(kept), len(angles)))
        loop = response(hz)
        return np.asarray(_determinant(kept, centre, np.broadcast_to(angles, hz.shape)) / (1.0 + loop))

    def curve(angles: NDArray[np.float64], smooth: NDArray[np.complex128]) -> LoopCurve:
        return LoopCurve(
            switching_hz=switching_hz, multipliers=kept, centre=centre,
            angles=angles, smooth=smooth, weights=_weights(angles),
        )  # fmt: skip

    angles = spread_evenly(2.0 * np.pi * low_hz / switching_hz, SAMPLES_PER_UNIT)
    sampled = curve(angles, taken(angles))
    for _ in range(0 if tolerance is None else 3):
        between = _between(sampled.angles)
        smooth = taken(between)
        first, share = _shares(sampled.angles, sampled.weights, between)
        expected = sum(share[:, k] * sampled.smooth[:, first + k] for k in range(NEIGHBOURS))
        error = float(np.max(np.abs(expected / smooth - 1.0), initial=0.0))
        order = np.argsort(np.concatenate([sampled.angles, between]), kind="stable")
        sampled = curve(
            np.concatenate([sampled.angles, between])[order],
            np.concatenate([sampled.smooth, smooth], axis=1)[:, order],
        )
        if error <= (tolerance or 0.0):
            break
    return sampled


def _between(angles: NDArray[np.float64]) -> NDArray[np.float64]:
    """Angles half way between neighbours in ``ln w + w / CROWDED``, by two steps of Newton's method."""
    place = np.log(angles) + angles / CROWDED
    middle = 0.5 * (place[1:] + place[:-1])
    between = np.sqrt(angles[1:] * angles[:-1])
    for _ in range(2):
        between -= (np.log(between) + between / CROWDED - middle) / (1.0 / between + 1.0 / CROWDED)
    return between


def _determinant(
    multipliers: NDArray[np.complex128], centre: NDArray[np.float64], angle: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Product (B,M) of ``1 - m exp(-jw)`` over the multipliers, less the delay of its centre."""
    back = np.exp(-1j * angle)
    product = np.exp(1j * centre[:, None] * angle)
    if multipliers.shape[1] * angle.size <= AT_ONCE:
        for factor in np.moveaxis(1.0 - multipliers[:, :, None] * back[:, None, :], 1, 0):
            product *= factor
        return np.asarray(product)
    for k in range(multipliers.shape[1]):
        factor = multipliers[:, k, None] * back
        product *= np.subtract(1.0, factor, out=factor)
    return np.asarray(product)


def _weights(angles: NDArray[np.float64]) -> NDArray[np.float64]:
    """Barycentric weights of every run of neighbours, in units that keep them near one."""
    runs = np.lib.stride_tricks.sliding_window_view(angles, NEIGHBOURS)
    apart = runs[:, :, None] - runs[:, None, :] + np.eye(NEIGHBOURS)
    size = np.exp(np.log(np.abs(apart)).mean(axis=(1, 2), keepdims=True))
    return np.asarray(1.0 / np.prod(apart / size, axis=2))


def _shares(
    angles: NDArray[np.float64], weights: NDArray[np.float64], wanted: NDArray[np.float64]
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """First neighbour (..) of each wanted angle and the share (.., NEIGHBOURS) of each neighbour in its value."""
    first = np.clip(np.searchsorted(angles, wanted) - NEIGHBOURS // 2, 0, len(angles) - NEIGHBOURS)
    away = wanted[..., None] - angles[first[..., None] + np.arange(NEIGHBOURS)]
    # on a sample its own share is all there is: so near to it that the others are rounded away
    away[away == 0.0] = 1e-300
    share = weights[first] / away
    return first, share / share.sum(axis=-1, keepdims=True)
