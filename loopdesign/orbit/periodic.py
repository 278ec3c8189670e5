"""Periodic boundary value problem of the switched network, and Newton's method for it.

A period is a sequence of intervals (`loopdesign.orbit.sequence`), times in periods. Each is stepped by the exponential
of the augmented matrix acting on ``[q, x, 1, trim]``, with ``q`` the running integral of the regulated output and
``trim`` the one input left free (control voltage, or reference when the loop is closed). Newton's method then finds
x(0), trim and every edge at once, so that

    x(1) = x(0),   average output = target,   threshold(t) = 0 at each comparator or rectifier edge,
    t - t(trip) = delay at each delayed edge.

Solving all of them together stays well posed where the open-loop period map alone is singular (a constant-power load
in discontinuous conduction has no equilibrium output of its own).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.errors import ConvergenceError
from loopdesign.orbit.augmented import EdgeRows, Passage, Stepper, apply, dot
from loopdesign.orbit.problem import OperatingPoint
from loopdesign.orbit.sequence import Edge, Sequence, tripped_at_once

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.orbit.problem import OrbitProblem

NEWTON_STEPS = 40
TOGETHER = 8
"""Steps that all items of a batch take at most; after them those go on alone that have not come to rest."""
FEW = 16
"""Items up to which a step of all takes no longer than one of some."""
CONVERGED = 1e-8
"""Relative size of the last Newton step but one; convergence is quadratic, so the last one is at rounding level."""
OVERRUN = 0.2
"""How far an edge may run beyond the period [periods]."""
SHARE_OF_GAP = 0.4
"""Largest part of an interval that one Newton step may take away."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Linearised:
    """Residual (B,U) and Jacobian (B,U,U) in ``[x0, trim, edges]``, and the states along the way (B,K+1,m)."""

    residual: NDArray[np.float64]
    jacobian: NDArray[np.float64]
    along: NDArray[np.float64]


def solve(problem: OrbitProblem, guess: Sequence) -> OperatingPoint:
    """Solve a problem from a guess, its sequence kept; see `newton`.

    Parameters
    ----------
    problem : OrbitProblem
        The periodic problem (B,).
    guess : Sequence
        Intervals and edges to begin from (B, K) [periods].

    Returns
    -------
    OperatingPoint
        The exact orbits (B,).
    """
    return newton(problem, Stepper(problem), guess)


def newton(
    problem: OrbitProblem, stepper: Stepper, guess: Sequence, *, held: bool = False, steps: int = NEWTON_STEPS
) -> OperatingPoint:
    """Solve for start state, trim and edges of every item together.

    Parameters
    ----------
    problem, stepper
        What to solve, and its matrices.
    guess
        Intervals, which stay, and edges to begin from.
    held
        Keep the trim input at its value in ``problem.inputs`` and leave the average output to follow; edges of the
        kind clock then hold the duty.
    steps
        Most steps of Newton's method [unitless].

    Returns
    -------
    OperatingPoint
        Batched periodic operating point.

    Raises
    ------
    ConvergenceError
        With the items at which no operating point was found.
    """
    point, done = settled(problem, stepper, guess, held=held, steps=steps)
    if not done.all():
        raise ConvergenceError(
            "Newton's method finds no waveform that repeats every period",
            items=tuple(int(i) for i in np.flatnonzero(~done)),
        )
    return point


def settled(
    problem: OrbitProblem, stepper: Stepper, guess: Sequence, *, held: bool = False, steps: int = NEWTON_STEPS
) -> tuple[OperatingPoint, NDArray[np.bool_]]:
    """Solve for start state, trim and edges of every item for which Newton's method finds them.

    Parameters
    ----------
    problem, stepper
        What to solve, and its matrices.
    guess
        Intervals, which stay, and edges to begin from.
    held
        As for `newton`.
    steps
        Most steps of Newton's method [unitless].

    Returns
    -------
    tuple of OperatingPoint and ndarray (B,)
        Operating points, and which of them are found; the others mean nothing, their states are zero.
    """
    n = stepper.n
    sequence, edges = guess, stepper.edges(guess)
    passage = stepper.propagate(sequence)
    start = _linear_start(stepper, sequence, edges, passage.exponentials, held=held)
    start, sequence, done, passage = _stepped(stepper, start, sequence, passage, held=held, steps=steps)
    if not done.all():
        start = np.where(done[:, None], start, 0.0)
        sequence = guess.with_items(np.flatnonzero(done), sequence.take(np.flatnonzero(done)))
    E = stepper.propagate(sequence, passage).exponentials
    along = [start]
    for e in E:
        along.append(apply(e, along[-1]))
    inputs = problem.inputs.copy()
    inputs[:, problem.network.input_index(problem.trim)] = start[:, n + 2]
    states = np.stack([z[:, 1 : n + 1] for z in along], axis=1)
    point = OperatingPoint(
        problem=problem, inputs=inputs, sequence=sequence, states=states, transitions=E[..., 1 : n + 1, 1 : n + 1]
    )
    return point, done


