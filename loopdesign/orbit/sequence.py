"""The sequence of intervals of a periodic orbit, and what ends each of them.

An interval is a set of conducting devices, named by its place among the network's configurations. An edge ends it:

- `Edge.CLOCK`: at a given instant; the end of the period, a pulse of fixed length, an interval of no length;
- `Edge.COMPARATOR`: where the comparator trips;
- `Edge.DELAYED`: the turn-off delay after the trip before it;
- `Edge.RECTIFIER_ENDS`: where the rectifier's current reaches zero;
- `Edge.RECTIFIER_STARTS`: where the rectifier becomes forward biased.

Continuous conduction is on, off; discontinuous conduction is on, off, idle. They are the two commonest sequences and no
more than that. Items of a batch may have different sequences: shorter ones are padded with intervals of no length that
repeat their last configuration, so that no arithmetic passes through a network the item never sees.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from loopdesign.network.batch import occurring

if TYPE_CHECKING:
    from collections.abc import Callable
    from collections.abc import Sequence as Ordered

    from numpy.typing import NDArray


Scalar = TypeVar("Scalar", bound=np.generic)


class Edge:
    """What ends an interval: numbers, which arrays of them compare with far quicker than with an enumeration."""

    CLOCK = 0
    COMPARATOR = 1
    DELAYED = 2
    RECTIFIER_ENDS = 3
    RECTIFIER_STARTS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Sequence:
    """Intervals of a batch of orbits, in order of time from the clock.

    Attributes
    ----------
    configuration
        (B,K) configuration of each interval: `ON`, `OFF`, `IDLE` or `BOTH` of the network.
    edge
        (B,K) what ends it, an `Edge`; the last is the clock.
    ends
        (B,K) where it ends [periods]; the last is one.
    """

    configuration: NDArray[np.intp]
    edge: NDArray[np.intp]
    ends: NDArray[np.float64]

    def __len__(self) -> int:
        """Count the items."""
        return len(self.ends)

    @property
    def lengths(self) -> NDArray[np.float64]:
        """(B,K) interval lengths [periods]."""
        lengths = self.ends.copy()
        lengths[:, 1:] -= self.ends[:, :-1]
        return lengths

    def take(self, items: NDArray[np.intp]) -> Sequence:
        """Keep some items of the batch, in the order given, without intervals that none of them has.

        Parameters
        ----------
        items : ndarray (K,)
            Which items to keep, by index [unitless].

        Returns
        -------
        Sequence
            Those items.
        """
        kept = Sequence(configuration=self.configuration[items], edge=self.edge[items], ends=self.ends[items])
        return kept.trimmed()

    def trimmed(self) -> Sequence:
        """Drop trailing intervals that follow the end of the period in every item.

        One that a crossing beyond the period has pushed out stays: it says that the sequence is another.
        """
        over = (self.ends >= 1.0) & (self.edge == Edge.CLOCK)
        used = self.ends.shape[1]
        while used > 1 and bool(over[:, used - 2].all()):
            used -= 1
        return Sequence(configuration=self.configuration[:, :used], edge=self.edge[:, :used], ends=self.ends[:, :used])

    def padded(self, count: int) -> Sequence:
        """Append intervals of no length up to ``count``.

        Parameters
        ----------
        count : int
            Number of intervals [unitless].

        Returns
        -------
        Sequence
            The same sequence.
        """
        return self if count <= self.ends.shape[1] else joined_sequences([self], count)

    def with_items(self, items: NDArray[np.intp], part: Sequence) -> Sequence:
        """Put other sequences in the place of some items.

        Parameters
        ----------
        items : ndarray (K,)
            Which items, by index [unitless].
        part : Sequence
            What takes their place (K,).

        Returns
        -------
        Sequence
            The whole batch.
        """
        count = max(self.ends.shape[1], part.ends.shape[1])
        whole, part = self.padded(count), part.padded(count)
        configuration, edge, ends = whole.configuration.copy(), whole.edge.copy(), whole.ends.copy()
        configuration[items], edge[items], ends[items] = part.configuration, part.edge, part.ends
        return Sequence(configuration=configuration, edge=edge, ends=ends).trimmed()

    def same_structure(self, other: Sequence) -> NDArray[np.bool_]:
        """(B,) whether intervals and edges are the same, wherever they lie."""
        count = max(self.ends.shape[1], other.ends.shape[1])
        a, b = self.padded(count), other.padded(count)
        return ((a.configuration == b.configuration) & (a.edge == b.edge)).all(axis=1)


def tripped_at_once(sequence: Sequence) -> NDArray[np.bool_]:
    """Items (B,) whose first interval ends with a trip that a delay follows.

    Parameters
    ----------
    sequence : Sequence
        Intervals and edges (B, K) [periods].

    Returns
    -------
    ndarray (B,)
        Whether it does [unitless].
    """
    edge = sequence.edge
    if edge.shape[1] < 2:
        return np.zeros(len(edge), bool)
    return np.asarray((edge[:, 0] == Edge.COMPARATOR) & (edge[:, 1] == Edge.DELAYED))


def joined_sequences(sequences: Ordered[Sequence], count: int = 0) -> Sequence:
    """Join batches one behind the other.

    Parameters
    ----------
    sequences : sequence of Sequence
        Batches (B1,), (B2,) ...
    count : int
        Number of intervals at least [unitless].

    Returns
    -------
    Sequence
        One batch (B1 + B2 + ...,).
    """
    shape = sum(len(s) for s in sequences), max(count, *(s.ends.shape[1] for s in sequences))
    configuration, edge, ends = np.empty(shape, np.intp), np.full(shape, int(Edge.CLOCK)), np.ones(shape)
    begin = 0
    for s in sequences:
        rows, used = slice(begin, begin + len(s)), s.ends.shape[1]
        configuration[rows, :used], edge[rows, :used], ends[rows, :used] = s.configuration, s.edge, s.ends
        configuration[rows, used:] = s.configuration[:, -1:]
        begin += len(s)
    return Sequence(configuration=configuration, edge=edge, ends=ends)


def chosen(stack: Ordered[NDArray[Scalar]], configuration: NDArray[np.intp]) -> NDArray[Scalar]:
    """Pick the array of each item's own configuration (B,) from arrays that all carry the batch.

    Parameters
    ----------
    stack : sequence of ndarray (B, ...)
        One array for each configuration [any unit].
    configuration : ndarray (B,)
        Which one, by index [unitless].

    Returns
    -------
    ndarray (B, ...)
        That of each item [any unit].
    """
    return picked(lambda c: stack[c], configuration)


def picked(of: Callable[[int], NDArray[Scalar]], configuration: NDArray[np.intp]) -> NDArray[Scalar]:
    """Pick the array of each item's own configuration (B,) from arrays that are made for each one that occurs.

    Parameters
    ----------
    of : callable
        Takes a configuration by index and returns an array (B, ...) [any unit].
    configuration : ndarray (B,)
        Which one, by index [unitless].

    Returns
    -------
    ndarray (B, ...)
        That of each item [any unit]; what ``of`` returned where all have the same one.
    """
    first, *others = occurring(configuration)
    whole = of(first)
    if not others:
        return whole
    whole = whole.copy()
    for k in others:
        items = configuration == k
        whole[items] = of(k)[items]
    return whole
