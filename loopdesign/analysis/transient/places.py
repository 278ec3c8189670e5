"""Places of the load step of one case: stepped in time, each once, and what is known of them for a choice of parts."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Self, TypeAlias

import numpy as np

from loopdesign.analysis.check import examine_stage
from loopdesign.analysis.transient.after import mean_output, obstacle
from loopdesign.analysis.transient.run import from_point, run_cycles
from loopdesign.analysis.transient.start import start_at, stepper_of
from loopdesign.analysis.variants.solve import guess_at, variant_converter
from loopdesign.errors import DataError, LoopDesignError
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.workers.branch import branch

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.analysis.findings.step import StepDeviation
    from loopdesign.analysis.transient.start import StepKind, StepStart
    from loopdesign.analysis.variants.solve import Base
    from loopdesign.corners.conditions import Corners
    from loopdesign.workers.branch import Branch

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
FAILURES = (LoopDesignError, *BREAKDOWN)
Place: TypeAlias = "tuple[object, ...]"
"""Direction of a step, line, load, temperature, factors and parts."""


class StepMemory:
    """Departures stepped in time, and the stages they begin from.

    Attributes
    ----------
    departures : dict
        Largest departure by place [V].
    """

    def __init__(self) -> None:
        self.departures: dict[Place, float] = {}
        self._stages: list[ExaminedStage] = []

    def stage(self, case: cases.Case, conditions: Corners) -> ExaminedStage:
        """Examine the stage at conditions (B,) with nominal parts, once.

        Parameters
        ----------
        case : Case
            The case, always the same.
        conditions : Corners
            Line, load and temperature (B,).

        Returns
        -------
        ExaminedStage
            As `examine_stage` gives it.
        """
        for stage in self._stages:
            there = stage.conditions
            if all(
                np.array_equal(getattr(there, name), getattr(conditions, name))
                for name in ("input_voltage", "load_current", "temperature")
            ):
                return stage
        self._stages.append(examine_stage(case, conditions))
        return self._stages[-1]

    def learnt(self, found: tuple[StepDeviation, dict[Place, float]]) -> StepDeviation:
        """Take over what was stepped beside.

        Parameters
        ----------
        found : tuple of StepDeviation and dict
            The largest departure, and every departure known where it was found, by place [V].

        Returns
        -------
        StepDeviation
            The first of both.
        """
        self.departures |= found[1]
        return found[0]


def step_place(kind: str, parts: Mapping[str, float], corners: Corners, item: int) -> Place:
    """Tell one place from others.

    Parameters
    ----------
    kind : str
        Direction of the step.
    parts : mapping of str to float
        Compensation parts by designator [ohm], [F].
    corners : Corners
        Places (B,): line, load, temperature, and factors on part values.
    item : int
        Which of them [unitless].

    Returns
    -------
    tuple
        Equal for equal places.
    """
    moved = sorted((name, float(f[item])) for name, f in corners.factors.items() if f[item] != 1.0)
    at = (float(values[item]) for values in (corners.input_voltage, corners.load_current, corners.temperature))
    return kind, *at, *moved, *sorted(parts.items())


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


class SteppedPlaces:
    """Places stepped in time; as a context manager it leaves none at work that was begun and not asked for.

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
        self._begun: dict[Place, Branch[tuple[float | None, str]]] = {}

    def begin(self, item: int, kind: StepKind) -> None:
        """Begin with the step of one place by its number [unitless], which `at` is going to ask for.

        Parameters
        ----------
        item : int
            Place [unitless].
        kind : StepKind
            Direction of the step.
        """
        place = step_place(kind, self.base.parts, self.corners, item)
        if place not in self.known.departures and place not in self._begun:
            self._begun[place] = branch(partial(self._stepped, item, kind))

    def __enter__(self) -> Self:
        """Begin."""
        return self

    def __exit__(self, *_: object) -> None:
        """Leave steps that were begun and not asked for."""
        while self._begun:
            self._begun.popitem()[1].drop()

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
        begun = self._begun.pop(place, None)
        departure, told = self._stepped(item, kind) if begun is None else begun.result()
        if departure is not None:
            known[place] = departure
            return departure
        if kind == "load":
            line, load = self.corners.input_voltage[item], self.corners.load_current[item]
            self.not_made.append(f"no load step can be made at {line:.4g} V, {load:.3g} A: {told}")
        return None

    def _stepped(self, item: int, kind: StepKind) -> tuple[float | None, str]:
        """Step one place: largest departure [V], or None and what is in its way."""
        try:
            start = self._start(item, kind)
        except FAILURES:
            return None, "there is no operating point"
        told = obstacle(start)
        return (None, told) if told else (_largest_departure(start), "")

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
    while not len(departure) or (len(departure) < MOST_CYCLES and still_grows(departure[None])):
        part = run_cycles(stepper, x, devices, cycles=max(FIRST_CYCLES, 3 * len(departure)))
        departure = np.concatenate([departure, np.abs(part.mean - before)])
        x, devices = part.states[-1], part.devices[-1]
    return float(departure.max())


def still_grows(departure: Array) -> bool:
    """Tell whether a departure is largest among its last periods, by more than the approach to a final value adds.

    Parameters
    ----------
    departure : ndarray (B, N)
        Over the periods, in any unit [any unit].

    Returns
    -------
    bool
        Whether any is, so that more periods are worth a look.
    """
    split = int(LAST * departure.shape[1])
    return bool((departure[:, split:].max(axis=1) > GROWN * departure[:, :split].max(axis=1)).any())