def _stepped(
    stepper: Stepper, start: NDArray[np.float64], sequence: Sequence, passage: Passage, *, held: bool, steps: int,
    rested: NDArray[np.bool_] | None = None,
) -> tuple[NDArray[np.float64], Sequence, NDArray[np.bool_], Passage]:  # fmt: skip
    """Take Newton steps; once most items have come to rest only the others go on.

    Returns
    -------
    tuple of ndarray (B,m), Sequence, ndarray (B,) and Passage
        Augmented states at the clock, edges, which items came to rest and took one more step, and the exponentials of
        a step before the last.
    """
    n, edges, size = stepper.n, stepper.edges(sequence), len(sequence)
    done, rested = np.zeros(size, bool), np.zeros(size, bool) if rested is None else rested
    taken = 0
    while taken < min(steps, TOGETHER) and (size < FEW or 2 * int(done.sum()) < size):
        it = _linearise(stepper, start, sequence, edges, passage, held=held)
        scale = 1.0 / np.abs(it.jacobian).max(axis=2)
        step = -np.linalg.solve(it.jacobian * scale[:, :, None], (it.residual * scale)[..., None])[..., 0]
        moved = np.abs(step[:, :n]).max(axis=1) / np.abs(start[:, 1 : n + 1]).max(axis=1)
        largest = np.abs(step[:, n + 1 :]).max(axis=1, initial=0.0)
        step *= _share(sequence, step[:, n + 1 :])[:, None]
        start[:, 1 : n + 1] += step[:, :n]
        start[:, n + 2] += step[:, n]
        ends = sequence.ends.copy()
        ends[:, :-1] += step[:, n + 1 :]
        sequence = Sequence(configuration=sequence.configuration, edge=sequence.edge, ends=ends)
        taken += 1
        done |= rested
        if done.all():
            break
        rested |= (moved < CONVERGED) & (largest < CONVERGED)
        passage = stepper.propagate(sequence, passage)
    rest = np.flatnonzero(~done)
    if len(rest) and steps > taken:
        part, left = Stepper(stepper.problem.take(rest)), sequence.take(rest)
        start[rest], moved_on, done[rest], _ = _stepped(
            part, start[rest], left, passage.take(rest, left.ends.shape[1]), held=held, steps=steps - taken,
            rested=rested[rest],
        )  # fmt: skip
        sequence = sequence.with_items(rest, moved_on)
    return start, sequence, done, passage


def _share(sequence: Sequence, moved: NDArray[np.float64]) -> NDArray[np.float64]:
    """Part (B,) of a Newton step that takes no more than a share of any interval away.

    The last interval may turn negative: an edge that runs beyond the period says that the sequence is another. So may a
    first one that ends with a trip ahead of a delay: a pulse shorter than the delay, which no controller makes.
    """
    gaps = sequence.lengths + np.where(sequence.ends >= 1.0, OVERRUN, 0.0)
    gaps[:, 0] += np.where(tripped_at_once(sequence), OVERRUN, 0.0)
    change = np.zeros(sequence.ends.shape)
    change[:, :-1] = moved
    change[:, 1:] -= moved
    shrinking = -change > SHARE_OF_GAP * np.maximum(gaps, 1e-300)
    limit = np.where(shrinking & (gaps > 0.0), SHARE_OF_GAP * gaps / np.where(shrinking, -change, 1.0), 1.0)
    return np.minimum(1.0, limit.min(axis=1))


def _linear_start(
    stepper: Stepper, sequence: Sequence, edges: list[EdgeRows], E: NDArray[np.float64], *, held: bool
) -> NDArray[np.float64]:
    """Solve start state and trim at given edges: periodic states with the comparator met, a linear problem."""
    n, b = stepper.n, len(sequence)
    total = np.broadcast_to(np.eye(n + 3), E[0].shape)
    row, ramp = np.zeros((b, n + 3)), np.zeros(b)
    for k, e in enumerate(E):
        total = e @ total
        tripped = sequence.edge[:, k] == Edge.COMPARATOR
        if k < len(edges) and not held and tripped.any():
            rows, ramps = edges[k]
            here = (rows[:, None, :] @ total)[:, 0]
            row = np.where(tripped[:, None], here, row)
            ramp = np.where(tripped, ramps * sequence.ends[:, k], ramp)
    x, trim = slice(1, n + 1), n + 2
    if held:
        row = np.zeros((b, n + 3))
        row[:, trim] = 1.0
        row[:, n + 1] = -stepper.problem.inputs[:, stepper.trim]
    matrix = np.zeros((b, n + 1, n + 1))
    matrix[:, :n, :n] = np.eye(n) - total[:, x, x]
    matrix[:, :n, n] = -total[:, x, trim]
    matrix[:, n, :n] = row[:, x]
    matrix[:, n, n] = row[:, trim]
    right = np.concatenate([total[:, x, n + 1], (-row[:, n + 1] - ramp)[:, None]], axis=1)
    solution = np.linalg.solve(matrix, right[..., None])[..., 0]
    start = np.zeros((b, n + 3))
    start[:, x] = solution[:, :n]
    start[:, n + 1] = 1.0
    start[:, trim] = solution[:, n]
    return start


