"""Search for the worst combination of tolerance ends, condition by condition and reading by reading.

With k toleranced values there are 2^k combinations of ends per condition. Where that is few, all are judged. Else the
search begins at the combination that the signs of the single influences give (a worst-case analysis by sensitivities;
common practice) and goes on from there:

1. Of all combinations judged so far the worst for a reading is taken, and single ends of it are turned over: each whose
   influence alone is below three times the error that adding up single influences makes here, or weak beside the
   strongest. A strong influence does not change its sign for less.
2. Where none of them makes it worse, pairs are turned over. Two ends of which neither makes it worse alone can do so
   together only by their interaction. How much a value interacts shows in how far its influence at this combination
   differs from its influence alone; pairs whose loss is beyond twice that are left out.
3. At the condition that is worst of all for a reading every single end and every pair is turned over.

Conditions that differ in nothing but the temperature begin at the combinations found for one of them; there pairs are
left to the worst condition. A reading that cannot become a concern is not searched on.

It ends where nothing makes any reading worse. That this is the worst of all combinations holds where readings change
steadily with the parts, and is held against scans of all combinations in the tests; where an undamped resonance adds
crossings to the loop gain at some ends, readings jump and a combination may be missed. A reading that is worst between
the ends is found by neither; it shows in a sampled spread.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, product
from typing import TYPE_CHECKING, Generic, TypeAlias, TypeVar

import numpy as np

from loopdesign.network.batch import distinct_rows, joined, occurring, take

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

Found = TypeVar("Found")
Combination: TypeAlias = "tuple[int, NDArray[np.float64]]"
"""Condition, and -1 or 1 per cause (k,)."""

INTERACTION = 2.0
"""Times the interaction seen of two values that may make up for the loss of turning both over [unitless]."""
MISPREDICTED = 3.0
"""Times the error of the prediction up to which an influence may change its sign [unitless]."""
WEAK = 0.1
"""Share of the strongest influence up to which one is turned over in any case [unitless]."""
NO_INFLUENCE = 1e-9
"""Share of a reading by which a cause must change it to count."""
EVERY = 512
"""Combinations at all conditions together up to which every one is judged."""
AT_ONCE = 512
"""Combinations judged in one call: a working set that stays near the processor."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ends(Generic[Found]):
    """Combinations of ends that were judged, and which of them is the worst for what.

    Attributes
    ----------
    nominal
        What judging nominal parts gave (C,).
    condition
        (N,) condition of each combination.
    places
        (N,k) -1 or 1 per cause.
    found
        What judging them gave (N,).
    worst
        (C,R) number of the worst combination of each condition for each reading.
    gain
        (R,k) by how much less bad each reading is where one end of the worst combination of all is turned over.
    """

    nominal: Found
    condition: NDArray[np.intp]
    places: Array
    found: Found
    worst: NDArray[np.intp]
    gain: Array


