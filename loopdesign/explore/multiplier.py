"""The largest multiplier over the nominal corners at many points of a sweep's plane, solved together."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.bench.keys import with_value
from loopdesign.case import Levels
from loopdesign.corners.trouble import strict
from loopdesign.errors import LoopDesignError
from loopdesign.explore.together import solved_loops
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.orbit.sequence import joined_sequences

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.case import Case
    from loopdesign.explore.point import PointTask
    from loopdesign.orbit.sequence import Sequence as Intervals

AT_ONCE = 48
"""Points solved in one batch: a working set that stays near the processor."""
FAILURES = (LoopDesignError, ValueError, *BREAKDOWN)


class LargestMultiplier:
    """The largest multiplier at points given by values (N,K) of the varied quantities.

    Parameters
    ----------
    task : PointTask
        The case and what is varied.
    """

    def __init__(self, task: PointTask) -> None:
        self.task = task
        self._base: Case | None = None
        self._known: dict[int, Intervals] = {}

    def __call__(self, values: NDArray[np.float64], track: NDArray[np.intp] | None = None) -> NDArray[np.float64]:
        """Find the largest multiplier (N,) over the nominal corners; NaN where there is no operating point.

        Parameters
        ----------
        values : ndarray (N, K)
            Values in SI units.
        track : ndarray (N,), optional
            Number of the search that each belongs to: its last solution is where the next begins [unitless].

        Returns
        -------
        ndarray (N,)
            Largest multipliers [unitless].
        """
        told = np.full(len(values), np.nan)
        for b in range(0, len(values), AT_ONCE):
            items = np.arange(b, min(b + AT_ONCE, len(values)))
            self._fill(told, values, items, track)
        return told

    def _fill(
        self, told: NDArray[np.float64], values: NDArray[np.float64], items: NDArray[np.intp],
        track: NDArray[np.intp] | None,
    ) -> None:  # fmt: skip
        """Solve some points together; in halves where one of them fails."""
        try:
            cases = [self._case(tuple(float(v) for v in values[k])) for k in items]
            with strict():
                model, _ = solved_loops(cases, self._guess(items, track))
        except FAILURES:
            if len(items) > 1:
                middle = len(items) // 2
                self._fill(told, values, items[:middle], track)
                self._fill(told, values, items[middle:], track)
            return
        largest, found = np.abs(model.multipliers).max(axis=1).reshape(len(items), -1), model.point.sequence
        told[items] = largest.max(axis=1)
        if track is not None:
            count = largest.shape[1]
            for k, item in enumerate(items):
                self._known[int(track[item])] = found.take(np.arange(k * count, (k + 1) * count))

    def _guess(self, items: NDArray[np.intp], track: NDArray[np.intp] | None) -> Intervals | None:
        """Begin where the last points of the same searches ended; None where one of them has none."""
        if track is None or not all(int(track[k]) in self._known for k in items):
            return None
        return joined_sequences([self._known[int(track[k])] for k in items])

    def _case(self, values: tuple[float, ...]) -> Case:
        """Return the case with its values set: by changing a case that was read before, which needs no reading."""
        if self._base is None:
            self._base = self.task.case(values)
        case: Any = self._base
        for key, value in zip(self.task.keys, values, strict=True):
            try:
                case = with_value(case, key, value)
            except AttributeError:
                return self.task.case(values)
        return case if _plain(self._base, self.task.keys) else self.task.case(values)


def _plain(case: Case, keys: tuple[str, ...]) -> bool:
    """Whether every key names a plain number of the case, and no levels, no word and no key of another name."""
    for key in keys:
        here: Any = case
        for step in key.split("."):
            if step.startswith("Co") and hasattr(here, "Co"):
                here = here.Co[int(step[2:] or 1) - 1]
            else:
                here = getattr(here, step, None)
        if isinstance(here, Levels) or not isinstance(here, float):
            return False
    return True
