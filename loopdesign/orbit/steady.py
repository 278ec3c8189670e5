"""Operating point: duty and conduction mode found, the unreachable output told.

The averaged network brackets the duty on the rising side of the dc gain, bisection brackets the rectifier's end in
discontinuous conduction, and Newton's method on the exact periodic problem does the rest.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.orbit.periodic import Guess, OperatingPoint, OrbitProblem, Stepper, dot, newton

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Guess", "OperatingPoint", "OrbitProblem", "Reach", "averaged_output", "reach", "solve"]

DUTY_GRID = 160
SHORTEST_ON = 1e-4
"""Smallest duty looked at [unitless]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """Highest average output (B,) [V] over duty and the duty (B,) where it lies."""

    output: NDArray[np.float64]
    duty: NDArray[np.float64]


def averaged_output(problem: OrbitProblem, duty: NDArray[np.float64]) -> NDArray[np.float64]:
    """Average output (B,G) [V] of the averaged network in continuous conduction, over a grid of duty (G,)."""
    on, off = problem.network.configurations[:2]
    out = problem.network.output_index("v(out)")
    d = duty[None, :, None, None]
    A = d * on.A[:, None] + (1.0 - d) * off.A[:, None]
    drive_on, drive_off = (np.einsum("bnp,bp->bn", c.B, problem.inputs)[:, None] for c in (on, off))
    drive = d[..., 0] * drive_on + (1.0 - d[..., 0]) * drive_off
    x = -np.linalg.solve(A, drive[..., None])[..., 0]
    rows = d[..., 0] * on.C[:, None, out] + (1.0 - d[..., 0]) * off.C[:, None, out]
    through = d[..., 0] * on.D[:, None, out] + (1.0 - d[..., 0]) * off.D[:, None, out]
    return np.einsum("bgn,bgn->bg", rows, x) + np.einsum("bgp,bp->bg", through, problem.inputs)


def reach(problem: OrbitProblem) -> Reach:
    """Find the highest average output over duty, up to the largest duty.

    Losses make the dc gain rise, fold over and fall again. The averaged network places the fold and the exact periodic
    solution in continuous conduction measures it; at the fold the current is largest and conduction continuous.
    """
    grid = np.linspace(SHORTEST_ON, problem.max_duty, 4 * DUTY_GRID)
    peak = grid[np.argmax(averaged_output(problem, grid), axis=1)]
    stepper = Stepper(problem)
    spacing = 4.0 * (grid[1] - grid[0])
    middle = np.clip(peak, grid[0] + spacing, problem.max_duty - spacing)
    left, top, right = (_continuous_output(stepper, middle + k * spacing) for k in (-1, 0, 1))
    # vertex of the parabola through three exact points; at the largest duty that duty itself
    bend = left - 2.0 * top + right
    shift = np.clip(0.5 * (left - right) / np.where(bend < 0.0, bend, -np.inf), -1.0, 1.0)
    duty = np.where(right > np.maximum(left, top), problem.max_duty, middle + shift * spacing)
    return Reach(output=_continuous_output(stepper, duty), duty=duty)


def _continuous_output(stepper: Stepper, duty: NDArray[np.float64]) -> NDArray[np.float64]:
    """Exact average output (B,) [V] at given duty with a rectifier that conducts throughout the off-interval."""
    return stepper.fixed_point(duty, np.ones_like(duty))[3]


def solve(problem: OrbitProblem, guess: Guess | None = None) -> OperatingPoint:
    """Solve the periodic operating point of every item.

    Parameters
    ----------
    problem
        Network, threshold, inputs, target.
    guess
        Edge times to begin from, mode included; without it they are searched for (open-loop networks only).

    Returns
    -------
    OperatingPoint
        Batched exact operating point.

    Raises
    ------
    ConvergenceError
        Where Newton's method finds no operating point.
    """
    stepper = Stepper(problem)
    if guess is None:
        guess = _search(problem, stepper)
    result = newton(problem, stepper, guess)
    return _settle_mode(problem, result)


