"""The largest departure of the output at the load step, over input voltages, temperatures and tolerance ends.

1. A small step is exact from the linearised period alone (`SwitchedModel.step`), for many converters at once. At every
   input voltage and temperature, with nominal parts and with the worst combination of tolerance ends for this
   departure (`variants.ends`), it ranks the places.
2. A step that is not small moves the operating point, changes the conduction mode or meets the largest duty. So places
   are stepped in time, edge by edge, from the largest small-step departure down, until none of those left could depart
   further even if stepping raised it as much as it did anywhere so far.

What is told is a departure stepped in time, never the estimate. The way back is stepped at the same place.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.findings.step import StepDeviation
from loopdesign.analysis.transient.places import (
    FAILURES,
    FIRST_CYCLES,
    MOST_CYCLES,
    StepMemory,
    SteppedPlaces,
    load_step_of,
    still_grows,
)
from loopdesign.analysis.transient.start import step_plan
from loopdesign.analysis.variants.ends import EndSearch
from loopdesign.analysis.variants.solve import base_of, closed_loop, nominal_temperature
from loopdesign.corners.conditions import Corners
from loopdesign.corners.tolerances import toleranced, variants
from loopdesign.network.batch import in_halves
from loopdesign.workers.branch import branch

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.transient.places import Place
    from loopdesign.analysis.variants.solve import Base
    from loopdesign.corners.tolerances import Varied
    from loopdesign.workers.branch import Branch

    Array = NDArray[np.float64]

LARGE = 1e6
"""What stands for the departure per ampere of an unstable converter [ohm]."""


def small_step(base: Base, corners: Corners, condition: NDArray[np.intp]) -> Array:
    """Return the largest departure of the output's mean after a small load step, per ampere, of variants.

    Parameters
    ----------
    base : Base
        Nominal conditions, at the load the step begins from.
    corners : Corners
        Variants (B,): line, load, temperature, and factors on part values.
    condition : ndarray (B,)
        Nominal condition that each variant belongs to, by index [unitless].

    Returns
    -------
    ndarray (B,)
        Departure per ampere [ohm]; infinite where the converter is unstable, NaN where it has no operating point.
    """

    def together(items: NDArray[np.intp]) -> Array:
        model, reached = closed_loop(base, corners.take(items), condition[items])
        stable = np.abs(model.multipliers).max(axis=1) < 1.0
        cycles = FIRST_CYCLES
        departure = np.abs(model.step("load", "v(out)", cycles))
        while cycles < MOST_CYCLES and still_grows(departure[stable]):
            cycles *= 4
            departure = np.abs(model.step("load", "v(out)", cycles))
        return np.where(reached, np.where(stable, departure.max(axis=1), np.inf), np.nan)

    def alone(items: NDArray[np.intp]) -> Array:
        return np.full(len(items), np.nan)

    return in_halves(together, np.arange(len(corners)), failures=FAILURES, alone=alone)


def step_deviation(
    case: cases.Case, parts: Mapping[str, float], *, tolerances: bool = True, known: StepMemory | None = None
) -> StepDeviation:
    """Find the largest departure at the load step over every input voltage, temperature and tolerance end.

    Parameters
    ----------
    case : Case
        Case with a load step.
    parts : mapping of str to float
        Compensation parts by designator, 0.0 where not fitted [ohm], [F].
    tolerances : bool
        Whether temperatures and tolerance ends count [unitless]; nominal parts at the nominal temperature where not.
    known : StepMemory, optional
        What is known of this case; what is found is added.

    Returns
    -------
    StepDeviation
        Without a departure where no place has an operating point to step from.

    Raises
    ------
    DataError
        Where the step begins or ends without a load to hold.
    """
    step_plan(case)  # refuses such steps
    conditions = step_conditions(case, tolerances=tolerances)
    known = known or StepMemory()
    base = base_of(case, parts, known.stage(case, conditions))
    varied = toleranced(case, parts) if tolerances else ()
    places, condition = _places(base, varied)
    corners = variants(base.corners, condition, varied, places)
    estimate = small_step(base, corners, condition) * abs(np.subtract(*load_step_of(case)))
    with SteppedPlaces(base, corners, condition, known) as stepped:
        if np.isfinite(estimate).any():
            stepped.begin(int(np.argmax(np.where(np.isfinite(estimate), estimate, -1.0))), "load back")
        stepped.run(estimate)
        worst = max(stepped.departures, key=lambda k: stepped.departures[k], default=0)
        back = stepped.at(worst, "load back") if stepped.departures else None
    left = [k for k in range(len(corners)) if k not in stepped.departures and np.isfinite(estimate[k])]
    begin, end = load_step_of(case)
    return StepDeviation(
        peak_deviation_v=stepped.departures.get(worst),
        back_deviation_v=back,
        input_voltage=float(corners.input_voltage[worst]),
        temperature=float(corners.temperature[worst]),
        load_from=begin,
        load_to=end,
        ends=_changes(varied, places[worst]),
        estimated=len(corners),
        stepped=len(stepped.departures),
        left_v=float(estimate[left].max()) if left else None,
        not_made=tuple(stepped.not_made),
    )


def stepped_beside(
    case: cases.Case, parts: Mapping[str, float], known: StepMemory, *, tolerances: bool = True
) -> Branch[tuple[StepDeviation, dict[Place, float]]]:
    """Begin to find the largest departure at the load step beside other work.

    Parameters
    ----------
    case : Case
        Case with a load step.
    parts : mapping of str to float
        Compensation parts by designator, 0.0 where not fitted [ohm], [F].
    known : StepMemory
        What is known of this case; a child adds nothing to it here.
    tolerances : bool
        Whether temperatures and tolerance ends count [unitless].

    Returns
    -------
    Branch
        Its result is for `StepMemory.learnt`; asking for it raises what `step_deviation` does.
    """

    def stepped() -> tuple[StepDeviation, dict[Place, float]]:
        found = step_deviation(case, parts, tolerances=tolerances, known=known)
        return found, known.departures

    return branch(stepped, further=True)


def step_conditions(case: cases.Case, *, tolerances: bool) -> Corners:
    """Lay out every input voltage, times every temperature of the case, at the load the step begins from.

    Parameters
    ----------
    case : Case
        Case with a load step.
    tolerances : bool
        Whether temperatures count [unitless]; the nominal one alone where not.

    Returns
    -------
    Corners
        Nominal parts.
    """
    s = case.specification
    degrees = list(s.temperature.values) if tolerances and s.temperature is not None else [case.nominal_temperature]
    voltage, temperature = (g.ravel() for g in np.meshgrid(s.input_voltage.values, degrees, indexing="ij"))
    return Corners(
        input_voltage=np.asarray(voltage, float),
        load_current=np.full(voltage.size, load_step_of(case)[0]),
        temperature=np.asarray(temperature, float),
    )


def _places(base: Base, varied: tuple[Varied, ...]) -> tuple[Array, NDArray[np.intp]]:
    """Nominal parts and the worst ends of every condition: places (N,k) and conditions (N,)."""
    count, k = len(base.corners), len(varied)
    everyone = np.arange(count)
    if not k:
        return np.zeros((count, 0)), everyone

    def departures(condition: NDArray[np.intp], places: Array) -> Array:
        return small_step(base, variants(base.corners, condition, varied, places), condition)

    ends = EndSearch(departures, _badness, k, nominal_temperature(base)).run()
    worst = ends.worst[:, 0]
    return np.concatenate([np.zeros((count, k)), ends.places[worst]]), np.concatenate([everyone, ends.condition[worst]])


def _badness(departures: Array) -> Array:
    """How bad departures (N,) are (N,1): finite also where the converter is unstable or has no operating point."""
    return np.nan_to_num(departures, nan=0.0, posinf=LARGE)[:, None]


def _changes(varied: tuple[Varied, ...], places: Array) -> dict[str, float]:
    """Relative change of each varied value at a place, by its cause."""
    changed = {}
    for cause, place in zip(varied, places, strict=True):
        low, high = next(iter(cause.ends.values()))
        if place:
            changed[cause.name] = float(high if place > 0.0 else low)
    return changed


def with_step_deviation(found: CheckResult, *, tolerances: bool = True, known: StepMemory | None = None) -> CheckResult:
    """Hold a check against the largest departure that its case allows at the load step.

    Parameters
    ----------
    found : CheckResult
        The check.
    tolerances : bool
        Whether temperatures and tolerance ends count [unitless].
    known : StepMemory, optional
        What is known of this case; what is found is added.

    Returns
    -------
    CheckResult
        The same where the case has no such target or no loop; with the departure, and its failure among the reasons,
        where it has.
    """
    limit = found.case.targets.step_deviation
    if limit is None or found.closed_loop is None:
        return found
    step = step_deviation(found.case, found.parts, tolerances=tolerances, known=known)
    beyond = found.beyond
    if beyond is not None:
        beyond = replace(beyond, worst={**beyond.worst, "step_deviation_v": step.reading})
    return replace(found, step_deviation=step, beyond=beyond, reasons=(*found.reasons, *step.failures(limit)))
