"""The load at which continuous conduction ends."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.places import OFF
from loopdesign.orbit.augmented import dot
from loopdesign.orbit.operating_point import operating_point

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.network.converter import Converter
    from loopdesign.orbit.problem import OperatingPoint
    from loopdesign.orbit.sequence import Sequence

ROUNDS = 12
SETTLED = 1e-9
"""Relative change of the load at which the search stops."""


def continuous_limit(converter: Converter, point: OperatingPoint) -> NDArray[np.float64]:
    """Find the load current at which the diode current just touches zero, at each item's input voltage.

    The periodic solution with a rectifier that never opens is followed to the load where its valley is zero; the
    valley is nearly a straight line over the load, so the secant method takes a few steps.

    Parameters
    ----------
    converter
        The open-loop converter.
    point
        Its operating point.

    Returns
    -------
    ndarray
        (B,) load current [A]; NaN for a synchronous rectifier, which has no such limit, and where further devices take
        part in the commutation, so that on and off are not all there is.
    """
    further = not converter.topology.devices.plain and bool(
        (point.sequence.configuration[~point.discontinuous] > OFF).any()
    )
    if converter.synchronous or further:
        return np.full(len(point.duty), np.nan)
    present = np.broadcast_to(np.asarray(converter.load_current, float), point.duty.shape)
    low, high = 0.5 * present, present.copy()
    first, guess = _valley(converter, low, None)
    second, guess = _valley(converter, high, guess)
    for _ in range(ROUNDS):
        slope = second - first
        step = np.where(slope != 0.0, -second * (high - low) / np.where(slope != 0.0, slope, 1.0), 0.0)
        low, first, high = high, second, np.maximum(high + step, 1e-3 * high)
        if np.all(np.abs(high - low) <= SETTLED * high):
            break
        second, guess = _valley(converter, high, guess)
    return high


def _valley(
    converter: Converter, load_current: NDArray[np.float64], guess: Sequence | None
) -> tuple[NDArray[np.float64], Sequence]:
    """Valley (B,) [A] of the diode current with a rectifier that never opens, and the edges to begin from next."""
    point = operating_point(replace(converter.plain(), load_current=load_current, synchronous=True), guess)
    off, end = point.network.configurations[OFF], point.states[:, -1]
    devices = converter.topology.devices
    valleys = []
    for k in range(len(devices.rectifiers)):
        if devices.while_open >> k & 1:
            row = point.network.output_index(devices.current(k))
            valleys.append(dot(off.C[:, row], end) + dot(off.D[:, row], point.inputs))
    return np.min(valleys, axis=0), point.sequence
