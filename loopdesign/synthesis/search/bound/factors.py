"""Zeros and poles of a network over a block of time constants, and what a corner makes of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from loopdesign.compensation.compensator import ShuntOptocoupler, TransconductanceAmplifier
from loopdesign.compensation.response import optocoupler_factor
from loopdesign.synthesis.search.lines import ROUNDING
from loopdesign.synthesis.search.loops import PARTS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.synthesis.search.corner_loop import CornerLoop

    Array = NDArray[np.float64]
    Index = NDArray[np.intp]


LARGE = 200.0
"""Logarithm of a gain beyond which it is taken as that."""
EVERY = slice(None)
"""All points."""


class Extent(NamedTuple):
    """Least and largest time constants of blocks [s]: of their axes (N,4), or of zeros and poles (N,T)."""

    low: Array
    high: Array

    def some(self, count: int) -> Extent:
        """Take so many at most, evenly."""
        step = -(-len(self.low) // count) or 1
        return Extent(self.low[::step], self.high[::step])


@dataclass(frozen=True, slots=True, kw_only=True)
class Leads:
    """The branch of R2 and C3 across the upper resistor at one corner, beside a feed-forward capacitor or none.

    Attributes
    ----------
    upper, behind
        Resistance in series with R2 in the zeros, and in the poles [ohm]; no second pole pair where `behind` is zero.
    feedforward
        Capacitor across the upper resistor [F].
    """

    upper: float
    behind: float
    feedforward: float

    @property
    def signs(self) -> Array:
        """Plus one for each zero, minus one for each pole, in the order of `times`."""
        if not self.feedforward:
            return np.array([1.0, 1.0, -1.0, -1.0])
        return np.array([1.0, 1.0, -1.0, -1.0, 1.0, *([-1.0] if self.behind else [])])

    def times(self, extent: Extent) -> Extent:
        """Enclose the time constants of zeros and poles over blocks.

        Without a feed-forward capacitor the axes of a block are those time constants. With one they are R1 C1,
        ``a = upper C3``, R1 times C1 and C2 in series and ``q = R2 C3``, and the admittance across the upper resistor
        has two zeros, whose time constants have the sum ``upper feedforward + a + q`` and the product
        ``upper feedforward q``. The larger one rises with a and q; the smaller rises with q and falls with a. So do
        the poles of a divider that the feedback node does not hold, with `behind` for the upper resistor.
        """
        if not self.feedforward:
            return extent
        low, high = extent
        zeros = self._pairs(extent, self.upper)
        if not self.behind:
            return Extent(
                np.column_stack([low[:, 0], zeros[0], low[:, 2:], zeros[2]]),
                np.column_stack([high[:, 0], zeros[1], high[:, 2:], zeros[3]]),
            )
        poles = self._pairs(extent, self.behind)
        return Extent(
            np.column_stack([low[:, 0], zeros[0], low[:, 2], poles[0], zeros[2], poles[2]]),
            np.column_stack([high[:, 0], zeros[1], high[:, 2], poles[1], zeros[3], poles[3]]),
        )

    def _pairs(self, extent: Extent, resistance: float) -> tuple[Array, Array, Array, Array]:
        """Least and largest of the larger time constant (N,) of a pair, and those of the smaller one [s]."""
        low, high = extent
        share, own = resistance / self.upper, resistance * self.feedforward

        def pair(a: Array, q: Array) -> tuple[Array, Array]:
            # the discriminant is a sum of squares and products that are positive
            half, difference = own + a + q, np.sqrt((own + a - q) ** 2 + 4.0 * a * q)
            larger = 0.5 * (half + difference)
            return larger, own * q / larger

        least, most = pair(share * low[:, 1], low[:, 3])[0], pair(share * high[:, 1], high[:, 3])[0]
        return least, most, pair(share * high[:, 1], low[:, 3])[1], pair(share * low[:, 1], high[:, 3])[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class CornerFacts:
    """What a corner needs: plant with all that no part changes, and the factors on the time constants.

    Attributes
    ----------
    frequencies_hz
        (K,) points [Hz].
    size, angle
        (K,) logarithm of ``P/s``, and its angle [rad].
    impedance
        (K,) size of the open-loop output impedance [ohm].
    factors, gain
        (T,2) least and largest factor on each time constant at this corner; (2,) logarithms of those on K.
    constant, proportional
        (K,) bounds e0 and e1 on what a finite amplifier changes: ``|e| <= e0 + e1 |Ti|``, Ti that of an ideal one.
    lead, lags
        (K,) share of e that can turn T forward; whether it can turn T back.
    """

    frequencies_hz: Array
    size: Array
    angle: Array
    impedance: Array
    factors: Array
    gain: Array
    constant: Array
    proportional: Array
    lead: Array
    lags: bool

    @property
    def within(self) -> Array:
        """Logarithm (K,) of the largest Ti where ``|T| < 1``: ``|Ti| < |1 + e| <= 1 + e0 + e1 |Ti|``."""
        e0, e1 = self.constant, self.proportional
        least = np.exp(-LARGE)
        return np.minimum(np.log1p(e0) - np.log(np.maximum(1.0 - e1, least)), LARGE)

    @property
    def ahead(self) -> Array:
        """Logarithm (K-1,) of the largest Ti at a point where ``|T| < 1`` at the one that follows it.

        ``s C`` is a ratio of an admittance of resistors and capacitors to another over s, so that its size never falls
        with frequency; what P/s falls by from point to point is all that Ti can.
        """
        return np.minimum(self.size[:-1] - self.size[1:] + self.within[1:], LARGE)

    def error(self, gain: Array) -> Array:
        """Largest size (..., K) of e where the logarithm of Ti is at most so much."""
        count = gain.shape[-1]
        return np.asarray(self.constant[:count] + self.proportional[:count] * np.exp(gain))

    def ahead_of_one(self) -> Array:
        """Logarithm (K-1,) of the largest ``|1 + e|`` at a point where ``|T| < 1`` at the one that follows it."""
        return np.log1p(self.error(self.ahead))

    def surely_one(self) -> Array:
        """Logarithm (K,) of the least Ti from which ``|T| >= 1`` for certain: ``|T| >= Ti / (1 + e0 + e1 Ti)``."""
        e0, e1 = self.constant, self.proportional
        left = 1.0 - e1 * np.exp(ROUNDING)
        return np.where(left > 0.0, ROUNDING + np.log1p(e0) - np.log(np.where(left > 0.0, left, 1.0)), np.inf)

    def perhaps_one(self) -> Array:
        """Logarithm (K,) of the least Ti from which ``|T| >= 1`` may be: ``|T| <= Ti / (1 - e0 - e1 Ti)``."""
        e0, e1 = self.constant, self.proportional
        left = np.maximum(1.0 - e0, np.exp(-LARGE))
        return np.log(left / (np.exp(2.0 * ROUNDING) + e1))

    def largest(self, gain: Array, point: Index) -> Array:
        """Logarithm (N,) of the largest ``|T|`` at some points (N,), where that of Ti is at most so much."""
        gain = np.minimum(gain, LARGE)
        most = self.constant[point] + self.proportional[point] * np.exp(gain)
        return np.asarray(gain - np.log(np.maximum(1.0 - most, np.exp(-LARGE))) + ROUNDING)

    def turned(self, error: Array, points: slice = EVERY) -> tuple[Array, Array]:
        """How far (..., K) a finite amplifier turns T back and forward at most where e has at most some size [rad]."""
        forward = np.arctan(self.lead[points][: error.shape[-1]] * error) + ROUNDING
        if not self.lags:
            return np.full_like(error, ROUNDING), forward
        return np.where(error < 1.0, np.arcsin(np.minimum(error, 1.0)), np.pi) + ROUNDING, forward


class Shape(NamedTuple):
    """Least and largest (N,K) of what zeros and poles do to ``ln |T|``, beyond a reference, and to its angle [rad]."""

    low: Array
    high: Array
    first: Array
    last: Array


def shape_of(extent: Extent, factors: Array, signs: Array, frequencies_hz: Array, reference_hz: float) -> Shape:
    """Enclose what zeros and poles do over blocks, their sizes at a reference frequency taken out.

    Parameters
    ----------
    extent
        Time constants (N,T) over blocks.
    factors
        (T,2) least and largest factor on each time constant.
    signs
        (T,) plus one for zeros, minus one for poles.
    frequencies_hz, reference_hz
        (K,) points; the reference, at which the size is that without the factors [Hz].

    Returns
    -------
    Shape
        (N,K).
    """
    turn = 2.0 * np.pi * np.append(frequencies_hz, reference_hz)
    shift = np.log(factors)
    low, high, first, last = (np.zeros((len(extent.low), len(frequencies_hz))) for _ in range(4))
    for k, sign in enumerate(signs):
        # blocks are halves of halves, so that few of their ends differ
        ends, which = np.unique(np.concatenate([extent.low[:, k], extent.high[:, k]]), return_inverse=True)
        begin, end = np.split(which, 2)
        x, z = (ends[:, None] * (factor * turn) for factor in factors[k])
        # each size over that at the reference rises with the time constant above the reference and falls below it
        p, q = (y[:, :-1] - y[:, -1:] for y in (0.5 * np.log1p(x * x), 0.5 * np.log1p(z * z)))
        ratios = p[begin], q[end]
        a, b = np.minimum(*ratios) + min(shift[k, 0], 0.0), np.maximum(*ratios) + max(shift[k, 1], 0.0)
        c, d = np.arctan(x[:, :-1])[begin], np.arctan(z[:, :-1])[end]
        if sign < 0.0:
            a, b, c, d = -b, -a, -d, -c
        low += a
        high += b
        first += c
        last += d
    return Shape(low=low, high=high, first=first, last=last)


def corner_facts(corner: CornerLoop, points: Index, reference: CornerLoop) -> CornerFacts | None:
    """Gather what a bound needs of one corner; None with an amplifier or divider it does not cover.

    Parameters
    ----------
    corner
        Plant, amplifier, divider and factors.
    points
        (K,) grid points.
    reference
        Corner whose divider the time constants of a block are those of.

    Returns
    -------
    CornerFacts or None
        With a light source fed from the output there is none: T is not proportional to K then.
    """
    amplifier, divider = corner.amplifier, corner.divider
    if getattr(amplifier, "fed_from_output", False):
        return None
    f = corner.frequencies_hz[points]
    factor = dict(zip(PARTS, corner.factors.tolist(), strict=True))
    upper, lower = _only(divider.upper), _only(divider.lower)
    plant, shunted = np.asarray(corner.plant), upper / lower
    if isinstance(amplifier, ShuntOptocoupler):
        plant = plant * np.ravel(optocoupler_factor(amplifier, corner.frequencies_hz))
    size, angle = np.log(np.abs(plant[points])), np.unwrap(np.angle(plant))[points]
    capacitors = sorted((factor["C1"], factor["C2"]))
    own, others = beside_c3(corner), beside_c3(reference)
    if isinstance(amplifier, TransconductanceAmplifier):
        gm, output = _only(amplifier.gm), _only(amplifier.output_resistance)
        size = size + np.log(gm / (1.0 + shunted))
        constant, proportional = np.zeros(len(f)), (1.0 + shunted) / (gm * output * np.abs(plant[points]))
        lead = np.ones(len(f))
    else:
        size = size - np.log(upper)
        constant = np.abs(1.0 / _only(amplifier.dc_gain) + 1j * f / _only(amplifier.gain_bandwidth))
        proportional = constant * (1.0 + shunted) / np.abs(plant[points])
        lead = 1.0 / _only(amplifier.dc_gain) / np.maximum(constant, np.exp(-LARGE))
    return CornerFacts(
        frequencies_hz=f, size=size - np.log(2.0 * np.pi * f), angle=angle - 0.5 * np.pi,
        impedance=np.abs(corner.impedance[points]), factors=_scales(own, others, factor),
        gain=-np.log(capacitors[::-1]), constant=constant, proportional=proportional, lead=lead,
        lags=not isinstance(amplifier, TransconductanceAmplifier),
    )  # fmt: skip


def _scales(own: Leads, others: Leads, factor: dict[str, float]) -> Array:
    """Least and largest factor (T,2) on each time constant at a corner.

    With a feed-forward capacitor those of a pair lie within the products of the least and of the largest factors on its
    resistances and on its capacitances: every time constant of resistors and capacitors rises with each of them.
    """
    capacitors = sorted((factor["C1"], factor["C2"]))
    zeros = sorted((factor["R2"], own.upper / others.upper))
    poles = sorted((factor["R2"], own.behind / others.behind)) if others.behind else [factor["R2"]] * 2
    first, joined = [factor["R1"] * factor["C1"]] * 2, [factor["R1"] * c for c in capacitors]
    if not own.feedforward:
        return np.array([first, [z * factor["C3"] for z in zeros], joined, [p * factor["C3"] for p in poles]])
    across = sorted((factor["C3"], own.feedforward / others.feedforward))
    zeros = [z * c for z, c in zip(zeros, across, strict=True)]
    if not others.behind:
        return np.array([first, zeros, joined, [p * factor["C3"] for p in poles], zeros])
    poles = [p * c for p, c in zip(poles, across, strict=True)]
    return np.array([first, zeros, joined, poles, zeros, poles])


def beside_c3(corner: CornerLoop) -> Leads:
    """Find what lies across the upper resistor beside R2 and C3.

    Parameters
    ----------
    corner
        Its divider and amplifier.

    Returns
    -------
    Leads
        Without R2 and C3.
    """
    upper, lower = _only(corner.divider.upper), _only(corner.divider.lower)
    gm = isinstance(corner.amplifier, TransconductanceAmplifier)
    behind = upper * lower / (upper + lower) if gm else 0.0
    return Leads(upper=upper, behind=behind, feedforward=_only(corner.divider.feedforward))


def _only(value: float | Array | None) -> float:
    return float(np.ravel(0.0 if value is None else value)[0])
