"""Orbits found so far of stages with several rectifiers, to begin others from the nearest."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.errors import ConvergenceError
from loopdesign.orbit.search.fixed import KnownOrbit, orbits_at
from loopdesign.orbit.sequence import Sequence, joined_sequences

if TYPE_CHECKING:
    from collections.abc import Sequence as Ordered

    from numpy.typing import NDArray

    from loopdesign.network.converter import Converter

ELSEWHERE = 100.0
"""What another converter counts for beside differences of the logarithms of load and duty."""
KEPT = 400
"""Orbits kept, the latest."""


class KnownPlaces:
    """Orbits by converter, load and duty; those of one with a single rectifier are solved without it."""

    def __init__(self) -> None:
        self.places = np.empty((0, 3))
        self.orbits: list[KnownOrbit] = []

    def remember(
        self, items: NDArray[np.intp], load: NDArray[np.float64], duty: NDArray[np.float64], orbits: Ordered[KnownOrbit]
    ) -> None:
        """Keep orbits of converters (S,), by their numbers [unitless], at their loads [A] and duties [unitless]."""
        places = np.stack([items, np.log(load), np.log(duty)], axis=1)
        self.places = np.concatenate([self.places, places])[-KEPT:]
        self.orbits = [*self.orbits, *orbits][-KEPT:]

    def opened(
        self, at: Converter, items: NDArray[np.intp], load: NDArray[np.float64], duty: NDArray[np.float64]
    ) -> Sequence:
        """Solve orbits (S,) at given load [A] and duty [unitless] from the nearest known ones; give their sequences.

        Turn-off delays are left out of them; ``items`` says which converter each is [unitless].

        Raises
        ------
        ConvergenceError
            Where none is known, or one is not found.
        """
        if not self.orbits:
            raise ConvergenceError("no orbit is known to begin from")
        wanted = np.stack([items, np.log(load), np.log(duty)], axis=1)
        away = np.abs(wanted[:, None] - self.places)
        away[..., 0] = ELSEWHERE * (away[..., 0] > 0.0)
        nearest = np.argmin(away.sum(axis=2), axis=1)
        found = orbits_at(at, duty, [self.orbits[int(k)] for k in nearest])
        self.remember(items, load, duty, found)
        return joined_sequences([orbit.sequence for orbit in found])
