"""Which values of one part can meet the limits at a corner, whatever the others: lines of the lattice.

Along a line R1, C2, R2 or C3 alone differs, and the loop gain is bilinear in it: ``T = n/d`` with ``n = n0 + n1 x`` and
``d = d0 + d1 x`` (`compensation.response.bilinear_response`). Whatever is asked of T at one grid point is then a
quadratic inequality in x:

    |T| >= g                           |n|^2 - g^2 |d|^2 >= 0
    |1 + T| >= m                       |n + d|^2 - m^2 |d|^2 >= 0
    T on one side of a line through 0  Im(n conj(d) exp(i a)) >= 0

Its roots bound x for a whole line at once, without any combination being evaluated. The phase margin is asked at the
highest crossover only, between two neighbours of the grid, where it is interpolated along the shorter arc. Where both
ends of that arc lie in the sector of too little margin below the negative real axis, or both in the upper half-plane,
all of it does.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Complex = NDArray[np.complex128]
    Index = NDArray[np.intp]

ROUNDING = 1e-9
"""Room left to screens for the order in which sums are taken [relative, and degree]."""
PHASE_ROOM_DEG = 1e-6
"""Room left to the phase margin [deg]."""
UNDER, ABOVE = (1.0 - ROUNDING) ** 2, (1.0 + ROUNDING) ** 2
"""Squares of a gain of one, less and more by that room."""


class Span(NamedTuple):
    """Least and largest value of the part; nothing between them where the least is the larger."""

    low: Array
    high: Array

    def met(self, other: Span) -> Span:
        """Keep what lies in both."""
        return Span(np.maximum(self.low, other.low), np.minimum(self.high, other.high))

    def joined(self, other: Span) -> Span:
        """Cover what lies in either."""
        one, two = self._emptied(), other._emptied()
        return Span(np.minimum(one.low, two.low), np.maximum(one.high, two.high))

    def either(self) -> Span:
        """Cover what lies in any along the last axis."""
        each = self._emptied()
        return Span(each.low.min(axis=-1, initial=np.inf), each.high.max(axis=-1, initial=-np.inf))

    def every(self) -> Span:
        """Keep what lies in all along the last axis."""
        return Span(self.low.max(axis=-1, initial=0.0), self.high.min(axis=-1, initial=np.inf))

    def at(self, points: slice) -> Span:
        """Keep some along the last axis."""
        return Span(self.low[..., points], self.high[..., points])

    def _emptied(self) -> Span:
        """Let those with nothing between their ends cover nothing of others."""
        dead = self.low > self.high
        return Span(np.where(dead, np.inf, self.low), np.where(dead, -np.inf, self.high)) if dead.any() else self


class Quadratic(NamedTuple):
    """Coefficients of x^2, x and 1."""

    square: Array
    linear: Array
    constant: Array

    def less(self, other: Quadratic, factor: float) -> Quadratic:
        """Subtract a multiple of another."""
        return Quadratic(*(one - factor * two for one, two in zip(self, other, strict=True)))

    def reached(self) -> Span:
        """Bound the x >= 0 at which it is zero or more."""
        return _reached(self, *_roots(*self))

    def parted(self) -> tuple[Span, Span]:
        """Bound the x >= 0 at which it is zero or more, and those at which it is zero or less."""
        roots = _roots(*self)
        return _reached(self, *roots), _reached(_negative(self), *roots)

    def within(self, span: Span) -> Span:
        """Cut spans (..., N) by where it is negative at any of the grid points (..., N,K)."""
        first, last = _roots(*self)
        low, high = span.low[..., None], span.high[..., None]
        falls, rises = self.square < 0.0, self.square > 0.0
        nowhere = falls & np.isnan(first)
        low = np.where(falls, first, np.where(rises & (first < low) & (low < last), last, 0.0))
        high = np.where(falls, last, np.where(rises & (first < high) & (high < last), first, np.inf))
        low, high = np.where(nowhere, np.inf, low), np.where(nowhere, -np.inf, high)
        return span.met(Span(low, high).every())


class Line(NamedTuple):
    """What T is made of along lines (..., N) at grid points (K,): n0, n1, d0 and d1, as they broadcast together."""

    above: Complex
    above_per_unit: Complex
    below: Complex
    below_per_unit: Complex

    def at(self, points: slice) -> Line:
        """Keep some grid points."""
        return Line(*(form[..., points] for form in self))

    def sizes(self) -> tuple[Quadratic, Quadratic]:
        """Return ``|n|^2`` and ``|d|^2``."""
        return _size(self.above, self.above_per_unit), _size(self.below, self.below_per_unit)

    def distance(self, least: float) -> Quadratic:
        """Tell where ``|1 + T|`` is so much or more."""
        return self._sum().less(_size(self.below, self.below_per_unit), least * least)

    def below_peak(self, impedance: Complex, peak: float) -> Quadratic:
        """Tell where ``|Z|/|1 + T|`` is a peak or less, of an open-loop impedance Z (..., K)."""
        size, below = square(impedance), _size(self.below, self.below_per_unit)
        return Quadratic(*(peak * peak * n - size * d for n, d in zip(self._sum(), below, strict=True)))

    def turned(self, angle: float) -> tuple[Quadratic, Quadratic]:
        """Tell where the imaginary part of T is zero or more, and where that of T turned by an angle [rad] is."""
        n0, n1, d0, d1 = self.above, self.above_per_unit, self.below.conj(), self.below_per_unit.conj()
        forms = (n1 * d1, n0 * d1 + n1 * d0, n0 * d0)
        cosine, sine = np.cos(angle), np.sin(angle)
        return Quadratic(*(f.imag for f in forms)), Quadratic(*(cosine * f.imag + sine * f.real for f in forms))

    def _sum(self) -> Quadratic:
        """Return ``|n + d|^2``."""
        return _size(self.above + self.below, self.above_per_unit + self.below_per_unit)


def crossover_span(line: Line, count: int) -> Span:
    """Bound the part by where the highest crossover may lie.

    Parameters
    ----------
    line
        At the grid points at which the loop gain has to be below one, then at those of which one at least needs a loop
        gain of one or more.
    count
        How many the former are.

    Returns
    -------
    Span
        (..., N) nothing outside it can meet the conditions.
    """
    above, below = line.sizes()
    over = slice(count)
    low = _negative(_points(above, over).less(_points(below, over), ABOVE)).reached().every()
    band = slice(count, None)
    return _points(above, band).less(_points(below, band), UNDER).reached().either().met(low)


def phase_span(band: Line, phase_margin_deg: float) -> Span:
    """Bound the part by the phase margin at the highest crossover.

    Parameters
    ----------
    band
        At the points of the band and the one behind them.
    phase_margin_deg
        Least phase margin, above zero [deg].

    Returns
    -------
    Span
        (..., N) nothing outside it can meet the condition.
    """
    above, below = band.sizes()
    count = band.below.shape[-1]
    first, second, last = slice(0, count - 1), slice(1, count), slice(count - 1, count)
    size = above.less(below, UNDER).reached()
    falls = _negative(_points(above, second).less(_points(below, second), ABOVE)).reached()
    upper_half, turned = band.turned(np.pi - np.radians(phase_margin_deg - PHASE_ROOM_DEG))
    upper, lower = upper_half.parted()
    good = upper.joined(turned.reached())
    between = size.at(first).met(falls)
    between = between.met(good.at(first).joined(good.at(second))).met(lower.at(first).joined(lower.at(second)))
    # on the edge of the band nothing can be said of the phase
    return between.either().joined(size.at(last).either())


def _reached(form: Quadratic, first: Array, last: Array) -> Span:
    """Bound the x >= 0 at which a quadratic with these roots is zero or more."""
    falls, real = form.square < 0.0, ~np.isnan(first)
    rises = (form.square > 0.0) & (form.constant < 0.0) & real
    low = np.where(falls, np.where(real, first, np.inf), np.where(rises, last, 0.0))
    high = np.where(falls, np.where(real, last, -np.inf), np.inf)
    return Span(np.maximum(low, 0.0), high)


def _negative(form: Quadratic) -> Quadratic:
    return Quadratic(-form.square, -form.linear, -form.constant)


def square(value: Complex) -> Array:
    """Return ``|z|^2`` of complex numbers."""
    return np.asarray(value.real**2 + value.imag**2)


def _size(constant: Complex, linear: Complex) -> Quadratic:
    """Return ``|a + b x|^2``."""
    product = constant.real * linear.real + constant.imag * linear.imag
    return Quadratic(square(linear), 2.0 * product, square(constant))


def _points(form: Quadratic, points: slice) -> Quadratic:
    return Quadratic(*(c[..., points] for c in form))


def _roots(square: Array, linear: Array, constant: Array) -> tuple[Array, Array]:
    """Both roots of a quadratic, the smaller first; NaN where they are not real."""
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        half = -0.5 * (linear + np.copysign(np.sqrt(linear * linear - 4.0 * square * constant), linear))
        one, other = half / square, constant / half
    return np.minimum(one, other), np.maximum(one, other)
