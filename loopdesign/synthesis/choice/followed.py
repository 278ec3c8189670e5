"""The tolerance ends of one combination, followed as far as a choice asks, and once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.analysis.variants.extremes import closed_search, extremes, likely_ends

if TYPE_CHECKING:
    from loopdesign.analysis.variants.extremes import Extremes
    from loopdesign.analysis.variants.held import HeldEnds
    from loopdesign.analysis.variants.solve import Base
    from loopdesign.corners.tolerances import Varied


class FollowedEnds:
    """The tolerance ends of one combination, followed as far as asked.

    Parameters
    ----------
    base
        Nominal conditions with the parts of the combination.
    varied
        Causes of spread, at least one.
    """

    def __init__(self, base: Base, varied: tuple[Varied, ...]) -> None:
        self.base, self.varied = base, varied
        self._search = closed_search(base, varied)
        self.likely = likely_ends(base, varied, self._search)
        self._worst: Extremes | None = None

    def worst(self, held: HeldEnds) -> Extremes:
        """Follow them to the worst; those with the control voltage held are known."""
        if self._worst is None:
            self._worst = extremes(self.base, self.varied, held, self._search)
        return self._worst
