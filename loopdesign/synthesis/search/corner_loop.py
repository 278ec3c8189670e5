"""The loop gain of many combinations at one corner, and the values of a capacitor that put its crossover in a band.

The compensator is bilinear in C2 and in C3 (`compensation.response.bilinear_response`), so that ``|T| >= 1`` at one
frequency is a quadratic inequality in that capacitor. Its roots tell for every choice of the other parts which values
can meet a condition, without any of them being evaluated.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.compensation.compensator import Divider, ErrorAmplifier, NetworkParts, NetworkType
from loopdesign.compensation.response import bilinear_response
from loopdesign.network.batch import take
from loopdesign.synthesis.search.loops import PARTS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.synthesis.search.loops import Responses

    Array = NDArray[np.float64]
    Complex = NDArray[np.complex128]

ROUNDING = 1e-9
"""Room left to screens for the order in which sums are taken [relative, and degree]."""
C2 = PARTS.index("C2")


@dataclass(frozen=True, slots=True, kw_only=True)
class CornerLoop:
    """Plant, output impedance, amplifier and divider at one corner.

    Attributes
    ----------
    frequencies_hz
        (F,) rising grid [Hz].
    plant, impedance
        (F,) control to output [V/V], open-loop output impedance [ohm].
    amplifier, divider, network
        Values scalar or (1,); kind of network.
    factors
        (5,) factor on each of `PARTS` [unitless].
    """

    frequencies_hz: Array
    plant: Complex
    impedance: Complex
    amplifier: ErrorAmplifier
    divider: Divider
    network: NetworkType
    factors: Array

    def loop(self, values: Array, points: NDArray[np.intp]) -> Complex:
        """Loop gain (N,K) of combinations (N,5) at some grid points."""
        above, below = self.fraction(values, points)
        return np.asarray(above / below)

    def fraction(self, values: Array, points: NDArray[np.intp]) -> tuple[Complex, Complex]:
        """Numerator and denominator of the loop gain (N,K) of combinations (N,5) at some grid points.

        Combinations that follow one another and differ in C2 alone share all but the last product.
        """
        begins, along = _runs(values)
        n0, n1, d0, d1 = self._bilinear(values[begins], points)
        capacitance = (values[:, C2] * self.factors[C2])[:, None]
        if along is not None:
            n0, n1, d0, d1 = (x[along] if x.ndim > 1 and len(x) == len(begins) else x for x in (n0, n1, d0, d1))
        below = d1 * capacitance
        below += d0
        return (n0 + n1 * capacitance if n1.any() else n0), below

    def range_of(
        self, name: str, values: Array, above: NDArray[np.intp], band: NDArray[np.intp]
    ) -> tuple[Array, Array]:
        """Bound a capacitor by where the crossover may lie, for the other parts of combinations (N,5).

        Parameters
        ----------
        name
            C2 or C3.
        values
            (N,5) part values, of which that capacitor's is not looked at.
        above
            Grid points at which the loop gain has to be below one.
        band
            Grid points of which one at least needs a loop gain of one or more.

        Returns
        -------
        low, high
            (N,) nominal values [F]; nothing outside them can meet the conditions.
        """
        low, high = _reached_span(*self._excess(name, values, band, 1.0 - ROUNDING))
        least, most = _below_span(*self._excess(name, values, above, 1.0 + ROUNDING))
        scale = self.factors[PARTS.index(name)]
        return np.maximum(low, least) / scale, np.minimum(high, most) / scale

    def _excess(self, name: str, values: Array, points: NDArray[np.intp], size: float) -> tuple[Array, Array, Array]:
        """Coefficients (N,K) of c^2, c and 1 in ``|numerator|^2 - size^2 |denominator|^2`` of the loop gain."""
        n0, n1, d0, d1 = self._bilinear(values, points, name)
        square = size * size
        return (
            np.broadcast_to(_square(n1) - square * _square(d1), d0.shape),
            2.0 * (_product(n0, n1) - square * _product(d0, d1)),
            _square(n0) - square * _square(d0),
        )

    def _bilinear(
        self, values: Array, points: NDArray[np.intp], of: str = "C2"
    ) -> tuple[Complex, Complex, Complex, Complex]:
        scaled = values * self.factors
        fitted = [i for i, name in enumerate(PARTS) if name == "C1" or (name != of and values[:, i].any())]
        parts = NetworkParts(network=self.network, **{PARTS[i]: scaled[:, i] for i in fitted})
        n0, n1, d0, d1 = bilinear_response(self.amplifier, self.divider, parts, self.frequencies_hz[points], of=of)
        return n0 * self.plant[points], n1 * self.plant[points], d0, d1


def corner_loop(responses: Responses, corner: int) -> CornerLoop:
    """Take one corner out of the responses of all."""
    at, count = np.array([corner]), len(responses.plant)
    factors = [float(responses.factors[n][corner]) if n in responses.factors else 1.0 for n in PARTS]
    return CornerLoop(
        frequencies_hz=responses.frequencies_hz,
        plant=responses.plant[corner],
        impedance=responses.impedance[corner],
        amplifier=take(responses.amplifier, at, count),
        divider=take(responses.divider, at, count),
        network=responses.network,
        factors=np.array(factors),
    )


def _runs(values: Array) -> tuple[NDArray[np.intp], NDArray[np.intp] | None]:
    """Find where runs of combinations (N,5) begin that differ in C2 alone, and the run (N,) of each; None: no runs."""
    others = np.delete(values, C2, axis=1)
    new = np.ones(len(values), bool)
    new[1:] = (others[1:] != others[:-1]).any(axis=1)
    begins = np.flatnonzero(new)
    if 2 * len(begins) > len(values):
        return np.arange(len(values)), None
    return begins, np.cumsum(new) - 1


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


def _reached_span(square: Array, linear: Array, constant: Array) -> tuple[Array, Array]:
    """Bound the c >= 0 (N,) at which any of some quadratics (N,K) is zero or more; low above high where none is."""
    first, last = _roots(square, linear, constant)
    real = ~np.isnan(first)
    falls, rises = square < 0.0, (square > 0.0) & (constant < 0.0) & real
    low = np.where(falls, np.where(real, first, np.inf), np.where(rises, last, 0.0))
    high = np.where(falls, np.where(real, last, -np.inf), np.inf)
    return low.min(axis=1, initial=np.inf), high.max(axis=1, initial=-np.inf)


def _below_span(square: Array, linear: Array, constant: Array) -> tuple[Array, Array]:
    """Bound the c >= 0 (N,) at which every one of some quadratics (N,K) is negative."""
    first, last = _roots(square, linear, constant)
    apart = (first <= 0.0) & (last > 0.0)  # one root where c is positive: all is well on one side of it
    low = np.where((square < 0.0) & apart, last, 0.0)
    high = np.where((square > 0.0) & apart, last, np.inf)
    return low.max(axis=1, initial=0.0), high.min(axis=1, initial=np.inf)
