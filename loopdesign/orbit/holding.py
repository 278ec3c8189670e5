"""Whether the controller keeps an orbit that the equations have.

The orbit is one at which the comparator trips at a certain instant. The converter stays on it only if nothing trips
before: the threshold must lie below zero from the moment the comparator is heard up to the trip, and cross it upwards
there; the sensed signal must stay below the current limit, the control voltage within its clamp, and the pulse must not
be the shortest that the controller can make. Samples are dense where waveforms are steep, just after the clock; an item
whose threshold comes near zero between samples is sampled again, finely.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from loopdesign.network.linear_algebra import expm
from loopdesign.network.places import closed_at
from loopdesign.orbit.augmented import Stepper, apply, augmented, dot
from loopdesign.orbit.conduction import COARSE, FINE, TOLERANCE, along, doubled_states
from loopdesign.orbit.sequence import picked

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from loopdesign.orbit.problem import OperatingPoint

Value: TypeAlias = "float | NDArray[np.float64]"

KEPT, SHORTEST, COMPARATOR, CURRENT_LIMIT, CLAMP, PULL_UP = range(6)
WORDS = (None, "minimum on-time", "comparator", "current limit", "clamp", "pull-up")
"""What each code says."""
ROUNDING = 1e-9
"""Share of an instant or a voltage that is rounding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """What bounds a controller; values may carry the batch (B,).

    Attributes
    ----------
    lowest, highest
        Range of the control voltage [V]; None has no bound.
    current_limit
        Sensed signal at which the on-time ends whatever the control voltage [V]; None has no limit.
    armed
        Instant after the clock from which the comparators are heard [periods].
    pull_up
        Lowest and highest control voltage that an optocoupler and its pull-up deliver [V]; None where there is neither.
    """

    lowest: Value | None = None
    highest: Value | None = None
    current_limit: Value | None = None
    armed: float = 0.0
    pull_up: tuple[Value, Value] | None = None


def held(point: OperatingPoint, bounds: Bounds) -> NDArray[np.intp]:
    """Say for every item what keeps the converter from staying on its orbit.

    Parameters
    ----------
    point
        Operating point, loop open or closed.
    bounds
        What bounds the controller.

    Returns
    -------
    ndarray
        (B,) `KEPT`, or the code of a word in `WORDS`.
    """
    stepper, states = Stepper(point.problem), augmented(point)
    code = np.full(len(point), KEPT)
    if bounds.pull_up is not None:
        code[_beyond(stepper, point, states, *bounds.pull_up)] = PULL_UP
    if bounds.lowest is not None or bounds.highest is not None:
        code[_beyond(stepper, point, states, bounds.lowest, bounds.highest)] = CLAMP
    if bounds.current_limit is not None:
        row = _sensed_above(stepper, bounds.current_limit)
        code[_crossed(stepper, point, states, row, bounds.armed)] = CURRENT_LIMIT
    tripped_early = _crossed(stepper, point, states, stepper.comparator, bounds.armed, ramp=True)
    code[tripped_early | _falling(stepper, point, states)] = COMPARATOR
    trip = point.sequence.ends[np.arange(len(point)), point.trip]
    code[trip <= bounds.armed * (1.0 + ROUNDING)] = SHORTEST
    return code


Rows: TypeAlias = "Callable[[int], NDArray[np.float64]]"


def _sensed_above(stepper: Stepper, limit: Value) -> Rows:
    """Rows (B,m) of the sensed signal above its limit, by configuration."""

    def row(configuration: int) -> NDArray[np.float64]:
        th = stepper.problem.thresholds[configuration]
        rows = stepper.row(th.sensed_state, th.sensed_input)
        rows[:, stepper.n + 1] -= limit
        return rows

    return row


def _crossed(
    stepper: Stepper,
    point: OperatingPoint,
    states: NDArray[np.float64],
    row: Rows,
    armed: float,
    *,
    ramp: bool = False,
) -> NDArray[np.bool_]:
    """Items (B,) at which a row, with the ramp or without, reaches zero before the trip."""
    crossed = np.zeros(len(point), bool)
    lengths, trip = point.sequence.lengths, point.trip
    for k in range(int(trip.max()) + 1):
        configuration = point.sequence.configuration[:, k]
        end = point.sequence.ends[:, k]
        begin = np.maximum(end - lengths[:, k], armed)
        heard = closed_at(configuration) & (k <= trip) & (begin < end)
        if not heard.any():
            continue
        # without the running integral, which no row here looks at
        flow, z = stepper.flow(configuration)[:, 1:, 1:], states[:, k, 1:]
        if armed:
            z = apply(expm(flow * np.maximum(begin - (end - lengths[:, k]), 0.0)[:, None, None]), z)
        rows, ramps = _per_item(stepper, configuration, row, ramp=ramp)
        last = np.asarray(k == trip) & ramp
        part = _Part(flow=flow, z=z, begin=begin, length=np.where(heard, end - begin, 0.0), rows=rows, ramps=ramps)
        crossed |= heard & _reaches_zero(part, last)
    return crossed


