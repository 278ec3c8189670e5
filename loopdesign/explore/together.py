"""Converters of several cases solved as one batch, where they differ in nothing but their values; their multipliers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.analysis.given import given_parts, has_loop
from loopdesign.bench.keys import with_value
from loopdesign.case import Levels
from loopdesign.corners.controller import bounds
from loopdesign.corners.converters import averages, compensation, line_load_corners, open_loop
from loopdesign.corners.trouble import strict
from loopdesign.errors import LoopDesignError
from loopdesign.models.switched import SwitchedModel, linearise
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.orbit.operating_point import operating_point
from loopdesign.orbit.sequence import joined_sequences

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopdesign.case import Case
    from loopdesign.explore.point import PointTask
    from loopdesign.network.converter import Converter
    from loopdesign.orbit.holding import Bounds
    from loopdesign.orbit.sequence import Sequence as Intervals

ROUNDS = 4
"""Rounds to resolve parts at their bias and current."""
DIFFER = "cases of one batch differ in more than their values"
SETTLED = 1e-6
"""Change of a bias, as a share of the largest, that counts as none."""
AT_ONCE = 48
"""Points solved in one batch: a working set that stays near the processor."""
FAILURES = (LoopDesignError, ValueError, *BREAKDOWN)


def joined_values(values: Sequence[Any], sizes: Sequence[int]) -> Any:  # noqa: ANN401  (whatever a converter holds)
    """Join equal structures whose numbers differ: numbers become arrays over the whole batch.

    Parameters
    ----------
    values : sequence
        Numbers, arrays with the batch first, or dataclasses, tuples and mappings of them.
    sizes : sequence of int
        Batch size of each [unitless].

    Returns
    -------
    object
        The same structure.

    Raises
    ------
    ValueError
        Where anything but a number differs.
    """
    first = values[0]
    if isinstance(first, np.ndarray) or (isinstance(first, int | float) and not isinstance(first, bool)):
        if all(np.ndim(v) == 0 and v == first for v in values):
            return first
        return np.concatenate([np.broadcast_to(np.asarray(v), (n,)) for v, n in zip(values, sizes, strict=True)])
    if isinstance(first, tuple):
        if any(not isinstance(v, tuple) or len(v) != len(first) for v in values):
            raise ValueError(DIFFER)
        return tuple(joined_values(parts, sizes) for parts in zip(*values, strict=True))
    if isinstance(first, Mapping):
        return {key: joined_values([v[key] for v in values], sizes) for key in first}
    if is_dataclass(first) and not isinstance(first, type):
        if any(type(v) is not type(first) for v in values):
            raise ValueError(DIFFER)
        named = (f.name for f in fields(first) if f.init)
        return replace(first, **{n: joined_values([getattr(v, n) for v in values], sizes) for n in named})
    if any(v is not first and v != first for v in values):
        raise ValueError(DIFFER)
    return first


def joined_converters(converters: Sequence[Converter]) -> Converter:
    """Join converters of one kind into one batch.

    Parameters
    ----------
    converters : sequence of Converter
        Each a batch.

    Returns
    -------
    Converter
        Their items, in order.

    Raises
    ------
    ValueError
        Where they differ in more than values that may carry a batch.
    """
    first = converters[0]
    shared = ("topology", "period", "load", "max_duty", "turn_off_delay", "blanking", "synchronous", "sense")
    for name in shared:
        if any(getattr(c, name) != getattr(first, name) for c in converters):
            raise ValueError(f"converters of one batch differ in their {name}")
    whole: Converter = joined_values(converters, [len(c.input_voltage) for c in converters])
    return whole


def solved_loops(cases: Sequence[Case], guess: Intervals | None = None) -> tuple[SwitchedModel, Bounds]:
    """Solve and linearise the closed loops of several cases at each of their corners, as a check does, in one batch.

    Parameters
    ----------
    cases : sequence of Case
        Cases (N,) that differ in values only, with equally many corners C.
    guess : Sequence, optional
        Intervals to begin from (N C); searched for where absent.

    Returns
    -------
    tuple of SwitchedModel and Bounds
        The closed loops (N C), case by case, and what bounds their controllers.

    Raises
    ------
    LoopDesignError
        Where one of them has no operating point.
    ValueError
        Where they cannot be one batch.
    """
    corners = [line_load_corners(c) for c in cases]
    if len({len(k) for k in corners}) > 1:
        raise ValueError(DIFFER)
    opened = [open_loop(c, k) for c, k in zip(cases, corners, strict=True)]
    point = operating_point(joined_converters(opened), guess)
    bias = [averages(cases[0], point)]
    for _ in range(ROUNDS if bias[0] else 0):
        each = zip(cases, corners, _parted(bias[-1], [len(k) for k in corners]), strict=True)
        opened = [open_loop(c, k, part) for c, k, part in each]
        point = operating_point(joined_converters(opened), point.sequence)
        bias.append(averages(cases[0], point))
        if all(np.abs(bias[-1][n] - v).max() <= SETTLED * np.abs(v).max() for n, v in bias[-2].items()):
            break
    if has_loop(cases[0]):
        each_loop = zip(opened, cases, corners, strict=True)
        closed = [o.closed(compensation(c, given_parts(c), k)) for o, c, k in each_loop]
        point = operating_point(joined_converters(closed), point.sequence)
    held_by = joined_values([bounds(c, k) for c, k in zip(cases, corners, strict=True)], [len(k) for k in corners])
    if not isinstance(held_by.armed, float):
        raise ValueError(DIFFER)  # noqa: TRY004  (a value that each case has of its own)
    return linearise(point), held_by


def _parted(bias: Mapping[str, NDArray[np.float64]], sizes: Sequence[int]) -> list[dict[str, NDArray[np.float64]]]:
    """Part averages over a batch into those of its cases."""
    ends = np.cumsum(sizes)
    return [{n: v[end - size : end] for n, v in bias.items()} for size, end in zip(sizes, ends, strict=True)]


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