class EndSearch(Generic[Found]):
    """Search over the combinations of ends of every condition.

    Parameters
    ----------
    judge
        Judges combinations by condition (N,) and places (N,k); returns a dataclass of arrays (N,).
    badness
        Tells how bad each is for each reading (N,R), finite, the larger the worse.
    causes
        How many causes k there are [unitless].
    like
        (C,) condition at which the search for each begins: itself, or one that resembles it.
    concern
        (R,) how bad each reading has to be to matter, in its own unit; everything matters unless given.
    """

    def __init__(
        self,
        judge: Callable[[NDArray[np.intp], Array], Found],
        badness: Callable[[Found], Array],
        causes: int,
        like: NDArray[np.intp],
        concern: Array | None = None,
    ) -> None:
        self.judge, self._badness = judge, badness
        self.conditions, self.causes, self.like, self.concern = len(like), causes, like, concern
        self._number: dict[tuple[int, bytes], int] = {}
        self._condition, self._places = np.empty(0, np.intp), np.empty((0, causes))
        self._pieces: list[Found] = []
        self.few = self.conditions * 2**causes <= EVERY
        self._begun: tuple[NDArray[np.intp], Found] | None = None

    def run(self) -> Ends[Found]:
        """Judge every combination where they are few; else nominal parts, single influences, and what they lead to."""
        own, nominal = self._begun = self._begun or self._begin()
        if not self.few:
            self._go_on_from(own)
        worst = self._worst(np.arange(self.conditions))
        return Ends(
            nominal=nominal, condition=self._condition, places=self._places, found=joined(self._pieces), worst=worst,
            gain=self._gain(worst),
        )  # fmt: skip

    def _gain(self, worst: NDArray[np.intp]) -> Array:
        """Find what turning each end over (R,k) does at the worst combination of all, zero where it was not judged."""
        gain = np.zeros((worst.shape[1], self.causes))
        for r, rows in enumerate(worst.T):
            row = int(rows[np.argmax(self._bad[rows, r])])
            for i in range(self.causes):
                key = int(self._condition[row]), _key(_turned(self._places[row], (i,)))
                if key in self._number:
                    gain[r, i] = self._bad[row, r] - self._bad[self._number[key], r]
        return gain

    def _scan(self) -> Found:
        """Judge nominal parts and every combination; return nominal parts."""
        nominal = self._judged(np.arange(self.conditions), np.zeros((self.conditions, self.causes)))
        self._bad = np.empty((0, self._badness(nominal).shape[1]))
        every = np.array(list(product((-1.0, 1.0), repeat=self.causes)))
        self._add([(c, signs) for c in range(self.conditions) for signs in every])
        return nominal

    def likely(self) -> tuple[NDArray[np.intp], Array, Found]:
        """Judge the combinations that the signs of the single influences give; `run` goes on from there.

        Returns
        -------
        condition, places, found
            (N,) and (N,k) combinations, each once: for every condition those of the one it is like; the worst where
            every one is judged; what judging them gave.
        """
        self._begun = self._begun or self._begin()
        if self.few:
            worst = np.array(occurring(self._worst(np.arange(self.conditions))), dtype=np.intp)
            return self._condition[worst], self._places[worst], take(joined(self._pieces), worst, len(self._condition))
        signs = self._signs[self.like].transpose(0, 2, 1).reshape(-1, self.causes)
        condition = np.repeat(np.arange(self.conditions), len(signs) // self.conditions)
        rows = distinct_rows(np.column_stack([condition, signs]))
        condition, places = rows[:, 0].astype(np.intp), rows[:, 1:].astype(np.float64)
        known = self.known(condition, places)
        there, missing = np.flatnonzero(known >= 0), np.flatnonzero(known < 0)
        whole = joined(self._pieces)
        pieces = [take(whole, known[there], len(self._condition))]
        if len(missing):
            pieces.append(self._judged(condition[missing], places[missing]))
        order = np.argsort(np.concatenate([there, missing]), kind="stable")
        return condition, places, take(joined(pieces), order, len(condition))

    def _begin(self) -> tuple[NDArray[np.intp], Found]:
        """Judge nominal parts and, where they are few, every combination; else what single influences and signs give.

        Returns the conditions with influences of their own, and nominal parts.
        """
        own = np.flatnonzero(self.like == np.arange(self.conditions))
        if self.few:
            return own, self._scan()
        nominal = self._influences(own)
        readings = self._change.shape[2]
        self._add([(int(c), self._signs[c, :, r]) for c in own for r in range(readings)])
        return own, nominal

    def _go_on_from(self, own: NDArray[np.intp]) -> None:
        """Go on from what the signs give until nothing is worse."""
        self._mispredicted = self._prediction_errors(own)
        self._go_on(own)
        worst = dict(zip(own.tolist(), self._worst(own), strict=True))
        others = np.flatnonzero(self.like != np.arange(self.conditions))
        if len(others):
            self._add([(int(c), self._places[row]) for c in others for row in worst[int(self.like[c])]])
            self._go_on(np.arange(self.conditions))

    def _influences(self, own: NDArray[np.intp]) -> Found:
        """Judge nominal parts, and each cause alone at either end; keep what each does, return nominal parts."""
        count, k = len(own), self.causes
        single = np.concatenate([np.eye(k), -np.eye(k)])
        places = np.concatenate([np.zeros((self.conditions, k)), np.tile(single, (count, 1))])
        found = self._judged(np.concatenate([np.arange(self.conditions), np.repeat(own, 2 * k)]), places)
        bad = self._badness(found)
        self._bad = np.empty((0, bad.shape[1]))
        nominal, ends = bad[own], bad[self.conditions :].reshape(count, 2, k, -1)
        # by condition: where only some have influences of their own, the others are never looked at
        shape = self.conditions, k, bad.shape[1]
        self._change, self._signs, self._predicted = np.zeros(shape), np.ones(shape), np.zeros(shape[::2])
        self._change[own] = np.abs(ends[:, 0] - ends[:, 1])
        self._signs[own] = np.where(ends[:, 0] > ends[:, 1], 1.0, -1.0)
        self._predicted[own] = nominal + (ends.max(axis=1) - nominal[:, None]).sum(axis=1)
        size = np.abs(nominal)[:, None] + self._change[own].max(axis=1, keepdims=True)
        self._moving = np.flatnonzero((self._change[own] > NO_INFLUENCE * size).any(axis=(0, 2)))
        return take(found, np.arange(self.conditions), len(places))

    def known(self, condition: NDArray[np.intp], places: Array) -> NDArray[np.intp]:
        """Find combinations among those judged.

        Parameters
        ----------
        condition : ndarray (N,)
            Condition of each [unitless].
        places : ndarray (N, k)
            -1 or 1 per cause [unitless].

        Returns
        -------
        ndarray (N,)
            Their numbers in the result, -1 for those that were not judged.
        """
        keys = ((int(c), _key(signs)) for c, signs in zip(condition, places, strict=True))
        return np.array([self._number.get(key, -1) for key in keys], np.intp)

    def _judged(self, condition: NDArray[np.intp], places: Array) -> Found:
        """Judge combinations, so many at once."""
        spans = [slice(b, b + AT_ONCE) for b in range(0, len(condition), AT_ONCE)]
        return joined([self.judge(condition[s], places[s]) for s in spans])

    def _add(self, wanted: list[Combination]) -> None:
        """Judge the combinations that were not judged before."""
        new: dict[tuple[int, bytes], Combination] = {}
        for c, signs in wanted:
            if (c, _key(signs)) not in self._number:
                new[c, _key(signs)] = c, signs
        condition = np.array([c for c, _ in new.values()], np.intp)
        places = np.array([signs for _, signs in new.values()])
        found = self._judged(condition, places)
        self._number |= {key: len(self._condition) + i for i, key in enumerate(new)}
        self._condition = np.concatenate([self._condition, condition])
        self._places = np.concatenate([self._places, places])
        self._bad = np.concatenate([self._bad, self._badness(found)])
        self._pieces.append(found)

    def _worst(self, conditions: NDArray[np.intp]) -> NDArray[np.intp]:
        """Find the number (C,R) of the worst combination of some conditions for each reading."""
        table = np.empty((len(conditions), self._bad.shape[1]), np.intp)
        for place, c in enumerate(conditions):
            here = np.flatnonzero(self._condition == c)
            table[place] = here[np.argmax(self._bad[here], axis=0)]
        return table

    def _prediction_errors(self, own: NDArray[np.intp]) -> Array:
        """Error (C,R) of adding up what each cause does alone, at the combination that the signs give."""
        errors = np.zeros_like(self._predicted)
        for c in own:
            for r in range(errors.shape[1]):
                found = self._bad[self._number[int(c), _key(self._signs[c, :, r])], r]
                errors[c, r] = abs(found - self._predicted[c, r])
        return errors

    def _go_on(self, conditions: NDArray[np.intp]) -> None:
        """Turn ends over at some conditions until nothing is worse."""
        while True:
            worst, wanted = self._worst(conditions), []
            leading = np.argmax(np.take_along_axis(self._bad, worst, 0), axis=0)
            for r in range(worst.shape[1]):
                for place, c in enumerate(conditions):
                    wanted += self._neighbours(int(c), r, int(worst[place, r]), whole=place == leading[r])
            if not wanted:
                return
            self._add(wanted)

    def _neighbours(self, c: int, r: int, row: int, *, whole: bool) -> list[Combination]:
        """List neighbours that were not judged: first single ends turned over, then pairs."""
        signs, model = self._places[row], int(self.like[c])
        change = self._change[model, :, r]
        within = MISPREDICTED * self._mispredicted[model, r] + WEAK * change.max()
        if self.concern is not None and self._bad[row, r] + within < self.concern[r]:
            return []
        tried = [int(i) for i in self._moving if whole or change[i] <= within]
        turned = [_turned(signs, (i,)) for i in tried]
        rows = [self._number.get((c, _key(t))) for t in turned]
        new = [(c, t) for t, known in zip(turned, rows, strict=True) if known is None]
        if new:
            return new
        loss = self._bad[row, r] - self._bad[np.array(rows, np.intp), r]
        spare = INTERACTION * np.abs(loss - change[tried]) - loss
        pairs = [
            _turned(signs, (tried[i], tried[j]))
            for i, j in combinations(range(len(tried)), 2)
            if whole or (model == c and spare[i] + spare[j] > 0.0)
        ]
        return [(c, t) for t in pairs if (c, _key(t)) not in self._number]


def _key(signs: Array) -> bytes:
    return (signs > 0.0).tobytes()


def _turned(signs: Array, places: tuple[int, ...]) -> Array:
    """Turn some ends over."""
    other = signs.copy()
    other[list(places)] *= -1.0
    return other
