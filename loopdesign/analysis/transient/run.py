"""Sequences of cycles: run a stepper, and read deviation, settling, ringing and growth from what it did."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.errors import LoopDesignError
from loopdesign.models.switched import SwitchedModel, linearise
from loopdesign.models.verdict import Mode, worst_modes
from loopdesign.orbit.steady import Guess, OperatingPoint, solve
from loopdesign.orbit.stepping.devices import Devices, Segment

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign.orbit.stepping.cycle import CycleStepper
    from loopdesign.orbit.stepping.devices import Cycle, Ended

QUIET = 1e-9
"""Change of the state from cycle to cycle, relative to its size, below which a sequence counts as at rest."""
LOOK_EVERY = 16
REFERENCE_MATCH = 1e-11
LINEAR = 1e-4
"""Departure, relative to the output, up to which a growing disturbance counts as small."""
GROWTH = 9.0
"""Natural logarithm of the growth or decay that a disturbance is followed through, within limits of cycles."""
TAIL = (1e-8, 1e-5, 1e-3, 3e-2)
"""Part of a departure, relative to its peak, that the ringing is read from: its end, and its begin by preference."""
TAIL_CYCLES = 120


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A sequence of N cycles.

    Attributes
    ----------
    period
        Switching period [s].
    mean, lowest, highest
        (N,) output of each cycle [V]; lowest and highest are of samples and edges.
    duty
        (N,) on-time [periods].
    control
        (N,) control voltage just after each clock [V].
    currents
        Current of each inductor just after each clock, by name (N,) [A].
    ended
        What ended each on-time.
    discontinuous, limited
        (N,) whether the rectifier stopped within the cycle; whether amplifier limit or clamp were at work.
    states, devices
        Normalised states (N+1,n) and devices (N+1) just before each clock, and at the end.
    """

    period: float
    mean: NDArray[np.float64]
    lowest: NDArray[np.float64]
    highest: NDArray[np.float64]
    duty: NDArray[np.float64]
    control: NDArray[np.float64]
    currents: Mapping[str, NDArray[np.float64]]
    ended: tuple[Ended, ...]
    discontinuous: NDArray[np.bool_]
    limited: NDArray[np.bool_]
    states: NDArray[np.float64]
    devices: tuple[Devices, ...]

    @property
    def time_s(self) -> NDArray[np.float64]:
        """Middle of each cycle (N,) after the first clock [s]."""
        middle: NDArray[np.float64] = (np.arange(len(self.mean), dtype=np.float64) + 0.5) * self.period
        return middle

    def count(self, ended: Ended) -> int:
        """How many on-times ended in one way."""
        return self.ended.count(ended)

    def mode_changes(self) -> tuple[tuple[float, str], ...]:
        """Clock instants [s] at which the conduction mode changed, with the mode entered; the first may be the step."""
        modes = np.concatenate([[not self.devices[0].diode], self.discontinuous])
        changed = np.flatnonzero(modes[1:] != modes[:-1])
        return tuple((float(k) * self.period, "DCM" if self.discontinuous[k] else "CCM") for k in changed)