def _per_item(
    stepper: Stepper, configuration: NDArray[np.intp], row: Rows, *, ramp: bool
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Rows (B,m-1) over ``[x, 1, trim]`` and ramps (B,) [V/period] of each item's own configuration."""
    rows, ramps = np.zeros((len(configuration), stepper.n + 2)), np.zeros(len(configuration))
    for c in stepper.problem.thresholds:
        items = configuration == c
        if items.any():
            rows[items] = row(c)[items, 1:]
            if ramp:
                ramps[items] = stepper.problem.thresholds[c].ramp[items]
    return rows, ramps


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """Part of an on-interval: its flow over ``[x, 1, trim]``, the state at its begin, its place, and a row to watch."""

    flow: NDArray[np.float64]
    z: NDArray[np.float64]
    begin: NDArray[np.float64]
    length: NDArray[np.float64]
    rows: NDArray[np.float64]
    ramps: NDArray[np.float64]

    def sampled(self, count: int) -> NDArray[np.float64]:
        """Values (B,count+1) at even steps."""
        return self._values(along(self.flow, self.z, self.length, count), np.arange(count + 1) / count)

    def denser_at_first(self, count: int) -> NDArray[np.float64]:
        """Values (B,2 count) at even steps, and as many more over the first of these."""
        E = expm(self.flow * (self.length / count**2)[:, None, None])
        first, E = doubled_states(E, self.z, count)
        later, _ = doubled_states(E, self.z, count)
        share = np.arange(count + 1) / count
        return self._values(
            np.concatenate([first, later[:, :, 2:]], axis=2), np.concatenate([share / count, share[2:]])
        )

    def _values(self, states: NDArray[np.float64], share: NDArray[np.float64]) -> NDArray[np.float64]:
        time = self.begin[:, None] + self.length[:, None] * share
        return (self.rows[:, None, :] @ states)[:, 0] + self.ramps[:, None] * time

    def take(self, items: NDArray[np.intp]) -> _Part:
        """Keep some items."""
        return _Part(
            flow=self.flow[items], z=self.z[items], begin=self.begin[items], length=self.length[items],
            rows=self.rows[items], ramps=self.ramps[items],
        )  # fmt: skip


def _reaches_zero(part: _Part, last: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Items (B,) whose row reaches zero in this part; where it is the last, its end is the trip itself."""
    value = part.denser_at_first(COARSE)
    span = TOLERANCE * np.abs(value).max(axis=1)
    over = (value[:, :-1].max(axis=1) > span) | (~last & (value[:, -1] > span))
    left, middle, right = value[:, :-2], value[:, 1:-1], value[:, 2:]
    rise = np.maximum(middle - left, middle - right)
    near = ((middle >= left) & (middle >= right) & (middle + rise > 0.0)).any(axis=1)
    fine = np.flatnonzero(near & ~over)
    if len(fine):
        again = part.take(fine).sampled(FINE)
        over[fine] |= again[:, :-1].max(axis=1) > span[fine]
    return over


def _falling(stepper: Stepper, point: OperatingPoint, states: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Items (B,) at which the threshold crosses zero downwards at the trip, which trips nothing."""
    items = np.arange(len(point))
    configuration = point.sequence.configuration[items, point.trip]
    rows, ramps = _per_item(stepper, configuration, stepper.comparator, ramp=True)
    flow = stepper.flow(configuration)[:, 1:, 1:]
    slope = dot(rows, apply(flow, states[items, point.trip + 1, 1:])) + ramps
    return np.asarray(slope <= 0.0)


def _beyond(
    stepper: Stepper,
    point: OperatingPoint,
    states: NDArray[np.float64],
    lowest: Value | None,
    highest: Value | None,
) -> NDArray[np.bool_]:
    """Items (B,) whose control voltage leaves its range anywhere in the period."""
    low, high, spare = _control_extremes(stepper, point, states)
    beyond = np.zeros(len(point), bool)
    if highest is not None:
        beyond |= (high > np.reshape(highest, (-1, 1)) + spare).any(axis=1)
    if lowest is not None:
        beyond |= (low < np.reshape(lowest, (-1, 1)) - spare).any(axis=1)
    return beyond


def _control_extremes(
    stepper: Stepper, point: OperatingPoint, states: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Lowest and highest control voltage, and its rounding, of every interval (B,K) [V]."""
    extremes, lengths = [], point.sequence.lengths
    for k in range(point.sequence.ends.shape[1]):
        configuration = point.sequence.configuration[:, k]
        row = picked(lambda c: stepper.probe("v(control)", c), configuration)[:, None, 1:]
        flow = stepper.flow(configuration)[:, 1:, 1:]
        value = (row @ along(flow, states[:, k, 1:], lengths[:, k], COARSE))[:, 0]
        extremes.append((value.min(axis=1), value.max(axis=1), ROUNDING * np.abs(value).max(axis=1)))
    low, high, spare = (np.stack(part, axis=1) for part in zip(*extremes, strict=True))
    return low, high, spare


def lowest_control(point: OperatingPoint) -> NDArray[np.float64]:
    """Read the lowest control voltage of a period.

    Parameters
    ----------
    point : OperatingPoint
        Operating points (B,), loop open or closed.

    Returns
    -------
    ndarray (B,)
        Control voltage [V], its ripple included.
    """
    return np.asarray(_control_extremes(Stepper(point.problem), point, augmented(point))[0].min(axis=1))


def trip_voltage(point: OperatingPoint, item: int) -> float:
    """Read the control voltage where the switch is told to open.

    Parameters
    ----------
    point
        Operating points (B,), loop open or closed.
    item
        Which of them [unitless].

    Returns
    -------
    float
        Control voltage [V].
    """
    place = int(point.trip[item])
    configuration = point.network.configurations[int(point.sequence.configuration[item, place])]
    row = point.network.output_index("v(control)")
    state = point.states[item, place + 1]
    return float(configuration.C[item, row] @ state + configuration.D[item, row] @ point.inputs[item])
