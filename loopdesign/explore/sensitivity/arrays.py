"""A periodic orbit and its linear response written as arrays alone, so that all of it can carry a derivative.

A derivative by a part goes through everything a margin rests on: the network's matrices, the orbit with its edges and
its free input, the bias of capacitors, the exponentials of the intervals, the shifts of the edges, the multipliers and
the loop gain. Two of these steps are linear and are solved as such: how the orbit moves (`orbit_tangent`), and what the
bias does. The last one, from orbit and matrices to the period map and the loop gain, is evaluated in complex numbers a
tiny step away along the derivative: the imaginary part is the derivative to the last digit, for nothing is subtracted.
A sinusoid is written as two real numbers meanwhile, so that the imaginary unit is free for that.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.orbit.sequence import Edge, chosen

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.orbit.problem import OrbitProblem
    from loopdesign.orbit.sequence import Sequence

    Array = NDArray[Any]

STEP = 1e-30
"""Size of the complex step."""
OUTPUTS = ("v(regulated)", "v(sense)")


@dataclass(frozen=True, slots=True, kw_only=True)
class PeriodArrays:
    """Matrices of every interval and rows of every edge of a batch (B) of closed loops, in the units of the network.

    Attributes
    ----------
    A, B, C, D
        (B,K,n,n), (B,K,n,p), (B,K,q,n), (B,K,q,p) of each interval; the outputs are ``OUTPUTS``.
    row, row_input, ramp
        (B,K-1,n), (B,K-1,p), (B,K-1) of what is zero at each edge; zero at an edge that is none of these.
    inputs
        (B,p) dc inputs, the free one at zero.
    target, delay, scale
        (B,) average output [V]; (B,) turn-off delay [periods]; (B,n) normalised state per SI state.
    """

    A: Array
    B: Array
    C: Array
    D: Array
    row: Array
    row_input: Array
    ramp: Array
    inputs: Array
    target: Array
    delay: Array
    scale: Array

    def map(self, function: Any) -> PeriodArrays:  # noqa: ANN401  (any function of an array)
        """Apply a function to every array."""
        return PeriodArrays(**{f.name: function(getattr(self, f.name)) for f in fields(self)})


def gathered(problem: OrbitProblem, sequence: Sequence) -> PeriodArrays:
    """Gather the arrays of a batch of problems whose intervals are given.

    Parameters
    ----------
    problem : OrbitProblem
        Networks and thresholds (B,).
    sequence : Sequence
        Intervals (B,K).

    Returns
    -------
    PeriodArrays
        Matrices, rows and inputs (B,).
    """
    network, devices, count = problem.network, problem.devices, sequence.ends.shape[1]
    rows = [network.output_index(name) for name in OUTPUTS]

    def stacked(name: str) -> Array:
        of = [getattr(c, name) for c in network.configurations]
        return np.stack([chosen(of, sequence.configuration[:, k]) for k in range(count)], axis=1)

    C, D = stacked("C"), stacked("D")
    row = np.zeros((len(sequence), count - 1, C.shape[3]))
    row_input, ramp = np.zeros((*row.shape[:2], D.shape[3])), np.zeros(row.shape[:2])
    for k in range(count - 1):
        edge, configuration = sequence.edge[:, k], sequence.configuration[:, k]
        for c, th in problem.thresholds.items():
            here = (edge == Edge.COMPARATOR) & (configuration == c)
            row[here, k], row_input[here, k], ramp[here, k] = th.row_state[here], th.row_input[here], th.ramp[here]
        after = sequence.configuration[:, k + 1]
        for kind, probe_of in ((Edge.RECTIFIER_ENDS, devices.current), (Edge.RECTIFIER_STARTS, devices.forward)):
            for before, then in {*zip(configuration[edge == kind].tolist(), after[edge == kind].tolist(), strict=True)}:
                here = (edge == kind) & (configuration == before) & (after == then)
                moved = devices.changed(before, then, ends=kind == Edge.RECTIFIER_ENDS)
                at = network.output_index(probe_of(moved))
                row[here, k], row_input[here, k] = C[here, k, at], D[here, k, at]
                if kind == Edge.RECTIFIER_STARTS:  # where its forward voltage reaches its drop
                    row_input[here, k, network.input_index(devices.rectifiers[moved])] -= 1.0
    inputs = problem.inputs.copy()
    inputs[:, network.input_index(problem.trim)] = 0.0
    return PeriodArrays(
        A=stacked("A"), B=stacked("B"), C=C[:, :, rows], D=D[:, :, rows], row=row, row_input=row_input, ramp=ramp,
        inputs=inputs, target=problem.target, delay=np.broadcast_to(problem.delay, problem.target.shape),
        scale=network.state_scale,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Orbit:
    """What an orbit adds to its matrices, or how it moves.

    Attributes
    ----------
    ends
        (B,K) where the intervals end [periods].
    states
        (B,K+1,n) states at the clock and at the end of each interval.
    inputs
        (B,p) dc inputs, the free one resolved.
    """

    ends: Array
    states: Array
    inputs: Array


def affine(M: Array, N: Array, x: Array, u: Array) -> Array:
    """``M x + N u`` over leading axes."""
    return (M @ x[..., None] + N @ u[..., None])[..., 0]


def exponential(N: Array) -> Array:
    """Exponentiate a stack of matrices, real or complex."""
    from scipy.linalg import expm  # noqa: PLC0415  (slow to load, needed here only)

    return np.asarray(expm(N))


def complex_along(base: Any, moved: Any) -> Any:  # noqa: ANN401  (arrays or orbits)
    """Step from one set of arrays along its derivative, by a tiny imaginary amount."""
    return type(base)(**{f.name: getattr(base, f.name) + 1j * STEP * getattr(moved, f.name) for f in fields(base)})
