"""The departure at the load step over production: of every sample as a small step, scaled by steps in time.

A small step is exact from the linearised period alone. What it leaves out, the operating point that moves, depends on
the input voltage first and on tolerances little. So the small step is scaled, condition by condition, by what stepping
the nominal converter in time makes of it; where departures come near the largest, that scale follows each cause as
well, to first order, from steps in time with the cause alone at either end. The worst tolerance ends are stepped in
time themselves, as a check steps them.
"""

from __future__ import annotations

from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.check import examine_stage
from loopdesign.analysis.spread.figures import Bound, per_sample, tail_of, worst_of
from loopdesign.analysis.transient.deviation import small_step, step_conditions, step_deviation
from loopdesign.analysis.transient.places import SteppedPlaces, load_step_of
from loopdesign.analysis.variants.solve import base_of
from loopdesign.corners.tolerances import variants
from loopdesign.workers.processors import available_processors

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.findings.step import StepDeviation
    from loopdesign.analysis.variants.solve import Base
    from loopdesign.corners.conditions import Corners
    from loopdesign.corners.tolerances import Varied

    Array = NDArray[np.float64]

NEAR_THE_LARGEST = 0.8
"""Share of the largest nominal departure from which the scale of a condition follows the causes."""
AT_ONCE = 256
"""Samples stepped at once at one condition: a working set that stays near the processor."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepSpread:
    """Departures at the load step of every sample.

    Attributes
    ----------
    conditions
        Every input voltage and temperature (S), at the load the step begins from.
    step_deviation_v
        (N,S) departures [V]; NaN where a sample has no operating point there, infinite where it is unstable.
    nominal_v
        (S,) departure of nominal parts, stepped in time [V]; that of a small step where none can be made.
    worst
        The largest departure over nominal parts and worst tolerance ends, stepped in time.
    """

    conditions: Corners
    step_deviation_v: Array
    nominal_v: Array
    worst: StepDeviation

    def off_target(self, limit_v: float) -> NDArray[np.bool_]:
        """Tell which samples (N,) depart further than a limit [V] somewhere, or have no step to make."""
        return np.asarray(~(self.step_deviation_v <= limit_v).all(axis=1))

    def bound(self, limit_v: float, tail: float) -> Bound:
        """Set the worst departure by four routes side by side.

        Parameters
        ----------
        limit_v
            Largest departure allowed [V].
        tail
            Share of production that the sampled tail covers [unitless].

        Returns
        -------
        Bound
            Nominal parts, tolerance ends, sampled tail and worst sample.
        """
        finite = np.where(np.isfinite(self.step_deviation_v), self.step_deviation_v, np.nan)
        samples = per_sample(finite, high_is_bad=True)
        return Bound(
            name="step deviation",
            unit="V",
            limit=limit_v,
            high_is_bad=True,
            nominal=worst_of(self.nominal_v, high_is_bad=True),
            ends=self.worst.peak_deviation_v,
            tail=tail_of(samples, tail, high_is_bad=True),
            worst=worst_of(samples, high_is_bad=True),
        )


def step_spread(
    case: cases.Case,
    parts: Mapping[str, float],
    varied: tuple[Varied, ...],
    drawn: Array,
    executor: Executor | None = None,
) -> StepSpread | None:
    """Estimate the departure at the load step of every sample.

    Parameters
    ----------
    case
        The case.
    parts
        Compensation parts by designator, 0.0 where not fitted [ohm], [F].
    varied
        Causes of spread (k).
    drawn
        (N,k) place of every cause in every sample, -1 to 1 between the ends [unitless].
    executor
        Any concurrent.futures executor; threads, one per processor, where absent.

    Returns
    -------
    StepSpread or None
        None where the case has no target for its load step.
    """
    if case.targets.step_deviation is None:
        return None
    conditions = step_conditions(case, tolerances=True)
    base = base_of(case, parts, examine_stage(case, conditions))
    everyone = np.arange(len(conditions))
    size = abs(float(np.subtract(*load_step_of(case))))
    small = small_step(base, base.corners, everyone) * size
    nominal = _stepped(base, base.corners, everyone, small)
    scales = [_scale(base, varied, int(c), size, (small, nominal)) for c in everyone]
    scale = _with_one(drawn) @ np.stack(scales, axis=1)
    work = [(c, b) for c in everyone for b in range(0, len(drawn), AT_ONCE)]
    task = partial(_chunk, base, varied)
    with ThreadPoolExecutor(available_processors()) if executor is None else nullcontext(executor) as pool:
        pieces = list(pool.map(task, [c for c, _ in work], [drawn[b : b + AT_ONCE] for _, b in work]))
    departures = np.concatenate(pieces).reshape(len(conditions), len(drawn)).T
    return StepSpread(
        conditions=conditions,
        step_deviation_v=departures * size * scale,
        nominal_v=nominal,
        worst=step_deviation(case, parts),
    )


def _stepped(base: Base, corners: Corners, condition: NDArray[np.intp], small: Array) -> Array:
    """Departure (B,) [V] of places, stepped in time where that can be done; that of the small step elsewhere."""
    places = SteppedPlaces(base, corners, condition)
    made = [places.at(k, "load") if np.isfinite(small[k]) else None for k in range(len(small))]
    return np.array([s if m is None else m for s, m in zip(small, made, strict=True)], dtype=np.float64)


def _scale(base: Base, varied: tuple[Varied, ...], condition: int, size: float, nominal: tuple[Array, Array]) -> Array:
    """Scale of a small step at one condition, by steps in time: (1+k,) at nominal parts, and its change per place."""
    small, stepped = nominal
    scale = np.zeros(1 + len(varied))
    scale[0] = stepped[condition] / small[condition] if small[condition] > 0.0 else 1.0
    if not varied or stepped[condition] < NEAR_THE_LARGEST * np.nanmax(stepped):
        return scale
    ends = np.concatenate([np.eye(len(varied)), -np.eye(len(varied))])
    which = np.full(len(ends), condition)
    corners = variants(base.corners, which, varied, ends)
    alone = small_step(base, corners, which) * size
    ratio = _stepped(base, corners, which, alone) / np.where(alone > 0.0, alone, 1.0)
    up, down = ratio.reshape(2, -1)
    scale[1:] = np.where(np.isfinite(up) & np.isfinite(down), 0.5 * (up - down), 0.0)
    return scale


def _with_one(places: Array) -> Array:
    """Places (N,k) with a first column of ones."""
    return np.column_stack([np.ones(len(places)), places])


def _chunk(base: Base, varied: tuple[Varied, ...], condition: int, drawn: Array) -> Array:
    """Small-step departures (M,) per ampere of some samples at one condition."""
    which = np.full(len(drawn), condition)
    return small_step(base, variants(base.corners, which, varied, drawn), which)
