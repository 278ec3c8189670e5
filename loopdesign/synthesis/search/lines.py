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


class Span(NamedTuple):
    """Least and largest value of the part; nothing between them where the least is the larger."""

    low: Array
    high: Array

    def met(self, other: Span) -> Span:
        """Keep what lies in both."""
        return Span(np.maximum(self.low, other.low), np.minimum(self.high, other.high))

    def either(self) -> Span:
        """Cover what lies in any along the last axis."""
        dead = self.low > self.high
        return Span(
            np.where(dead, np.inf, self.low).min(axis=-1, initial=np.inf),
            np.where(dead, -np.inf, self.high).max(axis=-1, initial=-np.inf),
        )

    def every(self) -> Span:
        """Keep what lies in all along the last axis."""
        return Span(self.low.max(axis=-1, initial=0.0), self.high.min(axis=-1, initial=np.inf))


class Quadratic(NamedTuple):
    """Coefficients of x^2, x and 1."""

    square: Array
    linear: Array
    constant: Array

    def less(self, other: Quadratic, factor: float) -> Quadratic:
        """Subtract a multiple of another."""
        return Quadratic(*(one - factor * two for one, two in zip(self, other, strict=True)))

    def at(self, points: slice) -> Quadratic:
        """Keep some grid points."""
        return Quadratic(self.square[:, points], self.linear[:, points], self.constant[:, points])

    def reached(self) -> Span:
        """Bound the x >= 0 at which it is zero or more."""
        first, last = _roots(*self)
        real = ~np.isnan(first)
        falls, rises = self.square < 0.0, (self.square > 0.0) & (self.constant < 0.0) & real
        low = np.where(falls, np.where(real, first, np.inf), np.where(rises, last, 0.0))
        high = np.where(falls, np.where(real, last, -np.inf), np.inf)
        return Span(np.maximum(low, 0.0), high)

    def within(self, span: Span) -> Span:
        """Cut spans (N,) by where it is negative at any of the grid points (N,K)."""
        first, last = _roots(*self)
        low, high = span.low[:, None], span.high[:, None]
        falls, rises = self.square < 0.0, self.square > 0.0
        nowhere = falls & np.isnan(first)
        low = np.where(falls, first, np.where(rises & (first < low) & (low < last), last, 0.0))
        high = np.where(falls, last, np.where(rises & (first < high) & (high < last), first, np.inf))
        low, high = np.where(nowhere, np.inf, low), np.where(nowhere, -np.inf, high)
        return span.met(Span(low, high).every())


class Line(NamedTuple):
    """What T is made of along lines (N,) at grid points (K,): ``|n|^2``, ``|d|^2``, and both parts of ``n conj(d)``."""

    numerator: Quadratic
    denominator: Quadratic
    real: Quadratic
    imaginary: Quadratic

    @classmethod
    def of(cls, n0: Complex, n1: Complex, d0: Complex, d1: Complex) -> Line:
        """Multiply out."""
        n0, n1, d0, d1 = np.broadcast_arrays(n0, n1, d0, d1)
        square, linear, constant = n1 * d1.conj(), n0 * d1.conj() + n1 * d0.conj(), n0 * d0.conj()
        return cls(
            numerator=Quadratic(_square(n1), 2.0 * _product(n0, n1), _square(n0)),
            denominator=Quadratic(_square(d1), 2.0 * _product(d0, d1), _square(d0)),
            real=Quadratic(square.real, linear.real, constant.real),
            imaginary=Quadratic(square.imag, linear.imag, constant.imag),
        )

    def at(self, points: slice) -> Line:
        """Keep some grid points."""
        return Line(*(form.at(points) for form in self))

    def size(self, gain: float) -> Quadratic:
        """Tell where ``|T|`` is a gain or more."""
        return self.numerator.less(self.denominator, gain * gain)

    def distance(self, least: float) -> Quadratic:
        """Tell where ``|1 + T|`` is so much or more."""
        rest = 1.0 - least * least
        return Quadratic(
            *(n + 2.0 * r + rest * d for n, r, d in zip(self.numerator, self.real, self.denominator, strict=True))
        )

    def below(self, impedance: Complex, peak: float) -> Quadratic:
        """Tell where ``|Z|/|1 + T|`` is a peak or less, of an open-loop impedance Z (K,)."""
        distance, size = self.distance(0.0), _square(impedance)
        return Quadratic(*(peak * peak * n - size * d for n, d in zip(distance, self.denominator, strict=True)))

    def turned(self, angle: float) -> Quadratic:
        """Tell where the imaginary part of T, turned by an angle [rad], is zero or more."""
        return Quadratic(
            *(np.cos(angle) * i + np.sin(angle) * r for i, r in zip(self.imaginary, self.real, strict=True))
        )


def crossover_span(above: Line, band: Line) -> Span:
    """Bound the part by where the highest crossover may lie.

    Parameters
    ----------
    above
        At the grid points at which the loop gain has to be below one.
    band
        At those of which one at least needs a loop gain of one or more.

    Returns
    -------
    Span
        (N,) nothing outside it can meet the conditions.
    """
    reached = band.size(1.0 - ROUNDING).reached().either()
    return reached.met(_negative(above.size(1.0 + ROUNDING)).reached().every())


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
        (N,) nothing outside it can meet the condition.
    """
    count = band.real.square.shape[1]
    first, second = slice(0, count - 1), slice(1, count)
    size = band.size(1.0 - ROUNDING).reached()
    turn = np.pi - np.radians(phase_margin_deg - PHASE_ROOM_DEG)
    upper, enough = band.turned(0.0).reached(), band.turned(turn).reached()
    lower = _negative(band.turned(0.0)).reached()
    ends = (first, second)
    good = Span(*(np.stack([a[:, e] for a in part for e in ends], axis=-1) for part in zip(upper, enough, strict=True)))
    below = Span(*(np.stack([part[:, e] for e in ends], axis=-1) for part in lower))
    falls = _negative(band.at(second).size(1.0 + ROUNDING)).reached()
    between = Span(size.low[:, first], size.high[:, first]).met(falls).met(good.either()).met(below.either())
    last = slice(count - 1, count)  # on the edge of the band nothing can be said of the phase
    return Span(
        np.concatenate([between.low, size.low[:, last]], axis=1),
        np.concatenate([between.high, size.high[:, last]], axis=1),
    ).either()


def _negative(form: Quadratic) -> Quadratic:
    return Quadratic(-form.square, -form.linear, -form.constant)


def _square(value: Complex) -> Array:
    return np.asarray(value.real**2 + value.imag**2)


def _product(one: Complex, other: Complex) -> Array:
    """Real part of one times the conjugate of the other."""
    return np.asarray(one.real * other.real + one.imag * other.imag)


def _roots(square: Array, linear: Array, constant: Array) -> tuple[Array, Array]:
    """Both roots of a quadratic, the smaller first; NaN where they are not real."""
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        half = -0.5 * (linear + np.copysign(np.sqrt(linear * linear - 4.0 * square * constant), linear))
        one, other = half / square, constant / half
    return np.minimum(one, other), np.maximum(one, other)