def _settle_mode(problem: OrbitProblem, point: OperatingPoint) -> OperatingPoint:
    """Solve again the items whose conduction mode turned out to be the other one."""
    if not problem.diode:
        return point
    wrong_continuous = ~point.discontinuous & (_valley(problem, point) < 0.0)
    wrong_discontinuous = point.discontinuous & (point.rectifier_end > 1.0)
    wrong = np.flatnonzero(wrong_continuous | wrong_discontinuous)
    if not len(wrong):
        return point
    part = problem.take(wrong)
    part_stepper = Stepper(part)
    to_discontinuous = wrong_continuous[wrong]
    guess = Guess(
        duty=np.where(to_discontinuous, point.duty[wrong], np.minimum(point.duty[wrong], problem.max_duty)),
        rectifier_end=np.ones(len(wrong)),
        discontinuous=to_discontinuous,
    )
    if to_discontinuous.any():
        guess = _discontinuous_guess(part, part_stepper, guess)
    again = newton(part, part_stepper, guess)
    return _merge(point, wrong, again)


def _merge(point: OperatingPoint, items: NDArray[np.intp], part: OperatingPoint) -> OperatingPoint:
    """Put solved items back into their places in the batch."""
    fields = {}
    for name in ("inputs", "duty", "rectifier_end", "discontinuous", "start", "at_duty", "at_rectifier_end"):
        values = getattr(point, name).copy()
        values[items] = getattr(part, name)
        fields[name] = values
    return OperatingPoint(problem=point.problem, **fields)


def _valley(problem: OrbitProblem, point: OperatingPoint) -> NDArray[np.float64]:
    """Diode current (B,) [A] at the end of the period."""
    network = problem.network
    off, diode = network.configurations[1], network.output_index("i(diode)")
    return dot(off.C[:, diode], point.at_rectifier_end) + dot(off.D[:, diode], point.inputs)


def _search(problem: OrbitProblem, stepper: Stepper) -> Guess:
    """Guess continuous conduction at the lowest duty whose averaged output reaches the target."""
    grid = np.linspace(SHORTEST_ON, problem.max_duty, DUTY_GRID)
    output = averaged_output(problem, grid)
    reached = output >= problem.target[:, None]
    last = np.argmax(output, axis=1)
    k = np.where(reached.any(axis=1), np.argmax(reached, axis=1), last)
    k = np.clip(k, 1, DUTY_GRID - 1)
    items = np.arange(len(k))
    low, high = output[items, k - 1], output[items, k]
    share = np.clip((problem.target - low) / np.where(high != low, high - low, 1.0), 0.0, 1.0)
    guess = Guess(
        duty=grid[k - 1] + share * (grid[k] - grid[k - 1]),
        rectifier_end=np.ones(len(k)),
        discontinuous=np.zeros(len(k), bool),
    )
    if not problem.diode:
        return guess
    _, _, end, _ = stepper.fixed_point(guess.duty, guess.rectifier_end)
    light = np.flatnonzero(dot(stepper.diode_row, end) < 0.0)
    if not len(light):
        return guess
    part = problem.take(light)
    found = _discontinuous_guess(
        part,
        Stepper(part),
        Guess(
            duty=guess.duty[light], rectifier_end=guess.rectifier_end[light], discontinuous=guess.discontinuous[light]
        ),
    )
    duty, end_time, mode = guess.duty.copy(), guess.rectifier_end.copy(), guess.discontinuous.copy()
    duty[light], end_time[light], mode[light] = found.duty, found.rectifier_end, found.discontinuous
    return Guess(duty=duty, rectifier_end=end_time, discontinuous=mode)


def _discontinuous_guess(problem: OrbitProblem, stepper: Stepper, guess: Guess) -> Guess:
    """Bracket both edges in discontinuous conduction, where the output rises with duty below the continuous duty."""
    low = np.full(len(guess.duty), SHORTEST_ON)
    high = guess.duty.copy()
    end = guess.rectifier_end
    for _ in range(14):
        middle = 0.5 * (low + high)
        end, output = _rectifier_end(stepper, middle)
        below = output < problem.target
        low = np.where(below, middle, low)
        high = np.where(below, high, middle)
    return Guess(duty=0.5 * (low + high), rectifier_end=end, discontinuous=np.ones(len(low), bool))


def _rectifier_end(stepper: Stepper, duty: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Bisect where the diode current of the periodic solution reaches zero; return it with the average output."""
    low, high = duty.copy(), np.ones_like(duty)
    output = np.zeros_like(duty)
    for _ in range(14):
        middle = 0.5 * (low + high)
        _, _, second, output = stepper.fixed_point(duty, middle)
        conducting = dot(stepper.diode_row, second) > 0.0
        low = np.where(conducting, middle, low)
        high = np.where(conducting, high, middle)
    return 0.5 * (low + high), output
