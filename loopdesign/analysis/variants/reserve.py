"""How far the control voltage of variants stays within what an optocoupler and its pull-up deliver."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.variants.solve import guess_at, variant_converter
from loopdesign.corners.controller import attainable, light_path
from loopdesign.errors import LoopDesignError
from loopdesign.network.batch import in_halves
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.orbit.operating_point import operating_point

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign.analysis.variants.solve import Base
    from loopdesign.corners.conditions import Corners

RESERVES = ("pull_up_below", "pull_up_above")
"""Names of the reserves, whose low end is the bad one."""
NO_RANGE = -1e3
"""Reserve [V] where nothing can be set at all: worse than any that misses."""


def pull_up_reserves(base: Base, corners: Corners, condition: NDArray[np.intp]) -> Mapping[str, NDArray[np.float64]]:
    """Say by how much the control voltage stays above the lowest and below the highest that can be set.

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
    mapping of str to ndarray (B,)
        ``pull_up_below`` and ``pull_up_above`` [V], below zero where the range does not suffice, zero where the
        operating point cannot be found; nothing where the case has no such range. The control voltage is that of the
        loop open, without ripple.
    """
    if light_path(base.case) is None:
        return {}

    def together(items: NDArray[np.intp]) -> NDArray[np.float64]:
        some = corners.take(items)
        needed = operating_point(variant_converter(base, some, condition[items]), guess_at(base, condition[items])).trim
        lowest, highest = attainable(base.case, some) or (needed, needed)
        return np.stack([needed - lowest, highest - needed], axis=1)

    def alone(items: NDArray[np.intp]) -> NDArray[np.float64]:
        return np.zeros((len(items), 2))

    failures = (LoopDesignError, *BREAKDOWN)
    both = in_halves(together, np.arange(len(corners)), failures=failures, alone=alone)
    below, above = np.nan_to_num(both, neginf=NO_RANGE).T
    return dict(zip(RESERVES, (below, above), strict=True))
