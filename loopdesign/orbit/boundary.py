"""The load at which continuous conduction ends."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.batch import occurring
from loopdesign.network.places import OFF
from loopdesign.orbit.augmented import Stepper, augmented, dot
from loopdesign.orbit.operating_point import operating_point

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.network.converter import Converter
    from loopdesign.orbit.problem import OperatingPoint
    from loopdesign.orbit.sequence import Sequence

ROUNDS = 12
SETTLED = 1e-9
"""Relative change of the load at which the search stops."""
CLOSE = 1e-6
"""Relative change up to which it has come to an end."""


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
        (B,) load current [A]; NaN for a synchronous rectifier, which has no such limit, where the search comes to no
        end, and where further devices take part in the commutation, so that on and off are not all there is: see
        `conduction_margin`.
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
    return np.where(np.abs(high - low) <= CLOSE * high, high, np.nan)


def conduction_margin(point: OperatingPoint) -> NDArray[np.float64]:
    """Tell how far orbits of a stage with several rectifiers are from where continuous conduction ends.

    Conduction is continuous where every rectifier that ordinarily carries the off-time, one for each output, conducts
    until the clock. A rectifier that ordinarily does not, such as a clamp's, has no part in it, nor has the time after
    the clock in which the current changes over.

    Parameters
    ----------
    point : OperatingPoint
        Orbits (B,).

    Returns
    -------
    ndarray (B,)
        Where conduction is continuous the smallest current of these rectifiers at the clock [A], positive; elsewhere
        how long before the clock the first of them stops, negative [periods]. Both are zero where it ends.
    """
    devices, stepper, end = point.problem.devices, Stepper(point.problem), augmented(point)[:, -1]
    last = point.sequence.configuration[:, -1]
    margin = np.full(len(point), np.inf)
    for place in occurring(last):
        items = last == place
        for k in range(len(devices.rectifiers)):
            if devices.while_open & devices.mask(int(place)) >> k & 1:
                margin[items] = np.minimum(margin[items], dot(stepper.rectifier_ends(int(place), k), end)[items])
    rests = np.array([devices.rests(k) for k in range(len(point.network.configurations))])
    resting = rests[point.sequence.configuration] & (point.sequence.lengths > 0.0)
    begin = (point.sequence.ends - point.sequence.lengths)[np.arange(len(point)), np.argmax(resting, axis=1)]
    return np.where(resting.any(axis=1), begin - 1.0, margin)


def _valley(
    converter: Converter, load_current: NDArray[np.float64], guess: Sequence | None
) -> tuple[NDArray[np.float64], Sequence]:
    """Valley (B,) [A] of the diode current with a rectifier that never opens, and the edges to begin from next."""
    there = replace(converter.plain(), load_current=load_current, synchronous=True)
    if there.load == "voltage" and there.current_sense is None:  # at the same output, less drop draws more
        drop = there.load_voltage - np.asarray(there.load_resistance, float) * load_current
        there = replace(there, load_drop=drop)
    point = operating_point(there, guess)
    off, end = point.network.configurations[OFF], point.states[:, -1]
    devices = converter.topology.devices
    valleys = []
    for k in range(len(devices.rectifiers)):
        if devices.while_open >> k & 1:
            row = point.network.output_index(devices.current(k))
            valleys.append(dot(off.C[:, row], end) + dot(off.D[:, row], point.inputs))
    return np.min(valleys, axis=0), point.sequence
