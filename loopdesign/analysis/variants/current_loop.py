"""The current loop alone of many variants, control voltage held, and what their controller has to spare."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.variants.reserve import PLENTY, RESERVES, reserves
from loopdesign.analysis.variants.solve import alike, guess_at, variant_converter
from loopdesign.errors import LoopDesignError
from loopdesign.models.switched import linearise
from loopdesign.models.verdict import mode_of
from loopdesign.network.batch import in_halves, joined, take
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.orbit.operating_point import operating_point

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.analysis.variants.solve import Base, Seen
    from loopdesign.corners.conditions import Corners
    from loopdesign.orbit.operating_point import Guess

TURNS = 1e-9
"""Angle of a multiplier from which its mode turns or alternates [rad]."""


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
    reserves
        (B,7) by how much each operating point stays within the controller's bounds, by `reserve.RESERVES`.
    """

    largest_multiplier: NDArray[np.float64]
    stable: NDArray[np.bool_]
    reserves: NDArray[np.float64]

    def __len__(self) -> int:
        """Count the items."""
        return len(self.stable)

    def take(self, items: NDArray[np.intp]) -> CurrentLoop:
        """Keep some items, in the order given.

        Parameters
        ----------
        items : ndarray (K,)
            Which items to keep, by index [unitless].

        Returns
        -------
        CurrentLoop
            Those items.
        """
        return take(self, items, len(self))


def current_loop(
    base: Base, corners: Corners, condition: NDArray[np.intp], edges: Guess | None = None, seen: Seen | None = None
) -> CurrentLoop:
    """Examine the current loop alone of a batch of variants.

    Parameters
    ----------
    base : Base
        Nominal conditions and where their solutions lie.
    corners : Corners
        Variants (B,): line, load, temperature, and factors on part values.
    condition : ndarray (B,)
        Nominal condition that each variant belongs to, by index [unitless].
    edges : Guess, optional
        Edges of the variants (B,), where they are known; those of the nominal conditions unless given.
    seen : callable, optional
        Told the numbers of variants and the intervals of their orbits, where these are found together.

    Returns
    -------
    CurrentLoop
        One row per variant; stable with no multiplier and everything to spare where the operating point cannot be
        found, which `judge` tells.
    """

    def together(items: NDArray[np.intp]) -> CurrentLoop:
        some = corners.take(items)
        converter = variant_converter(base, some, condition[items])
        begin = guess_at(base, condition[items]) if edges is None else edges.take(items)
        model = linearise(operating_point(converter, begin, lean=True))
        if seen is not None:
            seen(items, model.point.sequence)
        size = np.abs(model.multipliers)
        turning = np.abs(np.angle(model.multipliers)) > TURNS
        stable = size.max(axis=1) < 1.0
        for item in np.flatnonzero(~stable):
            stable[item] = not mode_of(model, int(item), int(np.argmax(size[item]))).beyond_the_loop
        return CurrentLoop(
            largest_multiplier=np.where(turning, size, 0.0).max(axis=1), stable=stable,
            reserves=reserves(base.case, some, model.point),
        )  # fmt: skip

    def alone(items: NDArray[np.intp]) -> CurrentLoop:
        nothing = np.full((len(items), len(RESERVES)), PLENTY)
        return CurrentLoop(largest_multiplier=np.zeros(len(items)), stable=np.ones(len(items), bool), reserves=nothing)

    failures = (LoopDesignError, *BREAKDOWN)
    groups = alike(base, condition)
    found = joined([in_halves(together, some, failures=failures, alone=alone) for some in groups])
    return found.take(np.argsort(np.concatenate(groups), kind="stable"))
