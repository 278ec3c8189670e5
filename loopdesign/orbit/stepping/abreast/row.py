"""Many clock periods of a run worked out side by side.

Periods follow each other, but mostly with the same sequence of edges. Then the states at their clocks are guessed, all
periods are made at once from the guesses, and the guesses are corrected by Newton's method until every period begins
where the one before it ended (multiple shooting; M. Kiehl, "Parallel multiple shooting for the solution of initial
value problems", Parallel Computing 20, 1994, from memory). What comes out is what stepping one by one gives: every
period is made edge by edge, and taken only if it begins on the end of the one before it, to rounding. Where the
sequence of edges changes, a single step finds the next one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.orbit.stepping.abreast.pattern import Pattern
from loopdesign.orbit.stepping.abreast.periods import PeriodRow, Periods

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from loopdesign.orbit.stepping.cycle import CycleStepper
    from loopdesign.orbit.stepping.devices import Cycle, Devices, Segment

    Array = NDArray[np.float64]

FEWEST, MOST = 8, 256
"""Periods side by side."""
JOINED = 1e-14
"""Share of the size of each state within a period by which a period may begin beside the end of the one before it."""
ROUNDED = 5e-17
"""The same of the largest state, whose rounding reaches those that have died away."""
NEARBY, LEAST, NOISY = 8, 2.0**-50, 1e-12
"""Begins beside each other that show the rounding of a period; their distance, and what is borne, relative."""
WIDER, QUICK, SLOW = 4, 3, 8
"""Factor on their number where so few corrections joined them, and where so many did not."""
SETTLED = 2
"""Corrections after which what still parts periods may be their rounding."""
POOR, REST = 2, 24
"""Periods gained by a correction that do not pay for it; periods stepped one by one where they did not."""


def run_periods(
    stepper: CycleStepper, x: Array, devices: Devices, count: int, *, traced: bool = False
) -> Iterator[tuple[Cycle, list[Segment]]]:
    """Step one period after the other, inputs unchanged.

    Parameters
    ----------
    stepper : CycleStepper
        The converter.
    x : ndarray (n,)
        Normalised state just before the first clock [unitless].
    devices : Devices
        Which devices conduct there.
    count : int
        Periods [unitless].
    traced : bool
        Whether motions are asked for [unitless].

    Yields
    ------
    tuple of Cycle and list of Segment
        Every period, with its motions between edges where they are asked for.
    """
    for made, trace, several in _run(stepper, x, devices, count):
        if isinstance(made, Periods):
            yield from made.periods(several, traced=traced)
        else:
            yield made, trace


def run_rows(
    stepper: CycleStepper, x: Array, devices: Devices, count: int, motions: list[list[Segment]] | None = None,
    followed: int = 0,
) -> Iterator[PeriodRow]:  # fmt: skip
    """Step one period after the other as `run_periods` does, and tell those of one sequence of edges together.

    Parameters
    ----------
    stepper : CycleStepper
        The converter.
    x : ndarray (n,)
        Normalised state just before the first clock [unitless].
    devices : Devices
        Which devices conduct there.
    count : int
        Periods [unitless].
    motions : list of list of Segment, optional
        Takes the motions of the first periods.
    followed : int
        How many of them [unitless].

    Yields
    ------
    PeriodRow
        At least one period.
    """
    kept: list[list[Segment]] = [] if motions is None else motions
    for made, trace, several in _run(stepper, x, devices, count):
        wanted = min(followed - len(kept), several)
        if isinstance(made, Periods):
            if wanted > 0:
                kept += [told for _, told in made.periods(wanted, traced=True)]
            yield made.period_row(several)
        else:
            kept += [trace][:wanted] if wanted > 0 else []
            yield PeriodRow.of(made)


def _run(
    stepper: CycleStepper, x: Array, devices: Devices, count: int
) -> Iterator[tuple[Cycle | Periods, list[Segment], int]]:
    """Step single periods with their motions, or several of one sequence, of which the first are taken."""
    left, rest = count, 0
    last: tuple[object, ...] = ()
    singly: set[tuple[object, ...]] = set()
    while left > 0:
        trace: list[Segment] = []
        cycle = stepper.cycle(x, devices, trace)
        yield cycle, trace, 1
        x, devices, left, rest = cycle.x, cycle.devices, left - 1, rest - 1
        now = (cycle.ended, *((s.devices, s.guard, s.length > 0.0) for s in trace))
        if now == last and rest <= 0 and left > FEWEST and now not in singly:
            pattern = Pattern(stepper, trace, cycle)
            if not pattern.usable:  # a network without a modal form is stepped singly wherever it comes
                singly.add(now)
                continue
            row = _Row(pattern, x, [s.length for s in trace])
            for periods, taken in row.run(left):
                left -= taken
                yield periods, [], taken
            x, rest = row.x, 1 if row.paid else REST
        last = now


class _Row:
    """Periods of one pattern in a row."""

    def __init__(self, pattern: Pattern, x: Array, spans: list[float]) -> None:
        self.pattern, self.x = pattern, x
        self.spans, self.noise = spans, np.zeros(len(x))
        self.gained, self.rounds = 0, 0

    @property
    def paid(self) -> bool:
        """Whether the periods gained so far were worth the work."""
        return self.gained > POOR * self.rounds

    def run(self, most: int) -> Iterator[tuple[Periods, int]]:
        """Yield periods, a few at a time, with how many of them are taken, until their sequence ends."""
        width, left = FEWEST, most
        states, warm = self.x[None], [np.full(1, s) for s in self.spans]
        while True:
            begun, rounds = len(states), 0
            while len(states) and rounds < SLOW:
                periods = Periods(self.pattern, states, warm)
                joined = self._joined(periods, rounds)
                count = periods.kept(joined)
                if count:
                    yield periods, count
                    self.x = periods.ends[count - 1]
                rounds, left = rounds + 1, left - count
                self.rounds, self.gained = self.rounds + 1, self.gained + count
                if count < joined:
                    return
                states, warm = _corrected(periods, count)
            if begun > 1:
                if len(states):
                    width, self.noise = max(width // WIDER, FEWEST), self._noise()
                elif rounds <= QUICK:
                    width = min(WIDER * width, MOST)
                if begun - len(states) <= POOR * rounds:
                    return
            if not left:
                return
            states, warm = _guessed(periods, count, min(width, left))

    def _joined(self, periods: Periods, rounds: int) -> int:
        """Count the first periods that begin where the one before ended, after a number of corrections."""
        joined = _joined(periods, self.noise)
        if rounds != SETTLED or joined == len(periods.begin):
            return joined
        self.noise = self._noise()
        return _joined(periods, self.noise)

    def _noise(self) -> Array:
        """Measure how far rounding moves the end of a period (n,): begins beside each other, less their derivative."""
        row, column = np.ogrid[:NEARBY, : len(self.x)]
        signs = np.where(row, (row * (column + 1) + row * column // 3) % 3 - 1.0, 0.0)  # the first begin is not moved
        periods = Periods(self.pattern, self.x * (1.0 + LEAST * signs), [np.full(NEARBY, s) for s in self.spans])
        begins, ends = periods.begin - periods.begin[0], periods.ends - periods.ends[0]
        with np.errstate(all="ignore"):
            beside = np.abs(ends - begins @ periods.maps[0].T).max(axis=0)
        return np.minimum(2.0 * beside, NOISY * periods.size) if np.isfinite(beside).all() else 0.0 * self.x


def _joined(periods: Periods, noise: Array) -> int:
    """Count the first periods that begin where the one before ended, to within the rounding of a period (n,)."""
    ends, begins = periods.ends[:-1], periods.begin[1:]
    with np.errstate(all="ignore"):
        size = periods.size
        apart = ~(np.abs(begins - ends) <= np.maximum(JOINED * size + ROUNDED * size.max(), noise)).all(axis=1)
    return int(np.argmax(apart)) + 1 if apart.any() else len(periods.begin)


def _guessed(periods: Periods, count: int, width: int) -> tuple[Array, list[Array]]:
    """Guess the states of the periods behind the last one joined, which go on as its derivative says."""
    begin, end, derivative = periods.begin[count - 1], periods.ends[count - 1], periods.maps[count - 1]
    moved = np.empty((width, len(begin)))
    moved[0], power, there = end - begin, derivative, 1
    with np.errstate(all="ignore"):  # the powers of the derivative add up to those of twice as many periods
        while there < width:
            more = min(there, width - there)
            moved[there : there + more] = moved[there - 1] + moved[:more] @ power.T
            power, there = power @ power, there + more
    states = begin + moved
    states[0] = end
    return states, [np.full(width, span[count - 1]) for span in periods.spans]


def _corrected(periods: Periods, count: int) -> tuple[Array, list[Array]]:
    """Correct the begins of the periods that are left by Newton's method."""
    begun = periods.begin[count:]
    if not len(begun):
        return begun, []
    changes = periods.ends[count - 1 : -1] - begun
    with np.errstate(all="ignore"):
        for k, derivative in enumerate(periods.maps[count : count + len(begun) - 1], start=1):
            changes[k] += derivative @ changes[k - 1]
    return begun + changes, [span[count:] for span in periods.spans]
