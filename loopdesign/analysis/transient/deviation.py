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
from loopdesign.analysis.transient.after import mean_output, obstacle
from loopdesign.analysis.transient.memory import StepMemory, step_place
from loopdesign.analysis.transient.run import from_point, run_cycles
from loopdesign.analysis.transient.start import start_at, step_plan, stepper_of
from loopdesign.analysis.variants.ends import EndSearch
from loopdesign.analysis.variants.solve import base_of, closed_loop, guess_at, nominal_temperature, variant_converter
from loopdesign.corners.conditions import Corners
from loopdesign.corners.tolerances import toleranced, variants
from loopdesign.errors import DataError, LoopDesignError
from loopdesign.network.batch import in_halves
from loopdesign.network.linear_algebra import BREAKDOWN

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.transient.start import StepKind, StepStart
    from loopdesign.analysis.variants.solve import Base
    from loopdesign.corners.tolerances import Varied

    Array = NDArray[np.float64]

FIRST_CYCLES, MOST_CYCLES = 200, 6400
"""Periods over which a departure is looked for at first, and at most: longer where the largest is among the last."""
LAST, GROWN = 0.8, 1.01
"""Share of the periods looked at, and the factor by which the rest must exceed it for the departure to grow still."""
STEPPED_AT_MOST = 24
"""Places stepped in time at most."""
TINY = 1e-12
"""Departure [V] that counts as zero."""
SPARE = 1.05
"""Factor on the ratio of stepped to small-step departure that places not stepped are allowed."""
LARGE = 1e6
"""What stands for the departure per ampere of an unstable converter [ohm]."""
FAILURES = (LoopDesignError, *BREAKDOWN)


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
        while cycles < MOST_CYCLES and _still_grows(departure[stable]):
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
    stepped = SteppedPlaces(base, corners, condition, known)
    stepped.run(estimate)
    worst = max(stepped.departures, key=lambda k: stepped.departures[k], default=0)
    left = [k for k in range(len(corners)) if k not in stepped.departures and np.isfinite(estimate[k])]
    begin, end = load_step_of(case)
    return StepDeviation(
        peak_deviation_v=stepped.departures.get(worst),
        back_deviation_v=stepped.at(worst, "load back") if stepped.departures else None,
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


def load_step_of(case: cases.Case) -> tuple[float, float]:
    """Return the load before and after the step.

    Parameters
    ----------
    case : Case
        Case with a load step.

    Returns
    -------
    tuple of float
        Before and after [A].

    Raises
    ------
    DataError
        Where the case has none.
    """
    step = case.specification.load_step
    if step is None:
        raise DataError(f"{case.where('specification.load_step')}: there is no load step to depart at; give one")
    return step.from_, step.to


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


class SteppedPlaces:
    """Places stepped in time.

    Parameters
    ----------
    base : Base
        Nominal conditions, at the load the step begins from.
    corners : Corners
        Places (B,): line, load, temperature, and factors on part values.
    condition : ndarray (B,)
        Nominal condition that each belongs to, by index [unitless].
    known : StepMemory, optional
        What is known of the same case; what is found is added.

    Attributes
    ----------
    departures : dict of int to float
        Largest departure of the output's mean, by place [V].
    not_made : list of str
        Places that could not be stepped, one sentence each.
    """

    def __init__(
        self, base: Base, corners: Corners, condition: NDArray[np.intp], known: StepMemory | None = None
    ) -> None:
        self.base, self.corners, self.condition = base, corners, condition
        self.known = known or StepMemory()
        self.departures: dict[int, float] = {}
        self.not_made: list[str] = []

    def run(self, estimate: Array) -> None:
        """Step places from the largest estimate (N,) [V] down, until no other could be worse."""
        ratio = worst = 0.0
        order = np.argsort(-np.where(np.isfinite(estimate), estimate, -1.0), kind="stable")
        for k in order[np.isfinite(estimate[order])][:STEPPED_AT_MOST]:
            if self.departures and estimate[k] * ratio * SPARE < worst:
                break
            departure = self.at(int(k), "load")
            if departure is None:
                continue
            self.departures[int(k)] = departure
            worst, ratio = max(worst, departure), max(ratio, departure / max(estimate[k], TINY))

    def at(self, item: int, kind: StepKind) -> float | None:
        """Step one place by its number [unitless]: largest departure [V], None where there is nothing to step from."""
        known, place = self.known.departures, step_place(kind, self.base.parts, self.corners, item)
        if place in known:
            return known[place]
        try:
            start = self._start(item, kind)
        except FAILURES:
            told = "there is no operating point"
        else:
            told = obstacle(start)
            if not told:
                known[place] = _largest_departure(start)
                return known[place]
        if kind == "load":
            line, load = self.corners.input_voltage[item], self.corners.load_current[item]
            self.not_made.append(f"no load step can be made at {line:.4g} V, {load:.3g} A: {told}")
        return None

    def _start(self, item: int, kind: StepKind) -> StepStart:
        """Solve where the step of one place begins."""
        begin, end = load_step_of(self.base.case)
        load, here = (begin, end) if kind == "load" else (end, begin), np.array([item])
        corner = self.corners.take(here)
        line = float(corner.input_voltage[0])
        opened = variant_converter(self.base, corner, self.condition[here])
        guess = guess_at(self.base, self.condition[here]) if kind == "load" else None
        return start_at(self.base.case, self.base.parts, (kind, (line, line), load), corner, opened, guess)


def _largest_departure(start: StepStart) -> float:
    """Step until the departure of the output's mean has passed its largest [V]."""
    before = mean_output(start, start.point)
    stepper = stepper_of(start)
    stepper.set_inputs(**start.changes)
    x, devices = from_point(start.point)
    departure = np.empty(0)
    while not len(departure) or (len(departure) < MOST_CYCLES and _still_grows(departure[None])):
        part = run_cycles(stepper, x, devices, cycles=max(FIRST_CYCLES, 3 * len(departure)))
        departure = np.concatenate([departure, np.abs(part.mean - before)])
        x, devices = part.states[-1], part.devices[-1]
    return float(departure.max())


def _still_grows(departure: Array) -> bool:
    """Whether a departure (B,N) is largest among its last periods, by more than the approach to a final value adds."""
    split = int(LAST * departure.shape[1])
    return bool((departure[:, split:].max(axis=1) > GROWN * departure[:, :split].max(axis=1)).any())


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