@dataclass(frozen=True, slots=True, kw_only=True)
class Traces:
    """Waveforms inside cycles: instants (S,) after the step [s], output [V], control [V], inductor currents [A]."""

    time_s: NDArray[np.float64]
    output: NDArray[np.float64]
    control: NDArray[np.float64]
    currents: Mapping[str, NDArray[np.float64]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ringing:
    """Multiplier read from a sequence, with its frequency [Hz] and growth (negative: decay) [1/s]."""

    multiplier: complex
    frequency_hz: float
    growth_per_s: float


def from_point(point: OperatingPoint) -> tuple[NDArray[np.float64], Devices]:
    """State and devices just before the clock of a batch of one."""
    return point.start[0], Devices(switch=False, diode=not bool(point.discontinuous[0]))


def run(
    stepper: CycleStepper, x: NDArray[np.float64], devices: Devices, *, cycles: int, at_least: int | None = None
) -> Run:
    """Step cycle after cycle.

    Parameters
    ----------
    stepper
        The converter, its inputs as they shall be.
    x, devices
        Normalised state (n,) and devices just before the first clock.
    cycles
        Most cycles.
    at_least
        Cycles after which the run may end as soon as it is at rest; never before ``cycles`` where None.

    Returns
    -------
    Run
        What happened.
    """
    done: list[Cycle] = []
    states, before = [x], [devices]
    size = float(np.abs(x).max())
    for k in range(1, cycles + 1):
        cycle = stepper.cycle(x, devices)
        done.append(cycle)
        last, x, devices = x, cycle.x, cycle.devices
        states.append(x)
        before.append(devices)
        resting = at_least is not None and k >= at_least and k % LOOK_EVERY == 0
        if resting and float(np.abs(x - last).max()) < QUIET * size:
            break
    return _collect(stepper, done, np.array(states), tuple(before))


def _collect(stepper: CycleStepper, done: list[Cycle], states: NDArray[np.float64], before: tuple[Devices, ...]) -> Run:
    clocked = [c.clocked for c in done]
    watched = np.empty((len(done), 1))
    for devices in set(clocked):
        where = np.array([c == devices for c in clocked])
        watched[where] = stepper.watch(devices, states[:-1][where], ("v(control)",))
    index = {name: stepper.states.index(f"i({name})") for name in stepper.inductors}
    return Run(
        period=float(stepper.converter.period),
        mean=np.array([c.mean for c in done]),
        lowest=np.array([c.lowest for c in done]),
        highest=np.array([c.highest for c in done]),
        duty=np.array([c.duty for c in done]),
        control=watched[:, 0],
        currents={name: states[:-1, k] / stepper.scale[k] for name, k in index.items()},
        ended=tuple(c.ended for c in done),
        discontinuous=np.array([c.idle for c in done]),
        limited=np.array([c.limited for c in done]),
        states=states,
        devices=before,
    )


def traces(
    stepper: CycleStepper, x: NDArray[np.float64], devices: Devices, *, cycles: int, first: int = 0, count: int = 24
) -> Traces:
    """Follow the waveforms inside some cycles, ``count`` instants between any two edges.

    ``first`` is the number of the first cycle, counted from the step.
    """
    probes = ("v(out)", "v(control)", *(f"i({name})" for name in stepper.inductors))
    times, values = [], []
    for k in range(cycles):
        segments: list[Segment] = []
        cycle = stepper.cycle(x, devices, segments)
        x, devices = cycle.x, cycle.devices
        for segment in segments:
            theta, rows = stepper.dense(segment, count, probes)
            times.append((theta + k + first) * stepper.converter.period)
            values.append(rows)
    rows = np.concatenate(values)
    currents = {name: rows[:, 2 + k] for k, name in enumerate(stepper.inductors)}
    return Traces(time_s=np.concatenate(times), output=rows[:, 0], control=rows[:, 1], currents=currents)


def moved_point(point: OperatingPoint, changes: Mapping[str, float], guess: Guess) -> OperatingPoint:
    """Solve the operating point that the same reference holds once inputs have changed.

    Parameters
    ----------
    point
        Closed-loop operating point before the change, a batch of one; its reference stays.
    changes
        New values of inputs by name: ``load`` [A], ``line`` [V].
    guess
        Edges near the new operating point.

    Returns
    -------
    OperatingPoint
        With the average output that the finite gain of the amplifier leaves.

    Raises
    ------
    ConvergenceError
        Where there is none.
    """
    network, reference = point.network, float(point.trim[0])
    inputs = point.inputs.copy()
    for name, value in changes.items():
        inputs[:, network.input_index(name)] = value
    target = point.problem.target.copy()
    slope = reference / float(target[0])
    last: tuple[float, float] | None = None
    found = solve(replace(point.problem, inputs=inputs, target=target), guess)
    for _ in range(12):
        miss = float(found.trim[0]) - reference
        if abs(miss) < REFERENCE_MATCH * abs(reference):
            break
        if last is not None and last[0] != float(target[0]):
            slope = (miss - last[1]) / (float(target[0]) - last[0])
        last = (float(target[0]), miss)
        target = target - miss / slope
        found = solve(replace(point.problem, inputs=inputs, target=target), Guess.from_point(found))
    return found


def settling_time(sequence: Run, final: float, band: float) -> float | None:
    """Time [s] after which the cycle mean stays within ``band`` [V] of a final value; None if it ends outside."""
    outside = np.flatnonzero(np.abs(sequence.mean - final) > band)
    if not len(outside):
        return 0.0
    last = int(outside[-1])
    return None if last == len(sequence.mean) - 1 else (last + 1) * sequence.period


def ringing(departure: NDArray[np.float64], period: float, *, expected: Mode) -> Ringing | None:
    """Read the slowest mode from the tail of a departure by linear prediction (Prony's method).

    Parameters
    ----------
    departure
        (N,) departure of the cycle mean from its final value.
    period
        Switching period [s].
    expected
        Mode to look for; it sets thinning and order of the prediction, not the answer.

    Returns
    -------
    Ringing or None
        None where too little of the tail is above rounding.
    """
    peak = float(np.abs(departure).max(initial=0.0))
    if peak == 0.0:
        return None
    heard = np.flatnonzero(np.abs(departure) > TAIL[0] * peak)
    tail = departure[:0]
    for share in TAIL[1:]:  # the later the tail, the fewer other modes are left in it
        loud = np.flatnonzero(np.abs(departure) > share * peak)
        tail = departure[loud[-1] + 1 : heard[-1] + 1]
        if len(tail) >= TAIL_CYCLES:
            break
    return prony(tail[len(tail) // 3 :], period, expected.multiplier)


def prony(y: NDArray[np.float64], period: float, expected: complex) -> Ringing | None:
    """Read the multiplier of a sequence that holds one mode; None where it is too short.

    ``expected`` sets thinning and order only: the sequence is thinned so that the mode turns or decays by a fair part
    from sample to sample, and predicted to second order where it oscillates, to first where it does not.
    """
    turn = abs(float(np.angle(expected)))
    decay = abs(float(np.log(max(abs(expected), 1e-12))))
    order = 2 if turn > 1e-9 else 1
    thin = max(1, min(int(0.5 / max(turn, decay, 1e-6)), len(y) // (3 * order + 2)))
    y = y[::thin]
    if len(y) < 2 * order + 1:
        return None
    matrix = np.stack([y[order - 1 - k : len(y) - 1 - k] for k in range(order)], axis=1)
    weights = 1.0 / np.maximum(np.abs(matrix).max(axis=1), 1e-300)
    coefficients = np.linalg.lstsq(matrix * weights[:, None], y[order:] * weights, rcond=None)[0]
    roots = np.roots([1.0, *(-coefficients)])
    root = complex(roots[np.argmax(np.abs(roots))])
    size, angle = abs(root) ** (1.0 / thin), float(np.angle(root)) / thin
    root = size * complex(np.cos(angle), np.sin(angle))
    return Ringing(
        multiplier=root,
        frequency_hz=abs(angle) / (2.0 * np.pi * period),
        growth_per_s=float(np.log(max(size, 1e-300))) / period,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class GrowthRun:
    """A small disturbance followed from an operating point.

    Attributes
    ----------
    input_voltage, load_current
        Operating point [V], [A].
    time_s, departure
        (N,) middle of each cycle [s] and departure of its mean output [V].
    expected
        Worst mode of the period map.
    measured
        Multiplier read from the simulated departure; None where there is too little of it.
    """

    input_voltage: float
    load_current: float
    time_s: NDArray[np.float64]
    departure: NDArray[np.float64]
    expected: Mode
    measured: Ringing | None


def disturb(stepper: CycleStepper, model: SwitchedModel, *, size: float = 1e-6) -> GrowthRun:
    """Kick an operating point along its worst mode and follow what becomes of it.

    Parameters
    ----------
    stepper
        The converter at the operating point.
    model
        Its closed-loop switched model, a batch of one.
    size
        Kick relative to the size of the state [unitless].

    Returns
    -------
    GrowthRun
        Growth read while the departure is small, beside the multiplier.
    """
    expected = worst_modes(model)[0]
    k = int(np.argmax(np.abs(model.multipliers[0])))
    direction = model.period_modes.vectors[0, :, k].real
    x, devices = from_point(model.point)
    kick = size * float(np.abs(x).max()) * direction / float(np.abs(direction).max())
    pace = abs(float(np.log(max(abs(expected.multiplier), 1e-12))))
    cycles = int(np.clip(GROWTH / max(pace, 1e-9), 100, 1500))
    rest = stepper.cycle(x, devices).mean
    sequence = run(stepper, x + kick, devices, cycles=cycles)
    departure = sequence.mean - rest
    large = np.flatnonzero(np.abs(departure) > LINEAR * rest)
    stop = int(large[0]) if len(large) else cycles
    converter = stepper.converter
    return GrowthRun(
        input_voltage=float(converter.input_voltage[0]),
        load_current=float(np.ravel(converter.load_current)[0]),
        time_s=sequence.time_s,
        departure=departure,
        expected=expected,
        measured=prony(departure[:stop], float(converter.period), expected.multiplier),
    )


def final_model(point: OperatingPoint, changes: Mapping[str, float], guess: Guess) -> tuple[SwitchedModel | None, str]:
    """Linearise the operating point after a step, or say why there is none."""
    try:
        return linearise(moved_point(point, changes, guess)), ""
    except (LoopDesignError, np.linalg.LinAlgError) as error:
        return None, str(error)
