"""Converters of several cases solved as one batch, where they differ in nothing but their values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.analysis.given import given_parts, has_loop
from loopdesign.corners.controller import bounds
from loopdesign.corners.converters import averages, compensation, line_load_corners, open_loop
from loopdesign.models.switched import SwitchedModel, linearise
from loopdesign.orbit.operating_point import operating_point

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopdesign.case import Case
    from loopdesign.network.converter import Converter
    from loopdesign.orbit.holding import Bounds
    from loopdesign.orbit.sequence import Sequence as Intervals

ROUNDS = 4
"""Rounds to resolve parts at their bias and current."""
DIFFER = "cases of one batch differ in more than their values"
SETTLED = 1e-6
"""Change of a bias, as a share of the largest, that counts as none."""


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
