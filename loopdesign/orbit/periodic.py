"""Periodic boundary value problem of the switched network, and Newton's method for it.

One period is three intervals, on (0..t1), off (t1..t2) and idle (t2..1), times in periods. In continuous conduction
and with a synchronous rectifier t2 = 1; in discontinuous conduction t2 is where the diode current reaches zero. Each
interval is stepped by the exponential of the augmented matrix acting on ``[q, x, 1, trim]``, with ``q`` the running
integral of the output and ``trim`` the one input left free (control voltage, or reference when the loop is closed).
Newton's method then finds x(0), trim, t1 and t2 at once, so that

    x(1) = x(0),   average output = target,   threshold(t1) = 0,   diode current(t2) = 0.

Solving all of them together stays well posed where the open-loop period map alone is singular (a constant-power load
in discontinuous conduction has no equilibrium output of its own).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.errors import ConvergenceError
from loopdesign.network.linear_algebra import expm

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.network.circuit import SwitchedNetwork
    from loopdesign.network.modulator import Threshold

NEWTON_STEPS = 40
CONVERGED = 1e-8
"""Relative size of the last Newton step but one; convergence is quadratic, so the last one is at rounding level."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OrbitProblem:
    """One batch of periodic boundary value problems.

    Attributes
    ----------
    network
        Three configurations: on, off, idle (idle equals off with a synchronous rectifier).
    threshold
        Comparator threshold in the on-interval.
    inputs
        (B,p) dc values of the inputs; the trim input's entry is ignored.
    trim
        Name of the free input: ``control`` or ``reference``.
    target
        (B,) average output [V].
    diode
        True where the rectifier is a diode, which opens at zero current.
    max_duty
        Largest duty [unitless].
    """

    network: SwitchedNetwork
    threshold: Threshold
    inputs: NDArray[np.float64]
    trim: str
    target: NDArray[np.float64]
    diode: bool
    max_duty: float

    def take(self, items: NDArray[np.intp]) -> OrbitProblem:
        """Keep some items of the batch, in the order given."""
        return OrbitProblem(
            network=self.network.take(items),
            threshold=self.threshold.take(items),
            inputs=self.inputs[items],
            trim=self.trim,
            target=self.target[items],
            diode=self.diode,
            max_duty=self.max_duty,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatingPoint:
    """Periodic operating point of a batch.

    Attributes
    ----------
    problem
        What was solved, with the trim input's value now in ``inputs``.
    inputs
        (B,p) dc inputs, the trim input resolved.
    duty, rectifier_end
        (B,) end of the on-interval and of rectifier conduction [periods].
    discontinuous
        (B,) True in discontinuous conduction.
    start, at_duty, at_rectifier_end
        (B,n) normalised states at the clock, at ``duty`` and at ``rectifier_end``.
    """

    problem: OrbitProblem
    inputs: NDArray[np.float64]
    duty: NDArray[np.float64]
    rectifier_end: NDArray[np.float64]
    discontinuous: NDArray[np.bool_]
    start: NDArray[np.float64]
    at_duty: NDArray[np.float64]
    at_rectifier_end: NDArray[np.float64]

    @property
    def network(self) -> SwitchedNetwork:
        """Switched network of the problem."""
        return self.problem.network

    @property
    def lengths(self) -> NDArray[np.float64]:
        """(B,3) interval lengths [periods]."""
        return np.stack([self.duty, self.rectifier_end - self.duty, 1.0 - self.rectifier_end], axis=1)

    @property
    def trim(self) -> NDArray[np.float64]:
        """(B,) value of the free input [V]: control voltage or reference."""
        return self.inputs[:, self.network.input_index(self.problem.trim)]

    def take(self, items: NDArray[np.intp]) -> OperatingPoint:
        """Keep some items of the batch, in the order given."""
        return OperatingPoint(
            problem=self.problem.take(items),
            inputs=self.inputs[items],
            duty=self.duty[items],
            rectifier_end=self.rectifier_end[items],
            discontinuous=self.discontinuous[items],
            start=self.start[items],
            at_duty=self.at_duty[items],
            at_rectifier_end=self.at_rectifier_end[items],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Guess:
    """Start of the search: edge times (B,) [periods] and conduction mode (B,)."""

    duty: NDArray[np.float64]
    rectifier_end: NDArray[np.float64]
    discontinuous: NDArray[np.bool_]

    @classmethod
    def from_point(cls, point: OperatingPoint) -> Guess:
        """Begin where another operating point lies."""
        return cls(duty=point.duty, rectifier_end=point.rectifier_end, discontinuous=point.discontinuous)


class Stepper:
    """Augmented matrices of the three intervals and their exponentials."""

    def __init__(self, problem: OrbitProblem) -> None:
        network = problem.network
        b, n = network.state_scale.shape
        out, trim = network.output_index("v(out)"), network.input_index(problem.trim)
        known = problem.inputs.copy()
        known[:, trim] = 0.0
        self.n = n
        self.N = []
        for c in network.configurations:
            N = np.zeros((b, n + 3, n + 3))
            N[:, 0, 1 : n + 1] = c.C[:, out]
            N[:, 0, n + 1] = np.einsum("bp,bp->b", c.D[:, out], known)
            N[:, 0, n + 2] = c.D[:, out, trim]
            N[:, 1 : n + 1, 1 : n + 1] = c.A
            N[:, 1 : n + 1, n + 1] = np.einsum("bnp,bp->bn", c.B, known)
            N[:, 1 : n + 1, n + 2] = c.B[:, :, trim]
            self.N.append(N)
        th = problem.threshold
        self.threshold_row = self._row(th.row_state, th.row_input, known, trim)
        off, diode = network.configurations[1], network.output_index("i(diode)")
        self.diode_row = self._row(off.C[:, diode], off.D[:, diode], known, trim)
        self.ramp = th.ramp
        self.target = problem.target

    @staticmethod
    def _row(
        state: NDArray[np.float64], inputs: NDArray[np.float64], known: NDArray[np.float64], trim: int
    ) -> NDArray[np.float64]:
        """Write a probe of states and inputs as a row over ``[q, x, 1, trim]``."""
        constant = np.einsum("bp,bp->b", inputs, known)
        zero = np.zeros((len(known), 1))
        return np.concatenate([zero, state, constant[:, None], inputs[:, trim, None]], axis=1)

    def propagate(self, t1: NDArray[np.float64], t2: NDArray[np.float64]) -> list[NDArray[np.float64]]:
        """Exponentials of the three intervals."""
        lengths = (t1, t2 - t1, 1.0 - t2)
        stacked = np.stack([N * t[:, None, None] for N, t in zip(self.N, lengths, strict=True)])
        return list(expm(stacked))

    def fixed_point(self, t1: NDArray[np.float64], t2: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
        """Solve the period at given edges with trim zero: states at the start, t1 and t2, and the average output."""
        E1, E2, E3 = self.propagate(t1, t2)
        total = E3 @ E2 @ E1
        x = slice(1, self.n + 1)
        start = np.zeros((len(t1), self.n + 3))
        start[:, self.n + 1] = 1.0
        closing = np.eye(self.n) - total[:, x, x]
        start[:, x] = np.linalg.solve(closing, total[:, x, self.n + 1, None])[..., 0]
        first = apply(E1, start)
        second = apply(E2, first)
        return start, first, second, apply(E3, second)[:, 0]


def apply(M: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.float64]:
    """Apply matrices (B,n,n) to vectors (B,n)."""
    return np.einsum("bij,bj->bi", M, v)


def dot(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Scalar products (B,) of rows (B,n)."""
    return np.einsum("bi,bi->b", a, b)


def newton(problem: OrbitProblem, stepper: Stepper, guess: Guess) -> OperatingPoint:
    """Solve for start state, trim and edges of every item together."""
    b, n = problem.network.state_scale.shape
    t1, t2 = guess.duty.copy(), np.where(guess.discontinuous, guess.rectifier_end, 1.0)
    start = _linear_start(stepper, t1, t2)
    done = np.zeros(b, bool)
    for _ in range(NEWTON_STEPS):
        residual, jacobian = _residual(stepper, start, t1, t2, guess.discontinuous)
        scale = 1.0 / np.abs(jacobian).max(axis=2)
        step = -np.linalg.solve(jacobian * scale[:, :, None], (residual * scale)[..., None])[..., 0]
        room = np.minimum(np.minimum(t1, 1.0 - t1) * 0.4, np.where(guess.discontinuous, 0.4 * (t2 - t1), 1.0))
        largest = np.abs(step[:, n + 1 :]).max(axis=1)
        share = np.minimum(1.0, room / np.maximum(largest, 1e-300))
        step *= share[:, None]
        start[:, 1 : n + 1] += step[:, :n]
        start[:, n + 2] += step[:, n]
        t1, t2 = t1 + step[:, n + 1], t2 + step[:, n + 2]
        size = np.abs(step[:, :n]).max(axis=1) / np.abs(start[:, 1 : n + 1]).max(axis=1)
        if done.all():
            break
        done |= (size < CONVERGED) & (largest < CONVERGED)
    else:
        items = np.flatnonzero(~done)
        raise ConvergenceError(f"no periodic operating point found for {len(items)} of {b} operating points")
    E1, E2, _ = stepper.propagate(t1, t2)
    first = apply(E1, start)
    second = apply(E2, first)
    inputs = problem.inputs.copy()
    inputs[:, problem.network.input_index(problem.trim)] = start[:, n + 2]
    return OperatingPoint(
        problem=problem,
        inputs=inputs,
        duty=t1,
        rectifier_end=t2,
        discontinuous=guess.discontinuous.copy(),
        start=start[:, 1 : n + 1],
        at_duty=first[:, 1 : n + 1],
        at_rectifier_end=second[:, 1 : n + 1],
    )


def _linear_start(stepper: Stepper, t1: NDArray[np.float64], t2: NDArray[np.float64]) -> NDArray[np.float64]:
    """Solve start state and trim at given edges: periodic states with the threshold met, a linear problem."""
    n = stepper.n
    E1, E2, E3 = stepper.propagate(t1, t2)
    total = E3 @ E2 @ E1
    row = np.einsum("bi,bij->bj", stepper.threshold_row, E1)
    x, trim = slice(1, n + 1), n + 2
    matrix = np.zeros((len(t1), n + 1, n + 1))
    matrix[:, :n, :n] = np.eye(n) - total[:, x, x]
    matrix[:, :n, n] = -total[:, x, trim]
    matrix[:, n, :n] = row[:, x]
    matrix[:, n, n] = row[:, trim]
    right = np.concatenate([total[:, x, n + 1], (-row[:, n + 1] - stepper.ramp * t1)[:, None]], axis=1)
    solution = np.linalg.solve(matrix, right[..., None])[..., 0]
    start = np.zeros((len(t1), n + 3))
    start[:, x] = solution[:, :n]
    start[:, n + 1] = 1.0
    start[:, trim] = solution[:, n]
    return start


def _residual(
    stepper: Stepper,
    start: NDArray[np.float64],
    t1: NDArray[np.float64],
    t2: NDArray[np.float64],
    discontinuous: NDArray[np.bool_],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Residual (B,n+3) and its exact Jacobian in ``[x0, trim, t1, t2]``."""
    n = stepper.n
    b = len(t1)
    N1, N2, N3 = stepper.N
    E1, E2, E3 = stepper.propagate(t1, t2)
    first = apply(E1, start)
    second = apply(E2, first)
    end = apply(E3, second)
    x = slice(1, n + 1)
    free = [*range(1, n + 1), n + 2]
    residual = np.empty((b, n + 3))
    residual[:, :n] = end[:, x] - start[:, x]
    residual[:, n] = end[:, 0] - stepper.target
    residual[:, n + 1] = dot(stepper.threshold_row, first) + stepper.ramp * t1
    residual[:, n + 2] = np.where(discontinuous, dot(stepper.diode_row, second), t2 - 1.0)
    J = np.zeros((b, n + 3, n + 3))
    total = (E3 @ E2 @ E1)[:, :, free]
    later = apply(E2, apply(N1, first) - apply(N2, first))  # d x(t2) / d t1
    end_t1 = apply(E3, later)
    end_t2 = apply(E3, apply(N2, second) - apply(N3, second))
    J[:, :n, : n + 1] = total[:, x]
    J[:, :n, :n] -= np.eye(n)
    J[:, :n, n + 1], J[:, :n, n + 2] = end_t1[:, x], end_t2[:, x]
    J[:, n, : n + 1], J[:, n, n + 1], J[:, n, n + 2] = total[:, 0], end_t1[:, 0], end_t2[:, 0]
    J[:, n + 1, : n + 1] = np.einsum("bi,bij->bj", stepper.threshold_row, E1)[:, free]
    J[:, n + 1, n + 1] = dot(stepper.threshold_row, apply(N1, first)) + stepper.ramp
    diode_row = np.einsum("bi,bij->bj", stepper.diode_row, E2 @ E1)[:, free]
    J[:, n + 2, : n + 1] = np.where(discontinuous[:, None], diode_row, 0.0)
    J[:, n + 2, n + 1] = np.where(discontinuous, dot(stepper.diode_row, later), 0.0)
    J[:, n + 2, n + 2] = np.where(discontinuous, dot(stepper.diode_row, apply(N2, second)), 1.0)
    return residual, J
