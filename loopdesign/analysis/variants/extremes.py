"""Corners at the ends of every tolerance: which combination of ends is worst for what.

With k toleranced values there are 2^k combinations of ends per operating condition. Which of them is worst for a
margin follows from the sign of each value's influence, read from the exact model with that value at either end alone
(a worst-case analysis by sensitivities; common practice). One combination per condition and margin is then examined
whole. Where influences change sign inside the tolerance box another combination may be worse: the sampled spread is
the check on that.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.variants.judge import Judged, judge
from loopdesign.analysis.variants.reserve import RESERVES, pull_up_reserves
from loopdesign.analysis.variants.solve import guess_at, variant_converter
from loopdesign.corners.tolerances import variants
from loopdesign.errors import LoopDesignError
from loopdesign.models.switched import linearise
from loopdesign.models.verdict import worst_modes
from loopdesign.network.batch import in_halves
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.orbit.operating_point import operating_point

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign.analysis.variants.solve import Base
    from loopdesign.corners.conditions import Corners
    from loopdesign.corners.tolerances import Varied

MARGINS = ("phase_margin_deg", "gain_margin_db", "modulus_margin")
"""Readings whose low end is the bad one; the crossover has two bad ends."""
MULTIPLIERS = ("largest_multiplier", "current_loop_multiplier")
"""Readings whose high end is the bad one: of the closed loop, and of the current loop alone."""
NO_MARGIN = 1e3
"""What stands for a margin that does not exist, because nothing can use it up: larger than any that does."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentLoop:
    """The current loop alone of a batch of variants, control voltage held.

    Attributes
    ----------
    largest_multiplier
        (B,) size of the largest characteristic multiplier that turns or alternates, 0 where none does [unitless]. One
        that drifts without turning is the voltage loop's to hold.
    stable
        (B,) False where a mode grows that no voltage loop is fast enough to hold.
    """

    largest_multiplier: NDArray[np.float64]
    stable: NDArray[np.bool_]


def current_loop(base: Base, corners: Corners, condition: NDArray[np.intp]) -> CurrentLoop:
    """Examine the current loop alone of a batch of variants.

    Parameters
    ----------
    base : Base
        Nominal conditions and where their solutions lie.
    corners : Corners
        Variants (B,): line, load, temperature, and factors on part values.
    condition : ndarray (B,)
        Nominal condition that each variant belongs to, by index [unitless].

    Returns
    -------
    CurrentLoop
        One row per variant; stable with no multiplier where the operating point cannot be found, which `judge` tells.
    """

    def together(items: NDArray[np.intp]) -> CurrentLoop:
        converter = variant_converter(base, corners.take(items), condition[items])
        model = linearise(operating_point(converter, guess_at(base, condition[items])))
        turning = np.abs(np.angle(model.multipliers)) > 1e-9
        return CurrentLoop(
            largest_multiplier=np.where(turning, np.abs(model.multipliers), 0.0).max(axis=1),
            stable=np.array([not m.beyond_the_loop for m in worst_modes(model)]),
        )

    def alone(items: NDArray[np.intp]) -> CurrentLoop:
        return CurrentLoop(largest_multiplier=np.zeros(len(items)), stable=np.ones(len(items), bool))

    failures = (LoopDesignError, *BREAKDOWN)
    return in_halves(together, np.arange(len(corners)), failures=failures, alone=alone)


@dataclass(frozen=True, slots=True, kw_only=True)
class Extremes:
    """Combinations of tolerance ends, each the worst for some reading at some condition.

    Attributes
    ----------
    condition
        (V,) index of the nominal condition.
    places
        (V,k) -1 or 1 per cause.
    corners
        The same as corners (V,).
    judged
        Their margins and verdicts.
    current_loop
        The current loop alone of each.
    """

    condition: NDArray[np.intp]
    places: NDArray[np.float64]
    corners: Corners
    judged: Judged
    current_loop: CurrentLoop


def influences(base: Base, varied: tuple[Varied, ...]) -> Mapping[str, NDArray[np.float64]]:
    """Return the change of each reading from the lower to the upper end of each cause alone.

    Parameters
    ----------
    base : Base
        Nominal conditions and where their solutions lie.
    varied : tuple of Varied
        Causes (k).

    Returns
    -------
    mapping of str to ndarray (C, k)
        By reading, in the unit of the reading.
    """
    count, k = len(base.corners), len(varied)
    places = np.concatenate([np.eye(k), -np.eye(k)])
    condition = np.repeat(np.arange(count), 2 * k)
    tiled = np.tile(places, (count, 1))
    corners = variants(base.corners, condition, varied, tiled)
    judged = judge(base, corners, condition)
    readings = {name: np.nan_to_num(getattr(judged, name), nan=NO_MARGIN, posinf=NO_MARGIN) for name in MARGINS}
    readings["crossover_hz"] = np.nan_to_num(judged.crossover_hz)
    readings["largest_multiplier"] = np.minimum(judged.largest_multiplier, NO_MARGIN)
    readings["current_loop_multiplier"] = current_loop(base, corners, condition).largest_multiplier
    readings |= pull_up_reserves(base, corners, condition)
    ends = {name: values.reshape(count, 2, k) for name, values in readings.items()}
    return {name: two[:, 0] - two[:, 1] for name, two in ends.items()}


def extremes(base: Base, varied: tuple[Varied, ...]) -> Extremes:
    """Examine the worst combination of tolerance ends per condition and reading.

    Parameters
    ----------
    base
        Nominal conditions with the compensation parts chosen.
    varied
        Causes of spread; none makes this empty.

    Returns
    -------
    Extremes
        At most seven combinations per condition: lowest of each margin, lowest and highest crossover, largest
        multiplier of the closed loop and of the current loop alone; two more where an optocoupler and its pull-up bound
        the control voltage: least reserve on either side.
    """
    count, k = len(base.corners), len(varied)
    if not k:
        condition, places = np.empty(0, np.intp), np.empty((0, 0))
    else:
        change = influences(base, varied)
        lowest = (*MARGINS, "crossover_hz", *(name for name in RESERVES if name in change))
        down = [np.where(change[name] > 0.0, -1.0, 1.0) for name in lowest]
        up = [np.where(change[name] > 0.0, 1.0, -1.0) for name in ("crossover_hz", *MULTIPLIERS)]
        table = np.stack([*down, *up], axis=1).reshape(-1, k)
        rows = np.column_stack([np.repeat(np.arange(count), len(down) + len(up)), table])
        rows = np.unique(rows, axis=0)
        condition, places = rows[:, 0].astype(np.intp), rows[:, 1:]
    corners = variants(base.corners, condition, varied, places)
    some = len(condition) > 0
    return Extremes(
        condition=condition,
        places=places,
        corners=corners,
        judged=judge(base, corners, condition) if some else _nothing(),
        current_loop=current_loop(base, corners, condition)
        if some
        else CurrentLoop(largest_multiplier=np.empty(0), stable=np.empty(0, bool)),
    )


def _nothing() -> Judged:
    """Return readings of no item."""
    none, no = np.empty(0), np.empty(0, bool)
    return Judged(
        crossover_hz=none, lowest_crossover_hz=none, phase_margin_deg=none, gain_margin_db=none, modulus_margin=none,
        largest_multiplier=none, stable=no, reached=no,
    )  # fmt: skip
