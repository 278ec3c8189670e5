"""Margins and verdict of many closed loops at once: tolerance extremes, samples and candidates of a choice.

Where ``assess`` examines a few corners to the last digit, this examines thousands of items by the same exact model:
the closed-loop operating point from the nominal one as first guess, the multipliers, and the loop gain by injection on
a short grid that is refined per item where a margin is read. Margins are read by interpolation between grid points,
within 0.1 degree and 0.02 dB of the refined ones in ordinary loops (held in the tests).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.grids import band, even_grid
from loopdesign.analysis.readings import Readings
from loopdesign.analysis.variants.solve import Base, closed_loop
from loopdesign.case import TwoInductorStage
from loopdesign.corners.controller import bounds
from loopdesign.corners.trouble import strict
from loopdesign.errors import LoopDesignError, NumericalError, UnreachableOutputError
from loopdesign.margins.margins import headline_margins
from loopdesign.models.switched import SwitchedModel, loop_gain, output_impedance
from loopdesign.network.batch import in_halves, take
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.orbit.holding import KEPT, held

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.corners.conditions import Corners


FIRST_POINTS = 30
"""Points of the grid all items share, before their own resonances and refinements are added."""
REFINED_INTERVALS = 8
"""Intervals of each item's grid that get two more points each."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged(Readings):
    """Margins and verdict of a batch of closed loops (B,), one after another.

    The margins are raw readings that mean nothing where ``stable`` is False, as it is where the output is out of reach.

    Attributes
    ----------
    reached
        (B,) whether the output is reached within the largest duty.
    """

    reached: NDArray[np.bool_]

    def __len__(self) -> int:
        """Count the items."""
        return len(self.stable)

    def take(self, items: NDArray[np.intp]) -> Judged:
        """Keep some items, in the order given.

        Parameters
        ----------
        items : ndarray (K,)
            Which items to keep, by index [unitless].

        Returns
        -------
        Judged
            Those items.
        """
        return take(self, items, len(self))


def judge(base: Base, corners: Corners, condition: NDArray[np.intp]) -> Judged:
    """Judge a batch of variants by the exact loop gain and the multipliers.

    Parameters
    ----------
    base
        Nominal conditions.
    corners
        Variants (B,): conditions with factors on part values. The factor ``reference`` moves the output with it.
    condition
        (B,) index of the nominal condition each variant belongs to [unitless].

    Returns
    -------
    Judged
        One row per variant. An operating point that cannot be found counts as out of reach.
    """

    def together(items: NDArray[np.intp]) -> Judged:
        some, at = corners.take(items), condition[items]
        with strict():
            model, reached = closed_loop(base, some, at)
        return _read(base, some, at, model, reached)

    def alone(items: NDArray[np.intp]) -> Judged:
        return _judged_alone(base, corners.take(items), condition[items])

    failures = (NumericalError, UnreachableOutputError, *BREAKDOWN)
    return in_halves(together, np.arange(len(corners)), failures=failures, alone=alone)


def _judged_alone(base: Base, corners: Corners, condition: NDArray[np.intp]) -> Judged:
    """Search for the operating point of one variant from nothing; out of reach where that fails as well."""
    try:
        with strict():
            model, reached = closed_loop(base, corners, condition, from_nothing=True)
    except (LoopDesignError, *BREAKDOWN):
        nothing = np.array([np.nan])
        no = np.array([False])
        return Judged(
            crossover_hz=nothing, phase_margin_deg=nothing, gain_margin_db=nothing, modulus_margin=nothing,
            largest_multiplier=np.array([np.inf]), stable=no, reached=no,
        )  # fmt: skip
    return _read(base, corners, condition, model, reached)


def _read(
    base: Base, corners: Corners, condition: NDArray[np.intp], model: SwitchedModel, reached: NDArray[np.bool_]
) -> Judged:
    """Read margins and multipliers of a linearised batch."""
    frequencies = _grid(base, corners, condition)
    frequencies, loop = _refined(model, frequencies)
    margins = headline_margins(frequencies, loop)
    largest = np.abs(model.multipliers).max(axis=1)
    return Judged(
        crossover_hz=margins.crossover_hz,
        phase_margin_deg=margins.phase_margin_deg,
        gain_margin_db=margins.gain_margin_db,
        modulus_margin=margins.modulus_margin,
        largest_multiplier=largest,
        stable=(largest < 1.0) & reached & (held(model.point, bounds(base.case, corners)) == KEPT),
        reached=reached,
    )