def _linearise(
    stepper: Stepper, start: NDArray[np.float64], sequence: Sequence, edges: list[EdgeRows], passage: Passage, *,
    held: bool,
) -> _Linearised:  # fmt: skip
    """Residual and its exact Jacobian: columns of start and trim are carried along, an edge's own starts at it."""
    n, (b, count) = stepper.n, sequence.ends.shape
    flows, E = passage.flows, passage.exponentials
    unknowns = n + 1 + count - 1
    residual, jacobian = np.empty((b, unknowns)), np.zeros((b, unknowns, unknowns))
    S = np.zeros((b, n + 3, unknowns))
    S[:, np.r_[1 : n + 1, n + 2], np.arange(n + 1)] = 1.0
    z, along = start, [start]
    for k in range(count):
        z, S = apply(E[k], z), E[k] @ S
        along.append(z)
        if k == count - 1:
            break
        own = n + 1 + k
        rate = apply(flows[k], z)
        residual[:, own], jacobian[:, own] = _edge_equation(stepper, sequence, k, edges[k], (z, S, rate))
        S[:, :, own] += rate - apply(flows[k + 1], z)
    x = slice(1, n + 1)
    residual[:, :n] = z[:, x] - start[:, x]
    jacobian[:, :n] = S[:, x]
    jacobian[:, np.arange(n), np.arange(n)] -= 1.0
    if held:
        residual[:, n] = start[:, n + 2] - stepper.problem.inputs[:, stepper.trim]
        jacobian[:, n] = 0.0
        jacobian[:, n, n] = 1.0
    else:
        residual[:, n] = z[:, 0] - stepper.target
        jacobian[:, n] = S[:, 0]
    return _Linearised(residual=residual, jacobian=jacobian, along=np.stack(along, axis=1))


def _edge_equation(
    stepper: Stepper,
    sequence: Sequence,
    k: int,
    crossing: EdgeRows,
    moved: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Equation of edge ``k``: a crossing, a delay after the trip before it, or a given instant."""
    z, S, rate = moved
    edge, own = sequence.edge[:, k], stepper.n + 1 + k
    rows, ramps = crossing
    residual = dot(rows, z) + ramps * sequence.ends[:, k]
    jacobian = (rows[:, None, :] @ S)[:, 0]
    jacobian[:, own] += dot(rows, rate) + ramps
    still = (edge == Edge.CLOCK) | (edge == Edge.DELAYED)
    if still.any():
        residual[still], jacobian[still] = 0.0, 0.0
        jacobian[still, own] = 1.0
        delayed = np.flatnonzero(edge == Edge.DELAYED)
        if len(delayed):
            trips = np.argmax(sequence.edge[delayed] == Edge.COMPARATOR, axis=1)
            residual[delayed] = sequence.ends[delayed, k] - sequence.ends[delayed, trips] - stepper.problem.delay
            jacobian[delayed, own - k + trips] = -1.0
    return residual, jacobian


def slope_over_duty(point: OperatingPoint, stepper: Stepper) -> NDArray[np.float64]:
    """Change (B,) of the average output with duty [V], control held out of it; positive on the rising side.

    Where the switch is opened by its comparator, the trip (with its delay) is moved and every other edge follows.

    Parameters
    ----------
    point : OperatingPoint
        Operating points (B,).
    stepper : Stepper
        Matrices and rows of the problem (B,).

    Returns
    -------
    ndarray (B,)
        Change of the average output per unit of duty [V].
    """
    n, items = stepper.n, np.arange(len(point))
    start = np.concatenate(
        [np.zeros((len(point), 1)), point.start, np.ones((len(point), 1)), point.trim[:, None]], axis=1
    )
    passage = stepper.propagate(point.sequence)
    it = _linearise(stepper, start, point.sequence, stepper.edges(point.sequence), passage, held=False)
    own = n + 1 + point.trip
    keep = np.ones((len(point), it.jacobian.shape[1]), bool)
    keep[items, own] = False
    keep[:, n] = False
    rest = it.jacobian[keep].reshape(len(point), -1, it.jacobian.shape[2])
    square = rest[np.broadcast_to(keep[:, None, :], rest.shape)].reshape(len(point), rest.shape[1], rest.shape[1])
    driven = rest[items, :, own]
    follow = -np.linalg.solve(square, driven[..., None])[..., 0]
    average = it.jacobian[:, n]
    others = average[keep].reshape(len(point), -1)
    return average[items, own] + dot(others, follow)
