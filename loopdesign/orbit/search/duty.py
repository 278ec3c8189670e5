"""The operating point looked for from nothing: duty on the rising side of the output, sequence found and not assumed.

Open loop with a resistor for the load, which draws the same average as any other load. The averaged network places the
duty, Newton's method on the exact orbit settles it. Wherever that finds nothing, or an orbit that the rectifier does
not keep, or one on the falling side of the output, the exact output is scanned over duty, the converter being followed
edge by edge where its rectifier conducts other than once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.errors import ConvergenceError, UnreachableOutputError
from loopdesign.network.batch import take
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.network.places import BOTH, IDLE, OFF, ON
from loopdesign.orbit.augmented import Stepper, augmented, dot
from loopdesign.orbit.conduction import rectifier_breaks
from loopdesign.orbit.periodic import newton, slope_over_duty
from loopdesign.orbit.problem import pose
from loopdesign.orbit.search.closing import Closing, opened_by_comparator
from loopdesign.orbit.search.crossing import falls_through_zero
from loopdesign.orbit.search.reach import (
    SHORTEST_ON,
    at_duty,
    bisected,
    bracket,
    conduction_end,
    continuous,
    exact_output,
    ordinary,
    scan_duty,
)
from loopdesign.orbit.sequence import Sequence, joined_sequences

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.network.converter import Converter
    from loopdesign.orbit.problem import OrbitProblem
    from loopdesign.orbit.search.reach import Reach
    from loopdesign.orbit.search.several import Ways

DUTY_GRID = 160
HALVINGS = 10
"""Halvings of each edge for a first guess in discontinuous conduction."""
FOLLOWED = 20
"""Most duties at which one item is followed."""
EDGE_OF_REACH = 1e-6
"""Share of the output within which a target lies at the fold as far as duty can tell."""


def averaged_output(problem: OrbitProblem, duty: NDArray[np.float64]) -> NDArray[np.float64]:
    """Average output of the averaged network in continuous conduction, over a grid of duty.

    Parameters
    ----------
    problem : OrbitProblem
        The periodic problem (B,).
    duty : ndarray (G,)
        Grid of duties [unitless].

    Returns
    -------
    ndarray (B, G)
        Average output [V].
    """
    on, off = problem.network.configurations[:2]
    out = problem.network.output_index("v(regulated)")
    d = duty[None, :, None, None]
    A = d * on.A[:, None] + (1.0 - d) * off.A[:, None]
    drive_on, drive_off = (np.einsum("bnp,bp->bn", c.B, problem.inputs)[:, None] for c in (on, off))
    drive = d[..., 0] * drive_on + (1.0 - d[..., 0]) * drive_off
    x = -np.linalg.solve(A, drive[..., None])[..., 0]
    rows = d[..., 0] * on.C[:, None, out] + (1.0 - d[..., 0]) * off.C[:, None, out]
    through = d[..., 0] * on.D[:, None, out] + (1.0 - d[..., 0]) * off.D[:, None, out]
    return np.einsum("bgn,bgn->bg", rows, x) + np.einsum("bgp,bp->bg", through, problem.inputs)


def found_sequence(converter: Converter) -> Sequence:
    """Find duty and sequence of every item of a converter with its loop open and a resistive load.

    Parameters
    ----------
    converter : Converter
        A batch (B,), its loop open and its load resistive.

    Returns
    -------
    Sequence
        Intervals and edges (B, K) [periods].

    Raises
    ------
    UnreachableOutputError
        Where no duty up to the largest reaches the output.
    ConvergenceError
        Where the converter does not come to repeat itself from period to period.
    """
    if not converter.topology.devices.plain:
        from loopdesign.orbit.search.several import found_among_several  # noqa: PLC0415  (few stages need it)

        return found_among_several(converter, ways())
    problem = pose(converter)
    stepper = Stepper(problem)
    doubtful = np.ones(len(problem), bool)
    sequence = _placed(problem, stepper)
    try:
        point = newton(problem, stepper, sequence)
    except ConvergenceError as error:
        good = np.setdiff1d(np.arange(len(problem)), np.array(error.items, np.intp))
    except BREAKDOWN:
        good = np.empty(0, np.intp)
    else:
        good = np.arange(len(problem))
        doubtful = _doubtful(problem, stepper, point.sequence, augmented(point), slope_over_duty(point, stepper))
        sequence = point.sequence
    if doubtful.all() and 0 < len(good) < len(problem):
        part = found_sequence(take(converter, good, len(problem)))
        sequence, doubtful[good] = sequence.with_items(good, part), False
    items = np.flatnonzero(doubtful)
    if len(items):
        sequence = sequence.with_items(items, _carefully(take(converter, items, len(problem))))
    return sequence


def _doubtful(
    problem: OrbitProblem,
    stepper: Stepper,
    sequence: Sequence,
    states: NDArray[np.float64],
    slope: NDArray[np.float64],
) -> NDArray[np.bool_]:
    """Items (B,) whose orbit is not kept by the rectifier, lies on the falling side or beyond the largest duty."""
    duty = sequence.ends[:, 0]
    return np.asarray(rectifier_breaks(stepper, sequence, states) | (slope <= 0.0) | (duty > problem.max_duty))


def _placed(problem: OrbitProblem, stepper: Stepper) -> Sequence:
    """Guess the lowest duty whose averaged output reaches the target, and the mode that holds there."""
    grid = np.linspace(SHORTEST_ON, problem.max_duty, DUTY_GRID)
    output = averaged_output(problem, grid)
    reached = output >= problem.target[:, None]
    k = np.where(reached.any(axis=1), np.argmax(reached, axis=1), np.argmax(output, axis=1))
    k = np.clip(k, 1, DUTY_GRID - 1)
    items = np.arange(len(k))
    low, high = output[items, k - 1], output[items, k]
    share = np.clip((problem.target - low) / np.where(high != low, high - low, 1.0), 0.0, 1.0)
    duty = grid[k - 1] + share * (grid[k] - grid[k - 1])
    if not problem.diode:
        return continuous(duty)
    states, _ = stepper.fixed_point(continuous(duty))
    light = np.flatnonzero(dot(stepper.rectifier_ends(OFF), states[:, 2]) < 0.0)
    if not len(light):
        return continuous(duty)
    end, discontinuous = np.ones_like(duty), np.zeros(len(duty), bool)
    duty[light], end[light] = _light(problem.take(light), duty[light])
    discontinuous[light] = True
    return ordinary(duty, end, discontinuous)


def _light(problem: OrbitProblem, duty: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Bracket both edges in discontinuous conduction, where the output rises with duty below the continuous duty."""
    stepper = Stepper(problem)
    everyone = np.ones(len(duty), bool)

    def missing(trial: NDArray[np.float64]) -> NDArray[np.float64]:
        end = conduction_end(stepper, trial, everyone, halvings=HALVINGS)
        return np.asarray(problem.target - stepper.fixed_point(ordinary(trial, end, everyone))[1])

    found = falls_through_zero(missing, np.full(len(duty), SHORTEST_ON), duty, halvings=HALVINGS)
    return found, conduction_end(stepper, found, everyone, halvings=HALVINGS)


