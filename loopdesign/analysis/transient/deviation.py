"""The largest departure of the output at the load step, over input voltages, temperatures and tolerance ends.

1. A small step is exact from the linearised period alone (`SwitchedModel.step`), for many converters at once. At every
   input voltage and temperature, with nominal parts and with the combination of tolerance ends that the signs of the
   single influences on this departure give, it ranks the places.
2. A step that is not small moves the operating point, changes the conduction mode or meets the largest duty. So places
   are stepped in time, edge by edge, from the largest small-step departure down, until none of those left could depart
   further even if stepping raised it as much as it did anywhere so far.

What is told is a departure stepped in time, never the estimate. The way back is stepped at the same place.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.check import examine_stage
from loopdesign.analysis.transient.after import mean_output, obstacle
from loopdesign.analysis.transient.run import from_point, run_cycles
from loopdesign.analysis.transient.start import start_at, stepper_of
from loopdesign.analysis.variants.solve import base_of, closed_loop, variant_converter
from loopdesign.corners.conditions import Corners
from loopdesign.corners.tolerances import toleranced, variants
from loopdesign.errors import LoopDesignError
from loopdesign.network.batch import in_halves
from loopdesign.network.linear_algebra import BREAKDOWN

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.transient.start import StepKind
    from loopdesign.analysis.variants.solve import Base
    from loopdesign.corners.tolerances import Varied

    Array = NDArray[np.float64]

FIRST_CYCLES, MOST_CYCLES = 200, 6400
"""Periods over which a departure is looked for at first, and at most: longer where the largest is among the last."""
LAST, GROWN = 0.8, 1.01
"""Share of the periods looked at, and the factor by which the rest must exceed it for the departure to grow still."""
STEPPED_AT_MOST = 24
"""Places stepped in time at most."""
SPARE = 1.05
"""Factor on the ratio of stepped to small-step departure that places not stepped are allowed."""
FAILURES = (LoopDesignError, *BREAKDOWN)


@dataclass(frozen=True, slots=True, kw_only=True)
class StepDeviation:
    """The largest departure of the output's mean at the load step, and where.

    Attributes
    ----------
    peak_deviation_v
        Largest departure stepped in time [V].
    back_deviation_v
        The same of the way back, at the same place [V]; None where there is no operating point to go back from.
    input_voltage, temperature, load_from, load_to
        Where [V], [degC], [A], [A].
    ends
        Relative change of each varied value there, by cause [unitless]; empty with nominal parts.
    estimated, stepped
        Number of places that small steps ranked, and of those stepped in time [unitless].
    left_v
        Largest departure that the others are estimated to have [V]; None where every place was stepped.
    """

    peak_deviation_v: float
    back_deviation_v: float | None
    input_voltage: float
    temperature: float
    load_from: float
    load_to: float
    ends: Mapping[str, float]
    estimated: int
    stepped: int
    left_v: float | None


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


def step_deviation(case: cases.Case, parts: Mapping[str, float], *, tolerances: bool = True) -> StepDeviation | None:
    """Find the largest departure at the load step over every input voltage, temperature and tolerance end.

    Parameters
    ----------
    case : Case
        Case with a load step.
    parts : mapping of str to float
        Compensation parts by designator, 0.0 where not fitted [ohm], [F].
    tolerances : bool
        Whether temperatures and tolerance ends count [unitless]; nominal parts at the nominal temperature where not.

    Returns
    -------
    StepDeviation or None
        None where no place has an operating point to step from.
    """
    conditions = _conditions(case, tolerances=tolerances)
    base = base_of(case, parts, examine_stage(case, conditions))
    varied = toleranced(case, parts) if tolerances else ()
    places, condition = _places(base, varied)
    corners = variants(base.corners, condition, varied, places)
    per_ampere = small_step(base, corners, condition)
    step = case.specification.load_step
    stepped = _stepped(base, corners, condition, per_ampere * abs(step.to - step.from_))
    if not stepped:
        return None
    worst = max(stepped, key=lambda k: stepped[k])
    left = [k for k in range(len(corners)) if k not in stepped and np.isfinite(per_ampere[k])]
    return StepDeviation(
        peak_deviation_v=stepped[worst],
        back_deviation_v=_stepped_at(base, corners, condition, worst, "load back"),
        input_voltage=float(corners.input_voltage[worst]),
        temperature=float(corners.temperature[worst]),
        load_from=step.from_,
        load_to=step.to,
        ends=_changes(varied, places[worst]),
        estimated=len(corners),
        stepped=len(stepped),
        left_v=float(per_ampere[left].max()) * abs(step.to - step.from_) if left else None,
    )


def _conditions(case: cases.Case, *, tolerances: bool) -> Corners:
    """Every input voltage, times every temperature of the case, at the load the step begins from."""
    s = case.specification
    degrees = list(s.temperature.values) if tolerances and s.temperature is not None else [case.nominal_temperature]
    voltage, temperature = (g.ravel() for g in np.meshgrid(s.input_voltage.values, degrees, indexing="ij"))
    return Corners(
        input_voltage=np.asarray(voltage, float),
        load_current=np.full(voltage.size, s.load_step.from_),
        temperature=np.asarray(temperature, float),
    )


def _places(base: Base, varied: tuple[Varied, ...]) -> tuple[Array, NDArray[np.intp]]:
    """Nominal parts and the worst ends of every condition: places (N,k) and conditions (N,)."""
    count, k = len(base.corners), len(varied)
    nominal = np.zeros((count, k))
    if not k:
        return nominal, np.arange(count)
    single = np.tile(np.concatenate([np.eye(k), -np.eye(k)]), (count, 1))
    condition = np.repeat(np.arange(count), 2 * k)
    alone = small_step(base, variants(base.corners, condition, varied, single), condition)
    up, down = np.nan_to_num(alone, nan=0.0, posinf=np.finfo(float).max / 4).reshape(count, 2, k).swapaxes(0, 1)
    worst = np.where(up > down, 1.0, -1.0)
    return np.concatenate([nominal, worst]), np.tile(np.arange(count), 2)


def _stepped(base: Base, corners: Corners, condition: NDArray[np.intp], estimate: Array) -> dict[int, float]:
    """Step places in time, from the largest estimate down, until no other could be worse: departures [V] by place."""
    stepped: dict[int, float] = {}
    ratio = worst = 0.0
    order = np.argsort(-np.nan_to_num(estimate, nan=-1.0), kind="stable")
    for k in order[:STEPPED_AT_MOST]:
        if stepped and estimate[k] * ratio * SPARE < worst:
            break
        departure = _stepped_at(base, corners, condition, int(k), "load")
        if departure is None:
            continue
        stepped[int(k)] = departure
        worst = max(worst, departure)
        ratio = max(ratio, departure / estimate[k]) if estimate[k] > 0.0 else ratio
    return stepped


def _stepped_at(base: Base, corners: Corners, condition: NDArray[np.intp], item: int, kind: StepKind) -> float | None:
    """Step one place in time: largest departure of the output's mean [V]; None where nothing can be stepped from."""
    step = base.case.specification.load_step
    load = (step.from_, step.to) if kind == "load" else (step.to, step.from_)
    here = np.array([item])
    try:
        corner = corners.take(here)
        line = float(corner.input_voltage[0])
        opened = variant_converter(base, corner, condition[here])
        start = start_at(base.case, base.parts, (kind, (line, line), load), corner, opened)
    except FAILURES:
        return None
    if obstacle(start):
        return None
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
