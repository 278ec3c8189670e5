"""The worst combinations of tolerance ends with the control voltage held, which no compensation part changes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.variants.beside import OrbitsBeside
from loopdesign.analysis.variants.current_loop import CurrentLoop, current_loop
from loopdesign.analysis.variants.ends import Ends, EndSearch
from loopdesign.analysis.variants.reserve import RESERVES
from loopdesign.analysis.variants.solve import nominal_temperature
from loopdesign.corners.tolerances import variants

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from loopdesign.analysis.variants.solve import Base
    from loopdesign.corners.tolerances import Varied

    Array = NDArray[np.float64]


def held_badness(found: CurrentLoop) -> Array:
    """Tell how bad findings with the control voltage held are: by multiplier, and by each reserve.

    Parameters
    ----------
    found : CurrentLoop
        Findings (N,).

    Returns
    -------
    ndarray (N, 8)
        Largest multiplier [unitless], and the reserves with their sign turned, in their own units.
    """
    return np.concatenate([found.largest_multiplier[:, None], -found.reserves], axis=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldEnds:
    """The worst combinations of tolerance ends with the control voltage held, which compensation parts do not change.

    Attributes
    ----------
    varied
        What varies (k).
    search, ends
        The search, to ask what it judged, and what it found.
    hold
        Judges further combinations by condition (N,) and places (N,k).
    """

    varied: tuple[Varied, ...]
    search: EndSearch[CurrentLoop]
    ends: Ends[CurrentLoop]
    hold: Callable[[NDArray[np.intp], Array], CurrentLoop]


def held_ends(base: Base, varied: tuple[Varied, ...]) -> HeldEnds:
    """Examine the worst combinations of tolerance ends with the control voltage held.

    Parameters
    ----------
    base
        Nominal conditions.
    varied
        Causes of spread, at least one.

    Returns
    -------
    HeldEnds
        For every condition the largest multiplier of the current loop and the least of each reserve.
    """
    hold = partial(_held, base, varied, OrbitsBeside(base, len(varied)))
    concern = np.array([1.0, *[0.0] * len(RESERVES)])
    search = EndSearch(hold, held_badness, len(varied), nominal_temperature(base), concern=concern)
    return HeldEnds(varied=varied, search=search, ends=search.run(), hold=hold)


def _held(
    base: Base, varied: tuple[Varied, ...], beside: OrbitsBeside, condition: NDArray[np.intp], places: Array
) -> CurrentLoop:
    """Judge combinations with the control voltage held."""
    begin, seen = beside.of(condition, places)
    return current_loop(base, variants(base.corners, condition, varied, places), condition, begin, seen)