def _carefully(converter: Converter) -> Sequence:
    """Scan the exact output over duty for where it rises to the target; follow what is irregular."""
    problem = pose(converter)
    output = exact_output(problem)
    scanned = scan_duty(problem, output)
    short = scanned.reach.output < problem.target
    low, high = bracket(scanned, problem.target)
    duty = np.where(short, scanned.reach.duty, bisected(output, problem.target, low, high))
    orbits = at_duty(Stepper(problem), duty)
    _refuse_unreachable(converter, problem, scanned.reach, short & ~orbits.broken)
    pieces = [
        followed(take(converter, np.array([k]), len(problem)), float(duty[k]))
        if orbits.broken[k]
        else orbits.sequence.take(np.array([k]))
        for k in range(len(problem))
    ]
    return joined_sequences(pieces)


def followed(converter: Converter, duty: float, x: NDArray[np.float64] | None = None) -> Sequence:
    """Find the sequence of one item by following it edge by edge at duties that close in on its target.

    Parameters
    ----------
    converter
        A batch of one, its loop open and its load resistive.
    duty
        Where to begin [unitless].
    x
        Normalised state (n,) to begin from [unitless]; at rest where absent.

    Returns
    -------
    Sequence
        A batch of one [periods].

    Raises
    ------
    UnreachableOutputError
        Where no duty up to the largest reaches the output.
    ConvergenceError
        Where the converter does not come to repeat itself from period to period.
    """
    plain = converter.topology.devices.plain
    posed = pose(converter, configurations=(ON, OFF, IDLE, BOTH) if plain else (ON, OFF))
    from loopdesign.orbit.search.follow import fixed_duty_stepper, follow  # noqa: PLC0415  (few operating points)

    stepper = fixed_duty_stepper(converter, posed)
    known = Closing.on(float(posed.target[0]), posed.max_duty)
    try:
        orbit = follow(posed, stepper, duty, x)
    except ConvergenceError:  # such as a state whose currents no set of devices carries on
        if x is None:
            raise
        orbit = follow(posed, stepper, duty)
    for _ in range(FOLLOWED):
        known = known.after(orbit, duty)
        if known.found or known.beyond:
            break
        duty = known.next_duty()
        orbit = follow(posed, stepper, duty, orbit.point.start[0])
    if known.beyond:
        _refuse_unreachable(converter, posed, known.reach, np.array([True]))
    return opened_by_comparator((known.rising or orbit).point.sequence)


def ways() -> Ways:
    """Say how operating points of stages with several rectifiers are placed and followed.

    Returns
    -------
    Ways
        The functions of this module.
    """
    from loopdesign.orbit.search.several import Ways  # noqa: PLC0415  (few stages need it)

    return Ways(averaged=averaged_output, followed=followed, searched=found_sequence)


def _refuse_unreachable(converter: Converter, problem: OrbitProblem, best: Reach, short: NDArray[np.bool_]) -> None:
    """Name the first operating point whose output no duty reaches."""
    if not short.any():
        return
    k, target = int(np.flatnonzero(short)[0]), problem.target
    current = float(np.broadcast_to(converter.load_current, target.shape)[k])
    vin, duty = float(converter.input_voltage[k]), float(best.duty[k])
    scale, unit = _scale(converter, target, k)
    wanted, highest = float(target[k]) * scale, float(best.output[k]) * scale
    what = f"the output of {wanted:.4g} {unit}"
    told = f"{what} is out of reach at {vin:.4g} V input and {current:.4g} A"
    if best.output[k] > target[k] * (1.0 - EDGE_OF_REACH):
        told = f"{what} lies at the very edge of reach at {vin:.4g} V input and {current:.4g} A"
    raise UnreachableOutputError(
        f"{told}: the highest reachable output is {highest:.4g} {unit} at a duty of {duty:.3f} "
        f"(largest duty allowed {problem.max_duty:g})",
        input_voltage=vin,
        load_current=current,
        target=wanted,
        highest_output=highest,
        duty=duty,
    )


def _scale(converter: Converter, target: NDArray[np.float64], k: int) -> tuple[float, str]:
    """Regulated quantity per volt that the feedback senses, and its unit."""
    if converter.current_sense is not None:
        return float(np.broadcast_to(converter.load_current, target.shape)[k]) / float(target[k]), "A"
    return float(converter.output_voltage[k]) / float(target[k]), "V"
