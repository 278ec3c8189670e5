"""Where the solution of a variant begins: at the orbits of variants beside it that are solved already.

Stages with several rectifiers have other sequences of intervals at other ends of the tolerances. The nearest variant of
the same line and load mostly shares its sequence, and each cause moves the edges by nearly the same amount wherever the
others stand, which is known from the variants in which it alone varies.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.variants.solve import nominal_temperature
from loopdesign.corners.converters import topology_of
from loopdesign.orbit.sequence import Sequence, joined_sequences

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.analysis.variants.solve import Base, Seen
    from loopdesign.orbit.operating_point import Guess

    Array = NDArray[np.float64]

UNKNOWN = -1
"""Number of a variant that is not known."""
ELSEWHERE = 0.5
"""What another temperature counts beside a cause turned over from one end to the other, which counts two [unitless]."""
LEFT = 0.1
"""Share of every interval that edges leave where they are moved; else they stay [unitless]."""


class OrbitsBeside:
    """Orbits of variants of the same conditions, as they are found.

    Parameters
    ----------
    base : Base
        Nominal conditions and where their solutions lie.
    causes : int
        Number of causes of spread k [unitless].
    """

    def __init__(self, base: Base, causes: int) -> None:
        self._plain = topology_of(base.case).devices.plain
        self._begin, self._like = base.guess, nominal_temperature(base)
        self._condition, self._places = np.empty(0, np.intp), np.empty((0, causes))
        self._found: Guess | None = None
        self._alone = np.full((len(self._like), causes, 2), UNKNOWN)
        self._nominal = np.full(len(self._like), UNKNOWN)

    def of(self, condition: NDArray[np.intp], places: Array) -> tuple[Guess | None, Seen | None]:
        """Choose where variants begin, and who keeps what is found of them.

        Parameters
        ----------
        condition : ndarray (B,)
            Condition of each [unitless].
        places : ndarray (B, k)
            Where each cause stands, -1 to 1 [unitless].

        Returns
        -------
        tuple of Guess and callable
            Intervals and edges (B,) [periods], and what is told of the orbits; neither with one rectifier, whose
            sequences are few.
        """
        if self._plain:
            return None, None

        def seen(items: NDArray[np.intp], found: Guess) -> None:
            self.keep(condition[items], places[items], found)

        return self.guess(condition, places), seen

    def keep(self, condition: NDArray[np.intp], places: Array, found: Guess) -> None:
        """Keep orbits.

        Parameters
        ----------
        condition : ndarray (B,)
            Condition of each [unitless].
        places : ndarray (B, k)
            Where each cause stands, -1 to 1 [unitless].
        found : Guess
            Their intervals and edges (B,) [periods].
        """
        numbers = len(self._condition) + np.arange(len(condition))
        self._condition = np.concatenate([self._condition, condition])
        self._places = np.concatenate([self._places, places])
        self._found = found if self._found is None else joined_sequences([self._found, found])
        vary = (places != 0.0).sum(axis=1)
        self._nominal[condition[vary == 0]] = numbers[vary == 0]
        some = np.flatnonzero(vary == 1)
        cause = np.argmax(places[some] != 0.0, axis=1)
        self._alone[condition[some], cause, (places[some, cause] > 0.0).astype(np.intp)] = numbers[some]

    def guess(self, condition: NDArray[np.intp], places: Array) -> Guess:
        """Choose where variants begin.

        Parameters
        ----------
        condition : ndarray (B,)
            Condition of each [unitless].
        places : ndarray (B, k)
            Where each cause stands, -1 to 1 [unitless].

        Returns
        -------
        Guess
            Intervals and edges (B,) [periods]: those of the nearest variant that is known, moved by what the causes in
            which they differ do alone; those of nominal parts where none is.
        """
        begin = self._begin.take(condition)
        if self._found is None:
            return begin
        nearest, apart = self._nearest(condition, places)
        items = np.flatnonzero(np.isfinite(apart))
        if not len(items):
            return begin
        near, c = nearest[items], condition[items]
        fields = (self._found.configuration[near], self._found.edge[near], self._found.ends[near])
        whole = Sequence(configuration=fields[0], edge=fields[1], ends=fields[2])
        moved = whole.ends + self._moves(self._found, c, places[items] - self._places[near], near)
        left = np.all(np.diff(moved, axis=1, prepend=0.0) >= LEFT * whole.lengths, axis=1)
        return begin.with_items(items, replace(whole, ends=np.where(left[:, None], moved, whole.ends)))

    def _nearest(self, condition: NDArray[np.intp], places: Array) -> tuple[NDArray[np.intp], Array]:
        """Find the nearest known variant of each (B,), and how far it is; infinite where none has its line and load."""
        apart = np.abs(places[:, None, :] - self._places[None]).sum(axis=2)
        apart += ELSEWHERE * (condition[:, None] != self._condition[None])
        apart[self._like[condition][:, None] != self._like[self._condition][None]] = np.inf
        nearest = np.argmin(apart, axis=1)
        return nearest, apart[np.arange(len(condition)), nearest]

    def _moves(self, found: Guess, condition: NDArray[np.intp], differs: Array, near: NDArray[np.intp]) -> Array:
        """How far edges (B,K) move from known variants to others of the same line and load [periods]."""
        moves, like = np.zeros((len(near), found.ends.shape[1])), self._like[condition]

        def add(share: Array, first: NDArray[np.intp], last: NDArray[np.intp]) -> None:
            """Add a share of the way from one known variant to another, where both have the sequence of the nearest."""
            there = (first >= 0) & (last >= 0) & (share != 0.0)
            for known in (first, last):
                there &= (found.configuration[known] == found.configuration[near]).all(axis=1)
                there &= (found.edge[known] == found.edge[near]).all(axis=1)
            moves[there] += share[there, None] * (found.ends[last] - found.ends[first])[there]

        for cause in range(differs.shape[1]):
            add(0.5 * differs[:, cause], self._alone[like, cause, 0], self._alone[like, cause, 1])
        add((condition != self._condition[near]) * 1.0, self._nominal[self._condition[near]], self._nominal[condition])
        return moves
