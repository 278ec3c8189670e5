"""The loop gain of many combinations at a corner or some, one by one or along lines of the lattice."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any, TypeVar, cast

import numpy as np

from loopdesign.compensation.compensator import Divider, ErrorAmplifier, NetworkParts, NetworkType
from loopdesign.compensation.response import bilinear_response
from loopdesign.margins.crossings import wrapped_deg
from loopdesign.network.batch import take
from loopdesign.synthesis.search.lines import Line
from loopdesign.synthesis.search.loops import PARTS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.synthesis.search.loops import Responses

    Array = NDArray[np.float64]
    Complex = NDArray[np.complex128]

C2 = PARTS.index("C2")
Values = TypeVar("Values", ErrorAmplifier, Divider)


@dataclass(frozen=True, slots=True, kw_only=True)
class CornerLoop:
    """Plant, output impedance, amplifier and divider at one corner, or at several (C) together.

    Attributes
    ----------
    frequencies_hz
        (F,) rising grid [Hz].
    plant, impedance
        (F,) or (C,1,F) control to output [V/V], open-loop output impedance [ohm].
    amplifier, divider, network
        Values scalar, (1,) or (C,1); kind of network.
    factors
        (5,) or (C,1,5) factor on each of `PARTS` [unitless].
    """

    frequencies_hz: Array
    plant: Complex
    impedance: Complex
    amplifier: ErrorAmplifier
    divider: Divider
    network: NetworkType
    factors: Array

    def loop(self, values: Array, points: NDArray[np.intp]) -> Complex:
        """Loop gain (N,K) or (C,N,K) of combinations (N,5) at some grid points."""
        above, below = self.fraction(values, points)
        return np.asarray(above / below)

    def highest_crossover(self, values: Array, points: NDArray[np.intp]) -> tuple[Array, Array]:
        """Read the highest crossover of combinations (N,5) between some neighbouring grid points.

        Returns
        -------
        crossover_hz, phase_margin_deg
            (N,) or (C,N) crossover [Hz] and phase margin [deg]; NaN where there is none.
        """
        loop = self.loop(values, points)
        over = loop.real**2 + loop.imag**2 >= 1.0
        last = len(points) - 1 - np.argmax(over[..., ::-1], axis=-1)
        none = (last == len(points) - 1) | ~np.take_along_axis(over, last[..., None], axis=-1)[..., 0]
        at = np.minimum(last, len(points) - 2)
        first, second = (np.take_along_axis(loop, (at + k)[..., None], axis=-1)[..., 0] for k in (0, 1))
        with np.errstate(divide="ignore"):
            start, end = np.log(np.abs(first)), np.log(np.maximum(np.abs(second), np.finfo(float).tiny))
            part = np.clip(start / np.where(start == end, 1.0, start - end), 0.0, 1.0)
        margin = wrapped_deg(180.0 + np.degrees(np.angle(first) + part * np.angle(second * np.conj(first))))
        low, high = self.frequencies_hz[points[at]], self.frequencies_hz[points[at + 1]]
        return np.where(none, np.nan, low * (high / low) ** part), np.where(none, np.nan, margin)

    def fraction(self, values: Array, points: NDArray[np.intp]) -> tuple[Complex, Complex]:
        """Numerator and denominator of the loop gain of combinations (N,5) at some grid points.

        Combinations that follow one another and differ in C2 alone share all but the last product.
        """
        begins, along = _runs(values)
        n0, n1, d0, d1 = self._bilinear(values[begins], points)
        capacitance = (values * self.factors)[..., C2, None]
        if along is not None:
            n0, n1, d0, d1 = (
                x[..., along, :] if x.ndim > 1 and x.shape[-2] == len(begins) else x for x in (n0, n1, d0, d1)
            )
        below = d1 * capacitance
        below += d0
        return (n0 + n1 * capacitance if n1.any() else n0), below

    def line(self, name: str, values: Array, points: NDArray[np.intp]) -> Line:
        """Loop gain along lines of the lattice at some grid points.

        Parameters
        ----------
        name
            R1, C2, R2 or C3, which alone differs along a line.
        values
            (N,5) part values, of which that part's is not looked at.
        points
            (K,) grid points.

        Returns
        -------
        Line
            (N,K) or (C,N,K) over the part as it is at each corner: its nominal value times its factor.
        """
        return Line(*self._bilinear(values, points, name))

    def _bilinear(
        self, values: Array, points: NDArray[np.intp], of: str = "C2"
    ) -> tuple[Complex, Complex, Complex, Complex]:
        scaled = values * self.factors
        fitted = [i for i, name in enumerate(PARTS) if name == "C1" or (name != of and values[:, i].any())]
        parts = NetworkParts(network=self.network, **{PARTS[i]: scaled[..., i] for i in fitted})
        n0, n1, d0, d1 = bilinear_response(self.amplifier, self.divider, parts, self.frequencies_hz[points], of=of)
        plant = self.plant[..., points]
        return n0 * plant, n1 * plant, d0, d1


def corner_loop(responses: Responses, corner: int) -> CornerLoop:
    """Take one corner out of the responses of all."""
    at, count = np.array([corner]), len(responses.plant)
    return CornerLoop(
        frequencies_hz=responses.frequencies_hz,
        plant=responses.plant[corner],
        impedance=responses.impedance[corner],
        amplifier=take(responses.amplifier, at, count),
        divider=take(responses.divider, at, count),
        network=responses.network,
        factors=_factors(responses, at)[0],
    )


def corner_loops(responses: Responses, corners: NDArray[np.intp]) -> CornerLoop:
    """Take some corners (C,) out of the responses of all, with an axis for combinations behind theirs."""
    count = len(responses.plant)
    return CornerLoop(
        frequencies_hz=responses.frequencies_hz,
        plant=responses.plant[corners, None],
        impedance=responses.impedance[corners, None],
        amplifier=_columns(responses.amplifier, corners, count),
        divider=_columns(responses.divider, corners, count),
        network=responses.network,
        factors=_factors(responses, corners)[:, None],
    )


def _factors(responses: Responses, corners: NDArray[np.intp]) -> Array:
    """Factors (C,5) on the parts at some corners."""
    found = np.ones((len(corners), len(PARTS)))
    for name, factor in responses.factors.items():
        found[:, PARTS.index(name)] = factor[corners]
    return found


def _columns(values: Values, corners: NDArray[np.intp], count: int) -> Values:
    """Take some corners (C,) of what has one value for each; (C,1)."""
    varied = {
        f.name: np.asarray(getattr(values, f.name))[corners, None]
        for f in fields(values)
        if f.init and np.shape(getattr(values, f.name)) == (count,)
    }
    return cast("Values", replace(cast("Any", values), **varied)) if varied else values


def _runs(values: Array) -> tuple[NDArray[np.intp], NDArray[np.intp] | None]:
    """Find where runs of combinations (N,5) begin that differ in C2 alone, and the run (N,) of each; None: no runs."""
    others = np.delete(values, C2, axis=1)
    new = np.ones(len(values), bool)
    new[1:] = (others[1:] != others[:-1]).any(axis=1)
    begins = np.flatnonzero(new)
    if 2 * len(begins) > len(values):
        return np.arange(len(values)), None
    return begins, np.cumsum(new) - 1
