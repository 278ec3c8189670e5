"""The controller at its limit: how far an orbit asks for more than the controller gives.

Beyond the largest load that can be regulated, the error amplifier asks for all it can: what ends the on-time is the
current limit, the upper clamp of the control voltage or the largest duty, whichever comes first. The orbit at a duty
and a load is the same whatever ends its on-time, so that all of it is read from the orbit. The current limit acts on
the sensed signal alone, without the compensating ramp.

The measure of the load is the current that it would draw at the regulated output [A]; where a load with a drop is
shorted piece by piece, or lengthened, it is what its `LoadString` says.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
from scipy.optimize.elementwise import find_root

from loopdesign.analysis.regimes.overload.fold import CLOSE, EXACT, folds, out_of_reach
from loopdesign.analysis.regimes.overload.known import KnownPlaces
from loopdesign.analysis.regimes.overload.string import LoadString, with_string
from loopdesign.corners.trouble import strict
from loopdesign.errors import CircuitError, ConvergenceError, NumericalError, UnreachableOutputError
from loopdesign.network.batch import in_halves, take
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.network.places import OFF, ON
from loopdesign.orbit.augmented import Stepper, augmented, dot
from loopdesign.orbit.operating_point import delayed, operating_point
from loopdesign.orbit.problem import pose
from loopdesign.orbit.search.fixed import known_orbits
from loopdesign.orbit.search.reach import at_duty
from loopdesign.orbit.sequence import Edge

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from loopdesign.network.converter import Converter
    from loopdesign.orbit.holding import Bounds
    from loopdesign.orbit.sequence import Sequence

    Values: TypeAlias = NDArray[np.float64]
    Items: TypeAlias = NDArray[np.intp]

ENDED = ("current limit", "clamp", "largest duty", "shortest pulse")
"""What ends the on-time with the controller at its limit, the last with the controller at its least."""
CURRENT, CLAMP, DUTY, SHORTEST = range(4)
FAILURES = (CircuitError, NumericalError, ConvergenceError, UnreachableOutputError, *BREAKDOWN)
LEAST = 1.0 / 64.0
"""Smallest load that is tried, over the largest of the case [unitless]."""
DOUBLINGS = 8
"""Doublings of the load from the largest of the case in which the largest one that is regulated is looked for."""
AT_THE_LIMIT = 1e-5
"""Relative distance from a limit at which it is what ends the on-time."""
FOLD = 1e-6
"""Share of a load by which orbits are looked at below the fold of the output over duty, where there is none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitedOrbits:
    """Orbits at given duty and load (S,): what the feedback senses [V], and what the controller would have to give.

    ``opened`` are their sequences without a turn-off delay and ``sequence`` with it; ``beyond`` is how far they ask for
    more than the current limit or the clamp gives, relative, and ``ended`` which of them it is.
    """

    output: NDArray[np.float64]
    opened: Sequence
    sequence: Sequence
    beyond: NDArray[np.float64]
    ended: NDArray[np.intp]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ceiling:
    """Converters (B,), one for each input voltage, whose controller is at its limit.

    Attributes
    ----------
    converter
        The stage (B,), loop open, at the regulated output; its load is resistive or has a drop.
    bounds
        Upper clamp [V] and current limit [V]; each one number, one for each converter, or None.
    string
        Loads with a drop that get longer or shorter; None where the load draws a given current at the regulated output.
    known
        Orbits found so far, to begin others from.
    """

    converter: Converter
    bounds: Bounds
    string: LoadString | None = None
    known: KnownPlaces = field(default_factory=KnownPlaces)

    @property
    def steps(self) -> int:
        """Steps of one doubling of the load: for longer strings more, since each begins from the last."""
        return 1 if self.string is None else 3

    @property
    def shortest(self) -> float:
        """Shortest on-time that the controller makes [periods]."""
        return self.bounds.armed + self.converter.turn_off_delay / self.converter.period

    def at(self, items: NDArray[np.intp], load: NDArray[np.float64]) -> Converter:
        """Return some of the converters, by their numbers (S,) [unitless], with a load of a given measure (S,) [A]."""
        some = take(self.converter, items, len(self.converter.input_voltage))
        if self.string is not None:
            return with_string(some, self.string, items, load)
        there = replace(some, load_current=load)
        if some.load != "voltage":
            return there
        return replace(there, load_drop=there.load_voltage - np.asarray(some.load_resistance, float) * load)

    def orbits(self, items: NDArray[np.intp], load: NDArray[np.float64], duty: NDArray[np.float64]) -> LimitedOrbits:
        """Solve orbits at given duty and load.

        Parameters
        ----------
        items
            Which converters (S,) [unitless].
        load
            Measure of the load (S,) [A at the regulated output].
        duty
            On-time over period (S,) [unitless].

        Returns
        -------
        LimitedOrbits
            What the controller would have to give.

        Raises
        ------
        ConvergenceError
            Where one of several rectifiers does not come to do the same in every period.
        """
        at = self.at(items, load)
        if at.topology.devices.plain:
            problem = pose(at)
            opened = at_duty(Stepper(problem), duty).sequence
        else:
            opened = self.known.opened(at, items, load, duty)
            problem = pose(at, configurations=tuple({ON, OFF, *(int(k) for k in np.unique(opened.configuration))}))
        stepper = Stepper(problem)
        sequence = delayed(opened, problem.delay)
        states, output = stepper.fixed_point(sequence)
        beyond, ended = self.asked(stepper, sequence, states, items)
        return LimitedOrbits(output=output, opened=opened, sequence=sequence, beyond=beyond, ended=ended)

    def asked(
        self, stepper: Stepper, sequence: Sequence, states: NDArray[np.float64], items: Items
    ) -> tuple[NDArray[np.float64], Items]:
        """Read how far orbits ask for more than the controller gives (S,) [unitless], and which limit it is (S,)."""
        everyone = np.arange(len(items))
        trip = np.argmax(sequence.edge == Edge.COMPARATOR, axis=1)
        place, state = sequence.configuration[everyone, trip], states[everyone, trip + 1]
        sensed, needed = np.empty(len(items)), np.empty(len(items))
        for c in np.unique(place):
            k, threshold = np.flatnonzero(place == c), stepper.problem.thresholds[int(c)]
            row = stepper.row(threshold.sensed_state, threshold.sensed_input)[k]
            sensed[k] = dot(row, state[k])
            needed[k] = sensed[k] + threshold.ramp[k] * sequence.ends[k, trip[k]]
        rows = np.full((2, len(items)), -1.0)
        if self.bounds.current_limit is not None:
            rows[CURRENT] = sensed / self._each(self.bounds.current_limit)[items] - 1.0
        if self.bounds.highest is not None:
            rows[CLAMP] = needed / self._each(self.bounds.highest)[items] - 1.0
        return rows.max(axis=0), rows.argmax(axis=0)

    def _each(self, value: float | Values) -> Values:
        """Value of every converter (B,)."""
        return np.broadcast_to(np.asarray(value, float), self.converter.input_voltage.shape)

    def largest_load(self, full: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Find the largest load (B,) [A] at which the output is still regulated, and the duty there.

        The load is zero where neither ``full`` nor ``LEAST`` of it is regulated, infinite where all are up to the last
        doubling, NaN where it could not be followed; in all three the duty is NaN.

        Parameters
        ----------
        full
            Largest load of the case [A].
        """
        search = _Regulated(self)
        everyone = np.arange(len(self.converter.input_voltage))
        low, high = np.full(len(everyone), full * LEAST), np.full(len(everyone), full)
        above = search.beyond(high, everyone)
        lost = search.lost.copy()
        below, over = np.full(len(everyone), np.nan), np.flatnonzero(~(above < 0.0))
        if len(over):
            below[over] = search.beyond(low[over], over)
        for _ in range(DOUBLINGS * self.steps):
            rising = np.flatnonzero(above < 0.0)
            if not len(rising):
                break
            low[rising], below[rising] = high[rising], above[rising]
            high[rising] *= 2.0 ** (1.0 / self.steps)
            above[rising] = search.beyond(high[rising], rising)
            lost[rising] = search.lost[rising]
        result = np.where(above < 0.0, np.inf, np.where((above >= 0.0) & (below > 0.0), 0.0, np.nan))
        within = (below <= 0.0) & (above >= 0.0)
        folded, load, duty = self._folds(search, np.flatnonzero(within & lost), low, high)
        result[folded], within[folded] = load, False
        inside = np.flatnonzero(within)
        if len(inside):
            root = find_root(search.beyond, (low[inside], high[inside]), args=(inside,), tolerances=EXACT)
            result[inside] = np.where(root.success, root.x, np.nan)
        good = np.flatnonzero(within & np.isfinite(result) & (result > 0.0))
        if len(good):
            search.beyond(result[good] * (1.0 - CLOSE), good)  # a little below, for at the fold there is no orbit
        search.duty[folded] = duty
        return result, np.where(np.isfinite(result) & (result > 0.0), search.duty, np.nan)

    def _folds(self, search: _Regulated, items: Items, low: Values, high: Values) -> tuple[Items, Values, Values]:
        """Find folds at which regulation ends, no limit being at work just below: which, their loads [A] and duties.

        The upper loads (B,) of those that have a fold are brought down to it.
        """
        load = duty = np.full(len(items), np.nan)
        with suppress(*FAILURES):  # the bracket is followed instead
            load, duty = folds(self.at, items, low[items], high[items]) if len(items) else (load, duty)
        found = np.isfinite(load)
        items, load, duty = items[found], load[found], duty[found]
        high[items] = (1.0 - FOLD) * load
        bounded = search.beyond(high[items], items) < 0.0 if len(items) else np.zeros(0, bool)
        return items[bounded], load[bounded], duty[bounded]

    def load_at(self, items: Items, duty: Values, least: float, most: float) -> Values:
        """Find the load (S,) at which the limit ends the on-time at given duty.

        Parameters
        ----------
        items, duty
            Which converters, and on-time over period (S,).
        least, most
            Loads to look between [A at the regulated output].

        Returns
        -------
        ndarray (S,)
            Load [A at the regulated output]; NaN where there is none.
        """

        def distance(log: Values, item: Values, at: Values) -> Values:
            return self.beyond(item.astype(np.intp), np.exp(log), at)

        ends = np.full(len(items), np.log(least)), np.full(len(items), np.log(most))
        return np.exp(_zero(distance, *ends, items, duty))

    def duty_at(self, items: Items, load: Values, low: Values, high: Values) -> Values:
        """Find the duty (S,) between two at which the limit ends the on-time at given load [A]; NaN where none."""

        def distance(at: Values, item: Values, drawn: Values) -> Values:
            return self.beyond(item.astype(np.intp), drawn, at)

        return _zero(distance, low, high, items, load)

    def beyond(self, items: Items, load: Values, duty: Values) -> Values:
        """How far orbits ask for more than the controller gives (S,) [unitless]; NaN where one is not followed."""
        return in_halves(
            lambda some: self.orbits(items[some], load[some], duty[some]).beyond, np.arange(len(items)),
            failures=FAILURES, alone=lambda _: np.array([np.nan]),
        )  # fmt: skip


class _Regulated:
    """Orbits that hold the regulated output, each begun from the last one of its converter."""

    def __init__(self, ceiling: Ceiling) -> None:
        self.ceiling = ceiling
        self.duty = np.full(len(ceiling.converter.input_voltage), np.nan)
        self.lost = np.zeros(len(ceiling.converter.input_voltage), bool)  # where no duty reached it when last looked at
        self.known: Sequence | None = None

    def beyond(self, load: Values, item: NDArray[Any]) -> Values:
        """How far they ask for more than the controller gives (S,) at a load [A]; NaN where one is not followed."""
        chosen = item.astype(np.intp)

        def examine(some: Items) -> Values:
            with strict():
                return self._beyond(load[some], chosen[some])

        def alone(some: Items) -> Values:
            try:
                return examine(some)
            except UnreachableOutputError:
                return np.array([1.0])  # no duty reaches it: it asks for more than there is
            except FAILURES:
                return np.array([np.nan])

        result, everyone = np.full(len(chosen), np.nan), np.arange(len(chosen))
        self.lost[chosen] = lost = np.zeros(len(chosen), bool)
        try:
            return examine(everyone)
        except UnreachableOutputError:
            # one by one, each of them would be scanned over duty again
            if self.ceiling.converter.topology.devices.plain:
                with suppress(*FAILURES):
                    result, lost = out_of_reach(self.ceiling.at, chosen, load)
                self.lost[chosen] = lost
        except FAILURES:
            pass
        rest = np.flatnonzero(~lost)
        if len(rest):
            result[rest] = in_halves(examine, rest, failures=FAILURES, alone=alone)
        return result

    def _beyond(self, load: Values, items: Items) -> Values:
        guess = None if self.known is None else self.known.take(items)
        point = operating_point(self.ceiling.at(items, load), guess)
        if not point.problem.devices.plain:
            self.ceiling.known.remember(items, load, point.duty, known_orbits(point))
        beyond, _ = self.ceiling.asked(Stepper(point.problem), point.sequence, augmented(point), items)
        self.duty[items] = point.duty
        if self.known is not None:
            self.known = self.known.with_items(items, point.sequence)
        elif len(items) == len(self.duty):
            self.known = point.sequence
        return np.maximum(beyond, point.duty / self.ceiling.converter.max_duty - 1.0)


def _zero(distance: Callable[..., Values], low: Values, high: Values, items: Items, given: Values) -> Values:
    """Find where a distance rises through zero (S,); NaN where it does not."""
    ends = distance(low, items, given), distance(high, items, given)
    inside = np.flatnonzero((ends[0] <= 0.0) & (ends[1] >= 0.0))
    found = np.full(len(items), np.nan)
    if len(inside):
        root = find_root(
            distance, (low[inside], high[inside]), args=(items[inside], given[inside]),
            tolerances=EXACT | {"xatol": 0.1 * CLOSE},
        )  # fmt: skip
        found[inside] = np.where(root.success, root.x, np.nan)
    return found
