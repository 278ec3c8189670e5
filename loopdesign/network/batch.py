"""Batches of items in whatever holds them: some taken out, several joined, one examined in halves where it fails."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any, TypeVar, cast

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

T = TypeVar("T")


def take(whole: T, items: NDArray[np.intp], size: int) -> T:
    """Keep some items of a batch in every array of a dataclass, however deep.

    Parameters
    ----------
    whole
        Dataclass, tuple, mapping or value; an array whose first axis has ``size`` entries carries the batch.
    items
        Places to keep, in the order given.
    size
        Number of items in the batch.

    Returns
    -------
    T
        The same with these items; whatever carries no batch is shared, not copied.
    """
    kept: Any = whole
    if isinstance(whole, np.ndarray):
        kept = whole[items] if whole.ndim and len(whole) == size else whole
    elif isinstance(whole, tuple):
        kept = tuple(take(part, items, size) for part in whole)
    elif isinstance(whole, Mapping):
        kept = {key: take(part, items, size) for key, part in whole.items()}
    elif is_dataclass(whole) and not isinstance(whole, type):
        kept = replace(whole, **{f.name: take(getattr(whole, f.name), items, size) for f in fields(whole) if f.init})
    return kept


def joined(pieces: Sequence[T]) -> T:
    """Join batches one behind the other.

    Parameters
    ----------
    pieces
        At least one: arrays with the batch as their first axis, or mappings and dataclasses of such arrays.

    Returns
    -------
    T
        The items of all, in the order given.
    """
    first: Any = pieces[0]
    whole: Any
    if isinstance(first, np.ndarray):
        whole = np.concatenate([np.asarray(piece) for piece in pieces])
    elif isinstance(first, Mapping):
        whole = {key: joined([cast("Any", piece)[key] for piece in pieces]) for key in first}
    else:
        columns = {f.name: joined([getattr(piece, f.name) for piece in pieces]) for f in fields(first)}
        whole = replace(first, **columns)
    return whole


def occurring(numbers: NDArray[np.intp]) -> list[int]:
    """List the whole numbers that occur in an array; numpy's own function loads its masked arrays for the purpose.

    Parameters
    ----------
    numbers
        Of any shape, also empty.

    Returns
    -------
    list of int
        Each once, ascending.
    """
    return sorted(set(numbers.ravel().tolist()))


def distinct_rows(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Take every row once, in ascending order of the first column, then of the second and so on.

    Parameters
    ----------
    rows
        Numbers (N, k), k at least one.

    Returns
    -------
    ndarray (M, k)
        With M at most N.
    """
    ordered = rows[np.lexsort(rows.T[::-1])]
    new = np.ones(len(rows), dtype=bool)
    new[1:] = (ordered[1:] != ordered[:-1]).any(axis=1)
    return ordered[new]


def in_halves(
    examine: Callable[[NDArray[np.intp]], T],
    items: NDArray[np.intp],
    *,
    failures: tuple[type[Exception], ...],
    alone: Callable[[NDArray[np.intp]], T],
) -> T:
    """Examine a batch in one call; where one item makes that fail, in halves, down to the item by itself.

    Parameters
    ----------
    examine
        Examines items by their numbers (B,) and returns arrays, or a dataclass of arrays, with the batch first.
    items
        Numbers, at least one.
    failures
        Errors that a single item may cause; any other is passed on.
    alone
        What stands for a single item that fails.

    Returns
    -------
    T
        One row per item, in their order.
    """
    try:
        return examine(items)
    except failures:
        if len(items) == 1:
            return alone(items)
    middle = len(items) // 2
    halves = (items[:middle], items[middle:])
    return joined([in_halves(examine, half, failures=failures, alone=alone) for half in halves])
