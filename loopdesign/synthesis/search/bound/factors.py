"""Zeros and poles of a network over a block of time constants, and what a corner makes of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from loopdesign.compensation.compensator import ShuntOptocoupler, TransconductanceAmplifier
from loopdesign.compensation.response import optocoupler_factor
from loopdesign.synthesis.search.loops import PARTS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.synthesis.search.corner_loop import CornerLoop

    Array = NDArray[np.float64]
    Index = NDArray[np.intp]


class Extent(NamedTuple):
    """Least and largest time constants (N,4) of blocks [s]."""

    low: Array
    high: Array


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
        (4,2) least and largest factor on each time constant at this corner; (2,) logarithms of those on K.
    constant, proportional
        (K,) bounds e0 and e1 on what a finite amplifier changes.
    """

    frequencies_hz: Array
    size: Array
    angle: Array
    impedance: Array
    factors: Array
    gain: Array
    constant: Array
    proportional: Array


class Shape(NamedTuple):
    """Least and largest (N,K) of what zeros and poles do to ``ln |T|``, beyond a reference, and to its angle [rad]."""

    low: Array
    high: Array
    first: Array
    last: Array


def shape_of(extent: Extent, factors: Array, frequencies_hz: Array, reference_hz: float) -> Shape:
    """Enclose what zeros and poles do over blocks, their sizes at a reference frequency taken out.

    Parameters
    ----------
    extent
        Blocks (N,).
    factors
        (4,2) least and largest factor on each time constant.
    frequencies_hz, reference_hz
        (K,) points; the reference, at which the size is that without the factors [Hz].

    Returns
    -------
    Shape
        (N,K).
    """
    turn = 2.0 * np.pi * np.append(frequencies_hz, reference_hz)
    sides = [x[:, :, None] * turn for x in (extent.low * factors[:, 0], extent.high * factors[:, 1])]
    sizes, angles = [0.5 * np.log1p(x * x) for x in sides], [np.arctan(x[..., :-1]) for x in sides]
    ratios = [x[..., :-1] - x[..., -1:] for x in sizes]  # each rises above the reference and falls below it
    shift = np.log(factors)[:, :, None]
    a, b = np.minimum(*ratios) + np.minimum(shift[:, 0], 0.0), np.maximum(*ratios) + np.maximum(shift[:, 1], 0.0)
    c, d = angles
    return Shape(
        low=a[:, 0] + a[:, 1] - b[:, 2] - b[:, 3], high=b[:, 0] + b[:, 1] - a[:, 2] - a[:, 3],
        first=c[:, 0] + c[:, 1] - d[:, 2] - d[:, 3], last=d[:, 0] + d[:, 1] - c[:, 2] - c[:, 3],
    )  # fmt: skip


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
        With a feed-forward capacitor, or a light source fed from the output, there is none.
    """
    amplifier, divider = corner.amplifier, corner.divider
    if _only(divider.feedforward) or getattr(amplifier, "fed_from_output", False):
        return None
    f = corner.frequencies_hz[points]
    factor = dict(zip(PARTS, corner.factors.tolist(), strict=True))
    upper, lower = _only(divider.upper), _only(divider.lower)
    plant, shunted = np.asarray(corner.plant), upper / lower
    if isinstance(amplifier, ShuntOptocoupler):
        plant = plant * np.ravel(optocoupler_factor(amplifier, corner.frequencies_hz))
    size, angle = np.log(np.abs(plant[points])), np.unwrap(np.angle(plant))[points]
    capacitors = sorted((factor["C1"], factor["C2"]))
    (series, joined), (other_series, other_joined) = beside_c3(corner), beside_c3(reference)
    zeros, poles = sorted((factor["R2"], series / other_series)), [factor["R2"]] * 2
    if isinstance(amplifier, TransconductanceAmplifier):
        gm, output = _only(amplifier.gm), _only(amplifier.output_resistance)
        size = size + np.log(gm / (1.0 + shunted))
        constant, proportional = np.zeros(len(f)), (1.0 + shunted) / (gm * output * np.abs(plant[points]))
        poles = sorted((factor["R2"], joined / other_joined))
    else:
        size = size - np.log(upper)
        constant = np.abs(1.0 / _only(amplifier.dc_gain) + 1j * f / _only(amplifier.gain_bandwidth))
        proportional = constant * (1.0 + shunted) / np.abs(plant[points])
    scale = np.array([[factor["R1"] * factor["C1"]] * 2, zeros, [factor["R1"] * c for c in capacitors], poles])
    scale[[1, 3]] *= factor["C3"]
    return CornerFacts(
        frequencies_hz=f, size=size - np.log(2.0 * np.pi * f), angle=angle - 0.5 * np.pi,
        impedance=np.abs(corner.impedance[points]), factors=scale, gain=-np.log(capacitors[::-1]),
        constant=constant, proportional=proportional,
    )  # fmt: skip


def beside_c3(corner: CornerLoop) -> tuple[float, float]:
    """Find the resistance in series with R2 in z2, and in p2.

    Parameters
    ----------
    corner
        Its divider and amplifier.

    Returns
    -------
    tuple of float
        Both [ohm].
    """
    upper, lower = _only(corner.divider.upper), _only(corner.divider.lower)
    gm = isinstance(corner.amplifier, TransconductanceAmplifier)
    return upper, upper * lower / (upper + lower) if gm else 0.0


def _only(value: float | Array | None) -> float:
    return float(np.ravel(0.0 if value is None else value)[0])
