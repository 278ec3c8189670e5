"""Closing in on the duty at which the output rises to its target, from orbits followed at one duty after the other.

Losses make the output rise with duty, fold over and fall again. An orbit on the falling side that meets the target says
that the target is also met at a smaller duty, and that one is looked for. One on the falling side below the target says
that the fold may lie at a smaller duty: it is looked for there first, and beyond it only where it is not high enough,
for the output of irregular conduction may fall and rise again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.orbit.augmented import Stepper
from loopdesign.orbit.periodic import slope_over_duty
from loopdesign.orbit.search.reach import Reach
from loopdesign.orbit.sequence import Edge

if TYPE_CHECKING:
    from loopdesign.orbit.search.follow import Followed
    from loopdesign.orbit.sequence import Sequence

CLOSE = 1e-4
"""Relative closeness of the output, or of two duties, at which Newton's method takes over."""
FOLD = 1e-3
"""Closeness of two duties around a fold, relative to them: the output there differs by the square of it."""
STEP = 1.25
"""Ratio of duties looked at where none is known that reaches the target, largest where they fall."""
STRIDE = 1e-3
"""What such a duty is larger at least [unitless]."""
SHARES = (0.05, 0.95)
"""Least and largest part of a bracket after which the next duty lies."""
REPEATS = 2
"""Times that the same bound may move in a row before the bracket is halved."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Closing:
    """What is known of the output over duty.

    Attributes
    ----------
    target
        Wanted average output [V].
    most
        Largest duty [unitless].
    low, low_miss
        Largest duty known to be too small [unitless], and output less target there [V].
    high, high_miss
        Smallest duty known to be too large [unitless], and output less target there [V]; infinite where that is the
        largest duty, or lies below the target beyond a fold.
    turned
        Largest duty on the falling side below the target [unitless]; zero where there is none.
    above
        Whether the fold below was not high enough, and the target is looked for above it.
    side, repeats
        Which bound moved last (-1: the lower one, 1: the upper one), and how many times in a row [unitless].
    best, best_at
        Highest output seen [V] and its duty [unitless].
    rising
        The orbit with the output nearest to its target, of those on the rising side; None where there is none.
    """

    target: float
    most: float
    low: float
    low_miss: float
    high: float
    high_miss: float
    turned: float = 0.0
    above: bool = False
    side: int = 0
    repeats: int = 0
    best: float
    best_at: float
    rising: Followed | None

    @classmethod
    def on(cls, target: float, most: float) -> Closing:
        """Begin with nothing known.

        Parameters
        ----------
        target : float
            Wanted average output [V].
        most : float
            Largest duty [unitless].

        Returns
        -------
        Closing
            Duties from zero to the largest.
        """
        return cls(
            target=target, most=most, low=0.0, low_miss=-target, high=most, high_miss=np.inf, best=-np.inf,
            best_at=most, rising=None,
        )  # fmt: skip

    def after(self, orbit: Followed, duty: float) -> Closing:
        """Learn from one orbit.

        Parameters
        ----------
        orbit : Followed
            The orbit.
        duty : float
            Its duty [unitless].

        Returns
        -------
        Closing
            With closer bounds.
        """
        known = self._learned(orbit, duty)
        side = int(known.high != self.high) - int(known.low != self.low)
        return replace(known, side=side, repeats=self.repeats + 1 if side == self.side else 1)

    def _learned(self, orbit: Followed, duty: float) -> Closing:
        """Move the bounds."""
        miss, up, known = orbit.output - self.target, output_rises(orbit), self
        if orbit.output > self.best:
            known = replace(known, best=orbit.output, best_at=duty)
        if up and (self.rising is None or abs(miss) <= abs(self.rising.output - self.target)):
            known = replace(known, rising=orbit)
        met = not up and abs(miss) < CLOSE * abs(self.target)
        if miss > 0.0 or met:
            return replace(known, high=duty, high_miss=miss if up else max(miss, CLOSE * abs(self.target)))
        if up or self.reached or self.above:
            known = replace(known, low=duty, low_miss=miss)
        else:
            known = replace(known, high=duty, turned=max(duty, self.turned))
        if known.closed and known.folded and known.turned < known.most:
            known = replace(known, low=known.turned, low_miss=miss, high=known.most, above=True)
        return known

    @property
    def found(self) -> bool:
        """Whether an orbit on the rising side is as near to the target as Newton's method needs it."""
        if self.rising is None:
            return False
        met = abs(self.rising.output - self.target) < CLOSE * abs(self.target) and self.low < self.most
        return met or (self.reached and self.high - self.low < CLOSE)

    @property
    def folded(self) -> bool:
        """Whether a fold lies between the bounds."""
        return self.turned > 0.0 and not self.above

    @property
    def reached(self) -> bool:
        """Whether an output above the target is known."""
        return bool(np.isfinite(self.high_miss))

    @property
    def beyond(self) -> bool:
        """Whether the target lies beyond the largest duty and every fold."""
        return self.closed and not (self.folded and self.turned < self.most)

    @property
    def closed(self) -> bool:
        """Whether no duty is left to look at in which the target might be reached."""
        apart = FOLD if self.folded else CLOSE
        return not self.reached and self.low >= self.high * (1.0 - apart)

    @property
    def reach(self) -> Reach:
        """The highest output seen, as a batch of one."""
        return Reach(output=np.array([self.best]), duty=np.array([self.best_at]))

    def next_duty(self) -> float:
        """Choose the duty to look at next.

        Returns
        -------
        float
            Duty [unitless].
        """
        if self.reached and self.repeats > REPEATS:  # the chord lies far from a curve that bends
            return 0.5 * (self.low + self.high)
        if self.reached:
            share = -self.low_miss / (self.high_miss - self.low_miss)
            return self.low + min(max(share, SHARES[0]), SHARES[1]) * (self.high - self.low)
        if self.folded:
            return max(0.5 * (self.low + self.high), self.high / STEP)
        return min(self.most, STEP * self.low + STRIDE)


def output_rises(orbit: Followed) -> bool:
    """Tell whether the average output rises with duty at an orbit; taken for true where that cannot be told.

    Parameters
    ----------
    orbit : Followed
        The orbit, at a given duty.

    Returns
    -------
    bool
        Whether it lies on the rising side.
    """
    point = replace(orbit.point, sequence=opened_by_comparator(orbit.point.sequence))
    try:
        return bool(slope_over_duty(point, Stepper(point.problem))[0] > 0.0)
    except BREAKDOWN:
        return True


def opened_by_comparator(sequence: Sequence) -> Sequence:
    """Let the comparator open the switch where a given duty did.

    Parameters
    ----------
    sequence : Sequence
        A batch of one [periods].

    Returns
    -------
    Sequence
        With that edge.
    """
    edge = sequence.edge.copy()
    edge[0, int(np.argmax(edge[0] == Edge.CLOCK))] = Edge.COMPARATOR
    return replace(sequence, edge=edge)
