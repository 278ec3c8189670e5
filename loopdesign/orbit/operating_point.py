"""Operating point of a converter: the periodic problem posed from its network, and outputs out of reach told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from loopdesign.errors import ConvergenceError, UnreachableOutputError
from loopdesign.network.converter import PROBES, Converter, dc_inputs, network
from loopdesign.network.modulator import threshold
from loopdesign.orbit.steady import Guess, OperatingPoint, OrbitProblem, reach, solve

FOLD = 1e-3
"""Share of the output by which the fold may be misplaced where Newton's method then finds nothing."""


def problem(converter: Converter, probes: tuple[str, ...] = PROBES) -> OrbitProblem:
    """Pose the operating point of a converter."""
    switched = network(converter, probes)
    return OrbitProblem(
        network=switched,
        threshold=threshold(converter.modulator, switched),
        inputs=dc_inputs(converter, switched),
        trim=converter.trim,
        target=np.asarray(converter.output_voltage, float),
        diode=not converter.synchronous,
        max_duty=converter.max_duty,
    )


def operating_point(
    converter: Converter, guess: Guess | None = None, probes: tuple[str, ...] = PROBES
) -> OperatingPoint:
    """Solve the operating point of a converter, loop open or closed.

    Parameters
    ----------
    converter
        A batch of operating points.
    guess
        Edges to begin from; searched for where absent.
    probes
        Outputs of the network.

    Returns
    -------
    OperatingPoint
        Exact periodic operating point.

    Raises
    ------
    UnreachableOutputError
        Where losses or the largest duty keep the output below its target.
    """
    if guess is None:
        # the operating point fixes voltage and current, so an equal resistor finds the same edges for every load
        plain = replace(converter, load="resistive", compensation=None)
        posed = problem(plain)
        _refuse_unreachable(plain, posed)
        try:
            found = solve(posed)
        except ConvergenceError:
            _refuse_unreachable(plain, posed, spare=FOLD)
            raise
        _refuse_beyond_max(plain, found)
        if plain == converter and probes == PROBES:
            return found
        guess = Guess.from_point(found)
    return solve(problem(converter, probes), guess)


def _refuse_unreachable(converter: Converter, posed: OrbitProblem, spare: float = 0.0) -> None:
    """Name the first operating point whose output no duty reaches with a share to spare."""
    short = np.flatnonzero(reach(posed).output < posed.target * (1.0 + spare))
    if len(short):
        raise _unreachable(converter, posed, int(short[0]))


def _refuse_beyond_max(converter: Converter, point: OperatingPoint) -> None:
    """Refuse an operating point that Newton's method moved just beyond the largest duty."""
    beyond = np.flatnonzero(point.duty > converter.max_duty)
    if len(beyond):
        raise _unreachable(converter, point.problem, int(beyond[0]))


def _unreachable(converter: Converter, posed: OrbitProblem, item: int) -> UnreachableOutputError:
    """Say what the stage reaches at best, and where."""
    best = reach(posed.take(np.array([item])))
    vin, target = float(converter.input_voltage[item]), float(posed.target[item])
    current = float(np.broadcast_to(converter.load_current, posed.target.shape)[item])
    highest, duty = float(best.output[0]), float(best.duty[0])
    return UnreachableOutputError(
        f"the output of {target:.4g} V is out of reach at {vin:.4g} V input and {current:.4g} A: "
        f"the highest reachable output is {highest:.4g} V at a duty of {duty:.3f} "
        f"(largest duty allowed {posed.max_duty:g})",
        input_voltage=vin,
        load_current=current,
        target=target,
        highest_output=highest,
        duty=duty,
    )
