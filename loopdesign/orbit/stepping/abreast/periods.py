"""Periods of one pattern from many states, each at its own instants, and whether they keep to the pattern."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.orbit.stepping.abreast.motions import Motions
from loopdesign.orbit.stepping.devices import NOTHING, ROUNDING, Cycle, Segment

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.orbit.stepping.abreast.pattern import Leg, Pattern

    Array = NDArray[np.float64]
    Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Walked:
    """One leg of many periods: the states (K,n) that led to it, its motions, and their ends [periods]."""

    entered: Array
    motions: Motions
    ends: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class PeriodRow:
    """Periods of one sequence of edges, one behind the other.

    Attributes
    ----------
    made
        One of them, for what they have in common: devices, what ended the on-time, and whether limits were at work.
    states
        Normalised states at their ends (K,n) [unitless].
    mean, lowest, highest
        Output over each period (K,) [V].
    duty
        On-times (K,) [periods].
    """

    made: Cycle
    states: Array
    mean: Array
    lowest: Array
    highest: Array
    duty: Array

    @classmethod
    def of(cls, cycle: Cycle) -> PeriodRow:
        """Make a row of one period."""
        mean, lowest, highest, duty = np.array([[cycle.mean], [cycle.lowest], [cycle.highest], [cycle.duty]])
        return cls(made=cycle, states=cycle.x[None], mean=mean, lowest=lowest, highest=highest, duty=duty)

    def __len__(self) -> int:
        """Count the periods."""
        return len(self.mean)

    def first(self, count: int) -> PeriodRow:
        """Keep the first periods [unitless]."""
        return PeriodRow(
            made=self.made, states=self.states[:count], mean=self.mean[:count], lowest=self.lowest[:count],
            highest=self.highest[:count], duty=self.duty[:count],
        )  # fmt: skip


class Periods:
    """Periods of one pattern from K states.

    Parameters
    ----------
    pattern
        The sequence.
    x
        Normalised states before the clock (K,n) [unitless].
    warm
        Lengths (K,) of the legs, near which edges are looked for [periods].

    Attributes
    ----------
    ends
        States at the ends (K,n).
    maps
        Their derivatives by the states at the begin (K,n,n).
    found
        Whether every edge was found (K,).
    """

    def __init__(self, pattern: Pattern, x: Array, warm: list[Array]) -> None:
        self.pattern, self.begin, self.maps = (
            pattern,
            x,
            np.broadcast_to(np.eye(x.shape[1]), (len(x), *x.shape[1:] * 2)),
        )
        self.theta, self.moved = np.zeros(len(x)), np.zeros(x.shape)  # instant of the last edge, and its derivative
        self.opens, self.opened = np.ones(len(x)), np.zeros(x.shape)  # that of the turn-off
        self.duty, self.integral = np.zeros(len(x)), np.zeros(len(x))
        self.found = np.ones(len(x), dtype=bool)
        self.legs: list[Walked] = []
        self.ends = x
        with np.errstate(all="ignore"):  # a guess may lead anywhere; what does is not found
            for leg, begin, after in zip(pattern.legs, warm, [*pattern.legs[1:], None], strict=True):
                self._make(leg, begin)
                if leg.devices.switch and after is not None and not after.devices.switch:
                    self.duty = self.theta
            self.found &= np.isfinite(self.ends).all(axis=1)

    def _make(self, leg: Leg, warm: Array) -> None:
        """Make one leg from the ends of the one before."""
        entered, x, setting, J = self.ends, self.ends, leg.setting, self.maps
        if leg.entry.projected:
            x, J = setting.project_many(x), setting.projection @ J
        motions = Motions(setting.piece, x, self.theta)
        horizon = self._horizon(leg)
        if leg.guard >= 0:
            found = motions.stay() if leg.instant else motions.root(leg.guard, warm)
            found &= motions.span <= horizon - self.theta
        else:
            found = motions.last(horizon - self.theta)
        self.integral += motions.close()
        self.theta = self.theta + motions.span if leg.guard >= 0 else horizon
        self.legs.append(Walked(entered=entered, motions=motions, ends=self.theta))
        self.found &= found
        if not leg.instant:
            J = motions.maps(leg.spread) @ J
            change = self._shift(leg, motions, J)
            J = J + motions.flow()[:, :, None] * change[:, None, :]
            self.moved = self.moved + change
        if leg.trips:
            most = self.pattern.stepper.max_duty
            self.opens = np.minimum(self.theta + self.pattern.stepper.delay, most)
            self.opened = np.where((self.opens < most)[:, None], self.moved, 0.0)
        self.ends, self.maps = motions.end, J

    def _shift(self, leg: Leg, motions: Motions, J: Array) -> Array:
        """Return the derivative of a leg's length (K,n) by the begin, from that of its end held in time (K,n,n)."""
        if leg.guard < 0:
            held: Array = (self.opened if leg.opening else 0.0) - self.moved
            return held
        row, ramp = leg.setting.piece.rows[leg.guard], leg.setting.piece.ramp[leg.guard]
        shift: Array = -(np.einsum("i,kij->kj", row, J) + ramp * self.moved) / motions.slope[:, None]
        return shift

    def _horizon(self, leg: Leg) -> Array:
        """Instant (K,) [periods] that ends a leg where no guard does before."""
        stepper = self.pattern.stepper
        if not leg.devices.switch:
            return np.ones(len(self.opens))
        if leg.opening:
            return self.opens
        return np.full(len(self.opens), stepper.max_duty if leg.armed else stepper.armed_at)

    @property
    def size(self) -> Array:
        """Largest size of each state at the edges of the first period (n,) [unitless]."""
        edges = [self.begin[0], *(leg.motions.end[0] for leg in self.legs)]
        largest: Array = np.abs(edges).max(axis=0)
        return largest

    @property
    def spans(self) -> list[Array]:
        """Lengths of all legs (K,) [periods]."""
        return [leg.motions.span for leg in self.legs]

    def kept(self, count: int) -> int:
        """Count how many of the first periods take the sequence of the pattern [unitless]."""
        with np.errstate(all="ignore"):
            fine = self._kept(count)
        return count if fine.all() else int(np.argmin(fine))

    def _kept(self, count: int) -> Flags:
        """Tell which of the first periods do."""
        fine = self.found[:count] & self._clocked(count)
        for leg, walked in zip(self.pattern.legs, self.legs, strict=True):
            motions = walked.motions
            fine &= leg.entry.kept(walked.entered[:count])
            trips = motions.trips(count, leg.heard, leg.fresh)
            if leg.instant:
                fine &= trips.any(axis=1) & (trips.argmax(axis=1) == leg.guard)
                continue
            fine &= ~trips.any(axis=1) & motions.clear(count, leg.heard, leg.guard)
            if leg.devices.switch and not leg.opening:
                fine &= (motions.theta[:count] >= self.pattern.stepper.armed_at) == leg.armed
        return fine & self._ended(count)

    def _clocked(self, count: int) -> Flags:
        """Whether the clock starts a pulse, or skips it, as in the pattern."""
        pattern, stepper = self.pattern, self.pattern.stepper
        x, setting = self.begin[:count], stepper.setting(pattern.clocked)
        fine = pattern.begin.kept(x)
        if pattern.begin.projected:
            x = setting.project_many(x)
        piece = setting.piece
        first = len(piece.rows) - 1 - stepper.comparators
        level = x @ piece.rows[first:-1].T + piece.offsets[first:-1]
        tripped = (level >= 0.0).any(axis=1) if not stepper.armed_at else np.zeros(count, dtype=bool)
        if stepper.delay and tripped.any():
            before = self.pattern.legs[0].devices if pattern.skipped else pattern.clocked
            tripped &= stepper.watch(before, self.begin[:count], ("v(control)",))[:, 0] <= NOTHING
        return fine & (tripped == pattern.skipped)

    def _ended(self, count: int) -> Flags:
        """Whether a delay and the shortest pulse end the on-time as in the pattern."""
        pattern, stepper = self.pattern, self.pattern.stepper
        fine = np.ones(count, dtype=bool)
        for leg, walked, after in zip(pattern.legs, self.legs, [*pattern.legs[1:], None], strict=True):
            if after is not None and leg.trips:
                fine &= (self.opens[:count] <= walked.ends[:count]) != after.opening
        if stepper.armed_at and pattern.cycle.ended in {"comparator", "minimum on-time"}:
            least = self.duty[:count] <= stepper.armed_at + stepper.delay + ROUNDING
            fine &= least == (pattern.cycle.ended == "minimum on-time")
        return fine

    def period_row(self, count: int) -> PeriodRow:
        """Tell a number of first periods [unitless] together."""
        low, high = self._extremes(count)
        made = replace(self.pattern.cycle, x=self.ends[0], devices=self.pattern.legs[-1].devices)
        return PeriodRow(
            made=made, states=self.ends[:count], mean=self.integral[:count], lowest=low, highest=high,
            duty=self.duty[:count],
        )  # fmt: skip

    def _extremes(self, count: int) -> tuple[Array, Array]:
        """Lowest and highest output (c,) [V] of a number of first periods [unitless]."""
        low, high = (np.array(v) for v in zip(*(f.motions.extremes(count) for f in self.legs), strict=True))
        return low.min(axis=0), high.max(axis=0)

    def periods(self, count: int, *, traced: bool) -> list[tuple[Cycle, list[Segment]]]:
        """Tell a number of first periods [unitless] one by one, with their motions where they are asked for."""
        made = self.pattern.cycle
        lowest, highest = (v.tolist() for v in self._extremes(count))
        mean, duty = self.integral.tolist(), self.duty.tolist()
        last = self.pattern.legs[-1].devices
        told = []
        segments = [
            (
                leg.devices,
                leg.guard,
                f.motions.theta.tolist(),
                f.motions.span.tolist(),
                f.entered if not k else f.motions.x,
            )
            for k, (leg, f) in enumerate(zip(self.pattern.legs, self.legs, strict=True))
        ]
        for k in range(count):
            trace = [
                Segment(begin=begin[k], length=length[k], devices=devices, x=x[k], guard=guard)
                for devices, guard, begin, length, x in (segments if traced else ())
            ]
            cycle = Cycle(
                x=self.ends[k], devices=last, clocked=made.clocked, mean=mean[k], lowest=lowest[k], highest=highest[k],
                duty=duty[k], ended=made.ended, idle=made.idle, limited=made.limited,
            )  # fmt: skip
            told.append((cycle, trace))
        return told
