"""Items of a batch taken out of whatever holds them."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

T = TypeVar("T")


def take(whole: T, items: NDArray[np.intp], size: int) -> T:
    """Keep some items of a batch in every array of a dataclass, however deep.

    Parameters
    ----------
    whole
        Dataclass, tuple or value; an array whose first axis has ``size`` entries carries the batch.
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
    elif is_dataclass(whole) and not isinstance(whole, type):
        kept = replace(whole, **{f.name: take(getattr(whole, f.name), items, size) for f in fields(whole) if f.init})
    return kept
