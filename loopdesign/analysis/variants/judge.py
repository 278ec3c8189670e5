"""Margins and verdict of many closed loops at once: tolerance extremes, samples and candidates of a choice.

Where a check examines a few corners to the last digit, this examines thousands of items by the same exact model: the
closed-loop operating point from the nominal one as first guess, the multipliers, and the margins of the loop gain by
injection, read by the same rule (`loopdesign.margins.closed_loop`) within 0.01 degree and 0.002 dB.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.given import has_loop
from loopdesign.analysis.grids import NEAR_DC_SHARE, band
from loopdesign.analysis.readings import Readings
from loopdesign.analysis.variants.solve import Base, Seen, alike, closed_loop
from loopdesign.corners.controller import bounds
from loopdesign.corners.converters import topology_of
from loopdesign.corners.trouble import strict
from loopdesign.errors import LoopDesignError, NumericalError, UnreachableOutputError
from loopdesign.margins.closed_loop import closed_loop_headlines
from loopdesign.models.switched import SwitchedModel, loop_gain, output_impedance
from loopdesign.network.batch import in_halves, joined, take
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.orbit.holding import KEPT, held
from loopdesign.workers.branch import Branch, branch

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.corners.conditions import Corners
    from loopdesign.orbit.operating_point import Guess


FIGURES = ("crossover_hz", "lowest_crossover_hz", "phase_margin_deg", "gain_margin_db", "modulus_margin")
"""What is read of a loop gain; nothing where the case has no loop."""
WORTH_PARTING, SOONER = 180, 120
"""Variants from which two processors judge them sooner than one: with one rectifier, and with several."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged(Readings):
    """Margins and verdict of a batch of closed loops (B,), one after another.

    The margins are raw readings that mean nothing where ``stable`` is False, as it is where the output is out of reach.

    Attributes
    ----------
    lowest_crossover_hz
        (B,) lowest crossover [Hz], NaN where there is none.
    reached
        (B,) whether the output is reached within the largest duty.
    held
        (B,) what keeps the converter from staying at its operating point, by code of `orbit.holding`.
    """

    lowest_crossover_hz: NDArray[np.float64]
    reached: NDArray[np.bool_]
    held: NDArray[np.intp]

    def __len__(self) -> int:
        """Count the items."""
        return len(self.stable)

    @property
    def read(self) -> NDArray[np.bool_]:
        """(B,) whether there is an operating point that is reached and held, so that figures are worth reading."""
        return self.reached & (self.held == KEPT)

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


def judge(
    base: Base, corners: Corners, condition: NDArray[np.intp], edges: Guess | None = None, seen: Seen | None = None
) -> Judged:
    """Judge a batch of variants by the exact loop gain and the multipliers.

    Parameters
    ----------
    base
        Nominal conditions.
    corners
        Variants (B,): conditions with factors on part values. The factor ``reference`` moves the output with it.
    condition
        (B,) index of the nominal condition each variant belongs to [unitless].
    edges
        Edges (B,) of the variants with their loop open, where they are known.
    seen
        Told the numbers of variants and the intervals of their orbits, where these are found together.

    Returns
    -------
    Judged
        One row per variant. An operating point that cannot be found counts as out of reach.
    """
    orbits: list[tuple[NDArray[np.intp], Guess]] = []

    def together(items: NDArray[np.intp]) -> Judged:
        with strict():
            some = None if edges is None else edges.take(items)
            model, reached = closed_loop(base, corners.take(items), condition[items], some)
        judged = _read(base, corners.take(items), model, reached)
        orbits.append((items, model.point.sequence))
        return judged

    def alone(items: NDArray[np.intp]) -> Judged:
        return _judged_alone(base, corners.take(items), condition[items])

    def each(groups: list[NDArray[np.intp]]) -> tuple[list[Judged], list[tuple[NDArray[np.intp], Guess]]]:
        orbits.clear()
        found = [in_halves(together, some, failures=failures, alone=alone) for some in groups]
        return found, list(orbits)

    failures = (NumericalError, UnreachableOutputError, *BREAKDOWN)
    groups = alike(base, condition)
    plain = topology_of(base.case).devices.plain
    mine, others = parted(groups) if len(condition) >= (WORTH_PARTING if plain else SOONER) else (groups, [])
    with branch(partial(each, others)) if others else Branch(lambda: each([])) as beside:
        (here, kept), (there, kept_there) = each(mine), beside.result()
    if seen is not None:
        for items, found in (*kept, *kept_there):
            seen(items, found)
    return joined([*here, *there]).take(np.argsort(np.concatenate(mine + others), kind="stable"))


def parted(groups: list[NDArray[np.intp]]) -> tuple[list[NDArray[np.intp]], list[NDArray[np.intp]]]:
    """Part variants for two processors, the same way however many there are: the numbers depend a little on it.

    Parameters
    ----------
    groups : list of ndarray (K,)
        Variants to be judged together, by index [unitless].

    Returns
    -------
    tuple of list of ndarray
        Groups for either, large ones halved.
    """
    size = sum(map(len, groups))
    halves = [half for some in groups for half in (np.array_split(some, 2) if 3 * len(some) > 2 * size else [some])]
    shares: tuple[list[NDArray[np.intp]], list[NDArray[np.intp]]] = ([], [])
    for some in sorted(halves, key=len, reverse=True):
        min(shares, key=lambda share: sum(map(len, share))).append(some)
    return shares


def _judged_alone(base: Base, corners: Corners, condition: NDArray[np.intp]) -> Judged:
    """Search for the operating point of one variant from nothing; out of reach where that fails as well."""
    try:
        with strict():
            model, reached = closed_loop(base, corners, condition, from_nothing=True)
    except (LoopDesignError, *BREAKDOWN):
        nothing = np.array([np.nan])
        no = np.array([False])
        return Judged(
            crossover_hz=nothing, lowest_crossover_hz=nothing, phase_margin_deg=nothing, gain_margin_db=nothing,
            modulus_margin=nothing, largest_multiplier=np.array([np.inf]), stable=no, reached=no,
            held=np.array([KEPT]),
        )  # fmt: skip
    return _read(base, corners, model, reached)


def _read(base: Base, corners: Corners, model: SwitchedModel, reached: NDArray[np.bool_]) -> Judged:
    """Read margins and multipliers of a linearised batch."""

    def response(frequencies_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        return loop_gain(model, frequencies_hz)

    switching = base.case.converter.switching_frequency
    low, _ = band(switching)
    figures = dict.fromkeys(FIGURES, np.full(len(corners), np.nan))
    if has_loop(base.case):
        margins = closed_loop_headlines(
            response, model.multipliers, switching_hz=switching, low_hz=low, lowest_hz=NEAR_DC_SHARE * switching
        )
        figures = {name: getattr(margins, name) for name in FIGURES}
    largest, code = np.abs(model.multipliers).max(axis=1), held(model.point, bounds(base.case, corners))
    return Judged(
        **figures,
        largest_multiplier=largest,
        stable=(largest < 1.0) & reached & (code == KEPT),
        reached=reached,
        held=code,
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
