"""The load step of a case with values of it changed, as the mean output over each cycle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from loopdesign.analysis.given import given_parts
from loopdesign.analysis.transient.after import mean_output, obstacle
from loopdesign.analysis.transient.run import from_point, run_cycles
from loopdesign.analysis.transient.start import start_of, stepper_of
from loopdesign.bench.keys import with_value
from loopdesign.errors import DataError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases

    Real = NDArray[np.float64]

Way: TypeAlias = Literal["load", "load back"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StepCurve:
    """Departure of the output after a load step.

    Attributes
    ----------
    before_v : float
        Average output before the step [V].
    period_s : float
        Switching period [s].
    departure_v : ndarray (N,)
        Mean of each cycle after the step, less the output before it [V].
    """

    before_v: float
    period_s: float
    departure_v: Real

    def at(self, times: Real) -> Real:
        """Interpolate the departure (M,) [V] at instants (M,) after the step [s]; none before it."""
        middle = (np.arange(-1, len(self.departure_v)) + 0.5) * self.period_s
        return np.asarray(np.interp(times, middle, np.concatenate([[0.0], self.departure_v]), left=0.0))


def levels_of(case: cases.Case, way: Way) -> tuple[float, float]:
    """Return the load before and after the step of a case, or of the way back.

    Parameters
    ----------
    case : Case
        The case.
    way : {"load", "load back"}
        Which of the two.

    Returns
    -------
    tuple of float
        Load currents [A].

    Raises
    ------
    DataError
        Where the case has no load step.
    """
    step = case.specification.load_step
    if step is None:
        raise DataError(
            f"{case.where('specification')}: there is no load step to compare with: give load_step, "
            'such as load_step = { from = "0.5 A", to = "1.5 A" }'
        )
    return (step.from_, step.to) if way == "load" else (step.to, step.from_)


def step_curve(
    case: cases.Case, way: Way, input_voltage: float, cycles: int, values: Mapping[str, float] | None = None
) -> StepCurve:
    """Make the load step of a case.

    Parameters
    ----------
    case : Case
        The case.
    way : {"load", "load back"}
        The step, or the way back.
    input_voltage : float
        Input voltage [V].
    cycles : int
        Cycles to follow [unitless].
    values : mapping of str to float, optional
        Values in place of the case's own by dotted key, in SI units.

    Returns
    -------
    StepCurve
        Edge by edge, clamps and limits included.

    Raises
    ------
    DataError
        Where the case has no load step, or nothing holds the output before it.
    UnreachableOutputError
        Where losses keep the output below its target.
    """
    for key, value in (values or {}).items():
        case = with_value(case, key, value)
    start = start_of(case, given_parts(case), way, (input_voltage, input_voltage), levels_of(case, way))
    told = obstacle(start)
    if told:
        raise DataError(f"the load step at {input_voltage:.4g} V cannot be made: {told}")
    stepper = stepper_of(start)
    x, devices = from_point(start.point)
    before = mean_output(start, start.point)
    stepper.set_inputs(**start.changes)
    run = run_cycles(stepper, x, devices, cycles=cycles)
    return StepCurve(before_v=before, period_s=run.period, departure_v=run.mean - before)
