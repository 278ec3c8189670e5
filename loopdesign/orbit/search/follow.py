"""Orbits whose sequence of intervals is not known beforehand: the converter is followed until it repeats itself.

At a given duty the converter is stepped edge by edge. The intervals of its last cycle are taken for the sequence, and
Newton's method closes the orbit; one more cycle from there tells whether the sequence was right. Where it was not, the
converter is followed further.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.errors import ConvergenceError
from loopdesign.network.batch import occurring
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.network.modulator import VoltageMode
from loopdesign.network.places import OFF, ON, SwitchingDevices, closed_at
from loopdesign.orbit.augmented import Stepper, augmented
from loopdesign.orbit.conduction import rectifier_breaks
from loopdesign.orbit.periodic import newton
from loopdesign.orbit.problem import pose
from loopdesign.orbit.sequence import Edge, Sequence
from loopdesign.orbit.stepping.cycle import CycleStepper
from loopdesign.orbit.stepping.devices import Devices, Segment

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.network.converter import Converter
    from loopdesign.orbit.problem import OperatingPoint, OrbitProblem

PATIENCE = (4, 12, 40, 120, 400)
"""Cycles followed between one attempt to close the orbit and the next."""
SHOTS = 20
"""Most steps of the shooting."""
SHOT = 1e-9
"""Miss of a cycle, relative to the state, at which it counts as closed."""
DIFFERENCE = 1e-6
"""Step of the differences, relative to the state."""
ONE_RECTIFIER = SwitchingDevices()
"""Devices of a stage with one switch and one rectifier."""
NEGLIGIBLE = 1e-9
"""Length of an interval [periods] that is rounding of an edge."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """One orbit at a given duty: the operating point with the control held, and its average output [V]."""

    point: OperatingPoint
    output: float


def recorded(segments: list[Segment], *, opening: float, stage: SwitchingDevices = ONE_RECTIFIER) -> Sequence:
    """Read the sequence of one cycle from its motions; the switch opens at a given instant.

    Parameters
    ----------
    segments : list of Segment
        Motions of one cycle in their order.
    opening : float
        Instant at which the switch opens [periods].
    stage : SwitchingDevices
        Switches and rectifiers of the stage.

    Returns
    -------
    Sequence
        A batch of one [periods].
    """
    kept = [s for s in segments if s.length > NEGLIGIBLE]
    merged: list[tuple[int, float]] = []
    for s in kept:
        place = stage.place(closed=s.devices.switch, mask=s.devices.diode)
        if merged and merged[-1][0] == place:
            merged[-1] = (place, s.begin + s.length)
        else:
            merged.append((place, s.begin + s.length))
    configuration = [place for place, _ in merged]
    edge = []
    for k, place in enumerate(configuration[:-1]):
        after = configuration[k + 1]
        opens = bool(closed_at(place) and not closed_at(after))
        starts = not stage.mask(place) & ~stage.mask(after)
        edge.append(Edge.CLOCK if opens else Edge.RECTIFIER_STARTS if starts else Edge.RECTIFIER_ENDS)
    ends = [opening if e == Edge.CLOCK else end for e, (_, end) in zip(edge, merged[:-1], strict=True)]
    return Sequence(
        configuration=np.array([configuration]),
        edge=np.array([[*(int(e) for e in edge), int(Edge.CLOCK)]]),
        ends=np.array([[*ends, 1.0]]),
    )


def follow(problem: OrbitProblem, stepper: CycleStepper, duty: float, x: NDArray[np.float64] | None = None) -> Followed:
    """Follow a converter at a given duty to its periodic orbit.

    Parameters
    ----------
    problem
        The open-loop problem of one item, every configuration derived.
    stepper
        From `fixed_duty_stepper`.
    duty
        On-time [periods].
    x
        Normalised state (n,) to begin from [unitless]; at rest where absent.

    Returns
    -------
    Followed
        The orbit.

    Raises
    ------
    ConvergenceError
        Where the converter does not come to repeat itself from period to period.
    """
    stepper.set_inputs(control=duty)
    x = np.zeros(len(stepper.states)) if x is None else x
    devices = Devices(switch=False, diode=problem.devices.while_open)
    rows = Stepper(problem)
    for cycles in PATIENCE:
        for _ in range(cycles):
            cycle = stepper.cycle(x, devices)
            x, devices = cycle.x, cycle.devices
        for candidate in (x, _shot(stepper, x, devices)):
            orbit = None if candidate is None else _orbit(problem, rows, stepper, (candidate, devices), duty)
            if orbit is not None:
                return orbit
    raise ConvergenceError(f"the converter does not repeat itself from period to period at a duty of {duty:.4g}")


def _orbit(
    problem: OrbitProblem,
    rows: Stepper,
    stepper: CycleStepper,
    begin: tuple[NDArray[np.float64], Devices],
    duty: float,
) -> Followed | None:
    """Close the orbit with the sequence of one cycle from a state; None where the rectifier does not keep it."""
    segments: list[Segment] = []
    stepper.cycle(*begin, segments)
    sequence = recorded(segments, opening=duty, stage=problem.devices)
    if not problem.devices.plain:  # of several rectifiers only the sets that occur are derived
        used = tuple(occurring(sequence.configuration))
        problem = pose(stepper.converter, configurations=tuple({ON, OFF, *used}))
        rows = Stepper(problem)
    try:
        point = newton(problem, rows, sequence, held=True)
    except (ConvergenceError, *BREAKDOWN):
        return None
    if rectifier_breaks(rows, point.sequence, augmented(point))[0]:
        return None
    return Followed(point=point, output=average_of(rows, point))


def _shot(stepper: CycleStepper, x: NDArray[np.float64], devices: Devices) -> NDArray[np.float64] | None:
    """Shoot for a state that one cycle brings back; None where the way there passes through chattering devices."""
    try:
        return _closed(stepper, x, devices)
    except ConvergenceError:
        return None


def _closed(stepper: CycleStepper, x: NDArray[np.float64], devices: Devices) -> NDArray[np.float64] | None:
    """Shoot for a state that one cycle brings back, whatever intervals the cycle has; None where that leads nowhere.

    Newton's method on the stepped cycle, its derivatives by differences, shortened until the miss falls. Several
    rectifiers carry no state on that breaks the constraints before the clock, such as a current into nothing: a step
    off them is taken back.
    """
    scale = float(np.abs(x).max()) or 1.0

    def turned(start: NDArray[np.float64]) -> NDArray[np.float64]:
        kept = stepper.setting(devices).project(start) if stepper.commutes else start
        return stepper.cycle(kept, devices).x

    miss = turned(x) - x
    for _ in range(SHOTS):
        if np.abs(miss).max() < SHOT * scale:
            return x
        columns = [(turned(x + DIFFERENCE * scale * e) - x - miss) / (DIFFERENCE * scale) for e in np.eye(len(x))]
        jacobian = np.array(columns).T - np.eye(len(x))
        try:
            step = -np.linalg.solve(jacobian, miss)
        except BREAKDOWN:
            return None
        for share in (1.0, 0.5, 0.2, 0.05):
            trial = x + share * step
            again = turned(trial) - trial
            if np.abs(again).max() < np.abs(miss).max():
                x, miss = trial, again
                break
        else:
            return None
    return None


def average_of(rows: Stepper, point: OperatingPoint) -> float:
    """Average of what the feedback senses over one orbit [V].

    Parameters
    ----------
    rows : Stepper
        Matrices and rows of the problem, a batch of one.
    point : OperatingPoint
        The orbit.

    Returns
    -------
    float
        Average [V].
    """
    z = augmented(point)[:, 0]
    for e in rows.propagate(point.sequence).exponentials:
        z = (e @ z[..., None])[..., 0]
    return float(z[0, 0])


def fixed_duty_stepper(converter: Converter, problem: OrbitProblem) -> CycleStepper:
    """Make a stepper whose control voltage is the duty, for a batch of one with the loop open.

    Parameters
    ----------
    converter : Converter
        A batch of one, its loop open.
    problem : OrbitProblem
        Its problem.

    Returns
    -------
    CycleStepper
        With a control voltage of one period per volt.
    """
    voltage_mode = replace(converter, modulator=VoltageMode(ramp=1.0), max_duty=1.0, turn_off_delay=0.0, blanking=0.0)
    names = problem.network.inputs
    return CycleStepper(voltage_mode, dict(zip(names, problem.inputs[0], strict=True)))