def loop_of(
    base: Base, corners: Corners, condition: NDArray[np.intp], frequencies_hz: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Evaluate the exact loop gain of variants on one grid.

    Parameters
    ----------
    base : Base
        Nominal conditions and where their solutions lie.
    corners : Corners
        Variants (B,): line, load, temperature, and factors on part values.
    condition : ndarray (B,)
        Nominal condition that each variant belongs to, by index [unitless].
    frequencies_hz : ndarray (F,)
        Frequencies [Hz].

    Returns
    -------
    ndarray (B, F)
        Loop gain [unitless].
    """
    model, _ = closed_loop(base, corners, condition)
    return loop_gain(model, np.broadcast_to(frequencies_hz, (len(corners), len(frequencies_hz))))


def peak_impedance(
    base: Base, corners: Corners, condition: NDArray[np.intp], frequencies_hz: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Read the peak of the exact closed-loop output impedance of variants over a grid.

    Parameters
    ----------
    base : Base
        Nominal conditions and where their solutions lie.
    corners : Corners
        Variants (B,): line, load, temperature, and factors on part values.
    condition : ndarray (B,)
        Nominal condition that each variant belongs to, by index [unitless].
    frequencies_hz : ndarray (F,)
        Frequencies [Hz].

    Returns
    -------
    ndarray (B,)
        Peak [ohm]; infinite where the operating point is out of reach.
    """

    def together(items: NDArray[np.intp]) -> NDArray[np.float64]:
        model, _ = closed_loop(base, corners.take(items), condition[items])
        return np.asarray(np.abs(output_impedance(model, frequencies_hz)).max(axis=1))

    failures = (LoopDesignError, *BREAKDOWN)
    return in_halves(
        together, np.arange(len(corners)), failures=failures, alone=lambda items: np.full(len(items), np.inf)
    )


def _grid(base: Base, corners: Corners, condition: NDArray[np.intp]) -> NDArray[np.float64]:
    """First grid (B,F) [Hz]: shared points, and each item's sharp pairs moved as its inductors and capacitor are."""
    switching = base.case.converter.switching_frequency
    low, high = band(switching)
    shared = even_grid(switching, FIRST_POINTS)
    grid = np.broadcast_to(shared, (len(corners), FIRST_POINTS))
    pairs = base.resonances_hz[condition]
    if not pairs.shape[1]:
        return grid.copy()
    scale = 1.0 / np.sqrt(_inductance_factor(base.case, corners) * np.asarray(corners.factor("Cs.capacitance")))
    moved = pairs * np.reshape(np.broadcast_to(scale, (len(corners),)), (-1, 1))
    spare = np.sqrt(shared[:-1] * shared[1:])[: pairs.shape[1]]
    inside = np.isfinite(moved) & (moved > 1.0001 * low) & (moved < 0.9999 * high)
    moved = np.where(inside, moved, np.resize(spare, pairs.shape[1]))
    grid = np.sort(np.concatenate([grid, moved], axis=1), axis=1)
    # equal neighbours are parted by far less than a margin can show
    rise = np.arange(grid.shape[1]) * 1e-9
    return grid * (1.0 + rise)


def _inductance_factor(case: cases.Case, corners: Corners) -> NDArray[np.float64]:
    """Inductance in the loop of the coupling capacitor, ``L1 + L2 - 2 M``, over its nominal value (B,) [unitless]."""
    first, second = np.asarray(corners.factor("L1.inductance")), np.asarray(corners.factor("L2.inductance"))
    stage = case.stage
    if not isinstance(stage, TwoInductorStage):
        return 0.5 * (first + second)
    one, two, k = stage.L1.inductance, stage.L2.inductance, stage.coupling.nominal
    mutual = k * np.asarray(corners.factor("coupling")) * np.sqrt(one * first * two * second)
    return np.asarray((one * first + two * second - 2.0 * mutual) / (one + two - 2.0 * k * np.sqrt(one * two)))


def _refined(
    model: SwitchedModel, frequencies: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Add points to the intervals of each item that hold its margins, or in which its loop gain changes most."""
    loop = loop_gain(model, frequencies)
    interest = np.minimum(np.abs(np.log(loop[:, 1:] / loop[:, :-1])), 3.0)
    above = np.abs(loop) >= 1.0
    interest += 20.0 * (above[:, 1:] != above[:, :-1])
    upper = loop.imag >= 0.0
    crosses = (upper[:, 1:] != upper[:, :-1]) & (loop.real[:, 1:] < 0.0)
    interest += 10.0 * (crosses & ~above[:, 1:])
    rows, nearest = np.arange(len(loop)), np.argmin(np.abs(1.0 + loop), axis=1)
    interest[rows, np.maximum(nearest - 1, 0)] += 15.0
    interest[rows, np.minimum(nearest, interest.shape[1] - 1)] += 15.0
    chosen = np.argpartition(interest, -REFINED_INTERVALS, axis=1)[:, -REFINED_INTERVALS:]
    low = np.log(np.take_along_axis(frequencies, chosen, 1))
    width = np.log(np.take_along_axis(frequencies, chosen + 1, 1)) - low
    new = np.exp(np.concatenate([low + width / 3.0, low + width * (2.0 / 3.0)], axis=1))
    joint = np.concatenate([frequencies, new], axis=1)
    order = np.argsort(joint, axis=1)
    both = np.concatenate([loop, loop_gain(model, new)], axis=1)
    return np.take_along_axis(joint, order, 1), np.take_along_axis(both, order, 1)
