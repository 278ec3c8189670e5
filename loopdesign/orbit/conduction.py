"""Whether the rectifier does what a sequence says: conducts forward, and blocks where it is said to block.

A quantity that must stay below zero is sampled over every interval: the reverse of the rectifier's current while it
conducts, its forward voltage above its drop while it blocks. Where a sampled maximum is close enough to zero that the
waveform could cross between samples, the item is sampled again, finely.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.batch import occurring
from loopdesign.network.linear_algebra import expm
from loopdesign.orbit.sequence import picked, tripped_at_once

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.orbit.augmented import Stepper
    from loopdesign.orbit.sequence import Sequence

COARSE, FINE = 16, 512
"""Samples of an interval, powers of two: where nothing is near, and where something is."""
CUT = 1e-6
"""Share of its largest terms within the period by which a state may miss a constraint and still obey it."""
TOLERANCE = 1e-7
"""Share of the quantity's own range that counts as rounding of an edge."""


def along(
    N: NDArray[np.float64], z: NDArray[np.float64], length: NDArray[np.float64], count: int
) -> NDArray[np.float64]:
    """Follow ``dz/dtheta = N z`` over an interval by doubling.

    Parameters
    ----------
    N : ndarray (B, m, m)
        Matrices of these states [1/period].
    z : ndarray (B, m)
        States at the begin of the interval, augmented with the inputs; with or without the running integral [unitless].
    length : ndarray (B,)
        Its length [periods].
    count : int
        Number of steps [unitless].

    Returns
    -------
    ndarray (B, m, count+1)
        Augmented states at even steps [unitless].
    """
    return doubled_states(expm(N * (length / count)[:, None, None]), z, count)[0]


def doubled_states(
    E: NDArray[np.float64], z: NDArray[np.float64], count: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Follow a motion over even steps by doubling.

    Parameters
    ----------
    E : ndarray (B, m, m)
        Transition matrices of one step [unitless].
    z : ndarray (B, m)
        States at the begin [unitless].
    count : int
        Number of steps, a power of two [unitless].

    Returns
    -------
    tuple of ndarray (B, m, count+1) and ndarray (B, m, m)
        States at every step, and the transition matrices of all of them together [unitless].
    """
    states = np.empty((*z.shape, count + 1))
    states[:, :, 0] = z
    done = 1
    while done < count:
        states[:, :, done : 2 * done] = E @ states[:, :, :done]
        E = E @ E
        done *= 2
    states[:, :, count] = (E @ z[..., None])[..., 0]
    return states, E


def rectifier_breaks(stepper: Stepper, sequence: Sequence, states: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Find the items (B,) of which a rectifier does otherwise than their sequence says.

    Parameters
    ----------
    stepper
        Matrices and rows.
    sequence
        Intervals and edges (B,K) [periods].
    states
        Augmented states (B,K+1,m) at the edges [unitless].

    Returns
    -------
    ndarray
        (B,) True where an interval has a negative length, the rectifier would conduct backwards, or would start; with
        several rectifiers also where the state at an edge cannot go on as the next interval says.
    """
    every, lengths = sequence.lengths, sequence.lengths
    # a trip ahead of the clock is no matter of the rectifier
    lengths[:, 0] = np.where(tripped_at_once(sequence), np.abs(lengths[:, 0]), lengths[:, 0])
    broken = np.asarray((lengths < 0.0).any(axis=1))
    if not stepper.problem.diode:
        return np.asarray(broken)
    if not stepper.problem.devices.plain:
        broken |= _cut_off(stepper, sequence, states)
    for k in range(sequence.ends.shape[1]):
        configuration = sequence.configuration[:, k]
        real = np.flatnonzero(every[:, k] > 0.0)
        if not len(real):
            continue
        coarse = max(stepper.samples(c) for c in occurring(configuration))
        # without the running integral, which no row here looks at
        flow, begin, length = stepper.flow(configuration)[real, 1:, 1:], states[real, k, 1:], every[real, k]
        moved = along(flow, begin, length, coarse)
        for rectifier in range(len(stepper.problem.devices.rectifiers)):
            rows = forbidden(stepper, configuration, rectifier)[real, 1:]
            value = (rows[:, None, :] @ moved)[:, 0]
            allowed = TOLERANCE * np.abs(value).max(axis=1)
            over, near = _judge(value, allowed)
            broken[real] |= over
            fine = np.flatnonzero(near & ~broken[real])
            if len(fine):
                value = (rows[fine, None, :] @ along(flow[fine], begin[fine], length[fine], FINE))[:, 0]
                broken[real[fine]] |= value.max(axis=1) > allowed[fine]
    return np.asarray(broken)


def _cut_off(stepper: Stepper, sequence: Sequence, states: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Items (B,) that enter an interval in a state its network does not allow, such as a current into nothing."""
    n, problem = stepper.n, stepper.problem
    cut = np.zeros(len(sequence), bool)
    largest = np.abs(states[:, :, 1 : n + 1]).max(axis=1)
    for k in range(sequence.ends.shape[1]):
        x, trim = states[:, k, 1 : n + 1], states[:, k, n + 2]
        for c in occurring(sequence.configuration[:, k]):
            network = problem.network.configurations[c]
            if not network.constraint.shape[1]:
                continue
            held = np.einsum("bkp,bp->bk", network.constraint_input, stepper.known)
            held += network.constraint_input[:, :, stepper.trim] * trim[:, None]
            missed = np.abs(np.einsum("bkn,bn->bk", network.constraint, x) + held)
            scale = np.einsum("bkn,bn->bk", np.abs(network.constraint), largest) + np.abs(held)
            here = (sequence.configuration[:, k] == c) & (sequence.lengths[:, k] > 0.0)
            cut |= here & (missed > CUT * scale).any(axis=1)
    return cut


def forbidden(stepper: Stepper, configuration: NDArray[np.intp], rectifier: int = 0) -> NDArray[np.float64]:
    """Rows (B,m) of what must stay below zero of a rectifier in each item's configuration (B,).

    Parameters
    ----------
    stepper : Stepper
        Matrices and rows of the problem (B,).
    configuration : ndarray (B,)
        Which devices conduct, by index [unitless].
    rectifier : int
        Which rectifier, counted from zero [unitless].

    Returns
    -------
    ndarray (B, m)
        Rows [A], [V].
    """

    def row(c: int) -> NDArray[np.float64]:
        conducts = stepper.problem.devices.mask(c) >> rectifier & 1
        return -stepper.rectifier_ends(c, rectifier) if conducts else stepper.rectifier_starts(c, rectifier)

    return picked(row, configuration)


def _judge(value: NDArray[np.float64], allowed: NDArray[np.float64]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Items (B,) with a sample above what is allowed, and items that might be above between samples."""
    over = value.max(axis=1) > allowed
    left, middle, right = value[:, :-2], value[:, 1:-1], value[:, 2:]
    hump = (middle >= left) & (middle >= right)
    rise = np.maximum(middle - left, middle - right)
    near = (hump & (middle + rise > 0.0)).any(axis=1)
    # an edge at zero may hide a hump beside it
    starts = (value[:, 0] > -allowed) & (value[:, 1] - value[:, 0] > -np.abs(value[:, 2] - value[:, 1]))
    return over, near | starts
