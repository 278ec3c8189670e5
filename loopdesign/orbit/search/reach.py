"""The exact output over duty, and what the stage reaches at best.

At a given duty the periodic orbit is a linear problem in continuous conduction; in discontinuous conduction the end of
the rectifier's conduction is bracketed first. Losses make the output rise with duty, fold over and fall again: the
target is looked for on the rising side, and the fold is bracketed on the exact output, in the mode that holds there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from loopdesign.network.places import IDLE, OFF, ON
from loopdesign.orbit.augmented import Stepper, dot
from loopdesign.orbit.conduction import rectifier_breaks
from loopdesign.orbit.search.crossing import falls_through_zero
from loopdesign.orbit.sequence import Edge, Sequence

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from loopdesign.orbit.problem import OrbitProblem

SHORTEST_ON = 1e-4
"""Smallest duty looked at [unitless]."""
SCAN = 64
"""Duties at which the output is sampled when the target is not found at once."""
HALVINGS = 40
BRACKETINGS = 30
GOLDEN = 0.5 * (np.sqrt(5.0) - 1.0)


def continuous(duty: NDArray[np.float64]) -> Sequence:
    """Make the sequence of continuous conduction, on then off, at given duty.

    Parameters
    ----------
    duty : ndarray (B,)
        On-time over period [unitless].

    Returns
    -------
    Sequence
        Edges (B, 2) [periods].
    """
    return ordinary(duty, np.ones_like(duty), np.zeros(len(duty), bool))


def ordinary(
    duty: NDArray[np.float64], conduction_end: NDArray[np.float64], discontinuous: NDArray[np.bool_]
) -> Sequence:
    """On, off and, where discontinuous, idle, at given edges (B,) [periods].

    Parameters
    ----------
    duty : ndarray (B,)
        On-time over period [unitless].
    conduction_end : ndarray (B,)
        Where the rectifier stops [periods].
    discontinuous : ndarray (B,) of bool
        Whether the rectifier stops before the clock [unitless].

    Returns
    -------
    Sequence
        Edges (B, 3) [periods].
    """
    b = len(duty)
    configuration = np.full((b, 3), OFF)
    configuration[:, 0] = ON
    configuration[discontinuous, 2] = IDLE
    edge = np.full((b, 3), int(Edge.CLOCK))
    edge[:, 0] = Edge.COMPARATOR
    edge[discontinuous, 1] = Edge.RECTIFIER_ENDS
    ends = np.ones((b, 3))
    ends[:, 0] = duty
    ends[:, 1] = np.where(discontinuous, conduction_end, 1.0)
    return Sequence(configuration=configuration, edge=edge, ends=ends).trimmed()


@dataclass(frozen=True, slots=True, kw_only=True)
class AtDuty:
    """Periodic orbits at given duty.

    Attributes
    ----------
    sequence
        Their intervals.
    output
        (B,) average of what the feedback senses [V].
    broken
        (B,) True where the rectifier does something else than conduct once, so that the sequence is not the true one.
    """

    sequence: Sequence
    output: NDArray[np.float64]
    broken: NDArray[np.bool_]


def at_duty(stepper: Stepper, duty: NDArray[np.float64]) -> AtDuty:
    """Solve the periodic orbit at a given duty (B,), in the mode that holds there.

    Parameters
    ----------
    stepper : Stepper
        Matrices and rows of the problem (B,).
    duty : ndarray (B,)
        On-time over period [unitless].

    Returns
    -------
    AtDuty
        Orbits and outputs (B,).
    """
    sequence, states, output = _ordinary_orbits(stepper, duty)
    return AtDuty(sequence=sequence, output=output, broken=rectifier_breaks(stepper, sequence, states))


def _ordinary_orbits(
    stepper: Stepper, duty: NDArray[np.float64]
) -> tuple[Sequence, NDArray[np.float64], NDArray[np.float64]]:
    """Sequence, augmented states (B,K+1,m) and output (B,) in continuous or discontinuous conduction."""
    sequence = continuous(duty)
    states, output = stepper.fixed_point(sequence)
    if not stepper.problem.diode:
        return sequence, states, output
    reversed_ = dot(stepper.rectifier_ends(OFF), states[:, 2]) < 0.0
    if reversed_.any():
        end = conduction_end(stepper, duty, reversed_)
        sequence = ordinary(duty, end, reversed_)
        states, output = stepper.fixed_point(sequence)
    return sequence, states, output


def conduction_end(
    stepper: Stepper, duty: NDArray[np.float64], discontinuous: NDArray[np.bool_], *, halvings: int = BRACKETINGS
) -> NDArray[np.float64]:
    """Find where the rectifier's current of the periodic orbit reaches zero (B,) [periods]; one where it does not.

    Parameters
    ----------
    stepper : Stepper
        Matrices and rows of the problem (B,).
    duty : ndarray (B,)
        On-time over period [unitless].
    discontinuous : ndarray (B,) of bool
        Whether the rectifier stops before the clock [unitless].
    halvings : int
        The place is found to this many halvings of the off-time [unitless].

    Returns
    -------
    ndarray (B,)
        Where the current reaches zero [periods].
    """
    row = stepper.rectifier_ends(OFF)

    def current(end: NDArray[np.float64]) -> NDArray[np.float64]:
        return dot(row, stepper.fixed_point(ordinary(duty, end, discontinuous))[0][:, 2])

    return falls_through_zero(current, np.where(discontinuous, duty, 1.0), np.ones_like(duty), halvings=halvings)


Output: TypeAlias = "Callable[[NDArray[np.intp], NDArray[np.float64]], NDArray[np.float64]]"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """What each item reaches: highest average output (B,) [V] over duty, and the duty (B,) where it lies."""

    output: NDArray[np.float64]
    duty: NDArray[np.float64]


def exact_output(problem: OrbitProblem) -> Output:
    """Return the function from items (S,) and duties (S,) to the exact output (S,) [V] of the ordinary modes.

    Parameters
    ----------
    problem : OrbitProblem
        The periodic problem (B,).

    Returns
    -------
    callable
        From items (S,) and duties (S,) [unitless] to outputs (S,) [V].
    """

    def output(items: NDArray[np.intp], duty: NDArray[np.float64]) -> NDArray[np.float64]:
        return _ordinary_orbits(Stepper(problem.take(items)), duty)[2]

    return output


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """The exact output over duty, sampled: duties (G,), outputs (B,G) [V], and the highest found."""

    duty: NDArray[np.float64]
    output: NDArray[np.float64]
    reach: Reach


def scan_duty(problem: OrbitProblem, output: Output) -> Scan:
    """Sample the exact output over duty and close in on its maximum.

    Parameters
    ----------
    problem
        Open-loop problems with a resistive load.
    output
        From `exact_output`.

    Returns
    -------
    Scan
        The maximum is exact to a few parts in 1e9 where it lies inside, and at the largest duty otherwise.
    """
    b = len(problem)
    grid = np.linspace(SHORTEST_ON, problem.max_duty, SCAN)
    items = np.repeat(np.arange(b), SCAN)
    values = output(items, np.tile(grid, b)).reshape(b, SCAN)
    top = np.argmax(values, axis=1)
    everyone = np.arange(b)
    low, high = grid[np.maximum(top - 1, 0)], grid[np.minimum(top + 1, SCAN - 1)]
    a, c = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
    fa, fc = output(everyone, a), output(everyone, c)
    for _ in range(HALVINGS):
        left = fa > fc
        low, high = np.where(left, low, a), np.where(left, c, high)
        new = np.where(left, high - GOLDEN * (high - low), low + GOLDEN * (high - low))
        value = output(everyone, new)
        a, fa, c, fc = (
            np.where(left, new, c), np.where(left, value, fc), np.where(left, a, new), np.where(left, fa, value),
        )  # fmt: skip
        if np.all(high - low < 1e-7):
            break
    duty = np.where(fa > fc, a, c)
    best = np.maximum(fa, fc)
    sampled = values[everyone, top]
    duty, best = np.where(sampled > best, grid[top], duty), np.maximum(sampled, best)
    return Scan(duty=grid, output=values, reach=Reach(output=best, duty=duty))


def bracket(scanned: Scan, target: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Duties (B,) below and above the first at which the output rises to its target; both the fold where none does.

    Parameters
    ----------
    scanned : Scan
        Outputs over a grid of duty.
    target : ndarray (B,)
        Wanted average output [V].

    Returns
    -------
    tuple of ndarray (B,)
        Duties [unitless].
    """
    values, grid = scanned.output, scanned.duty
    reached = values >= target[:, None]
    first = np.where(reached.any(axis=1), np.argmax(reached, axis=1), len(grid))
    before_fold = np.searchsorted(grid, scanned.reach.duty)
    inside = first < len(grid)
    high = np.where(inside, grid[np.minimum(first, len(grid) - 1)], scanned.reach.duty)
    low = np.where(inside, grid[np.maximum(first - 1, 0)], grid[np.maximum(before_fold - 1, 0)])
    return low, high


def bisected(
    output: Output, target: NDArray[np.float64], low: NDArray[np.float64], high: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Close in on the duty (B,) at which a rising output meets its target.

    Parameters
    ----------
    output : callable
        From items (S,) and duties (S,) to outputs (S,).
    target : ndarray (B,)
        Wanted average output [V].
    low : ndarray (B,)
        Duty at which the output is below its target [unitless].
    high : ndarray (B,)
        Duty at which it is above [unitless].

    Returns
    -------
    ndarray (B,)
        Duty [unitless].
    """
    everyone = np.arange(len(target))
    for _ in range(BRACKETINGS):
        middle = 0.5 * (low + high)
        below = output(everyone, middle) < target
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return 0.5 * (low + high)
