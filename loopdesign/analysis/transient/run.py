"""Sequences of cycles: run a stepper and record the output, the duty, the currents and what ended each on-time."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain, repeat
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from loopdesign.orbit.stepping.abreast.row import run_rows
from loopdesign.orbit.stepping.devices import Devices, Segment

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from loopdesign.orbit.problem import OperatingPoint
    from loopdesign.orbit.stepping.abreast.periods import PeriodRow
    from loopdesign.orbit.stepping.cycle import CycleStepper
    from loopdesign.orbit.stepping.devices import Cycle, Ended

T = TypeVar("T")

QUIET = 1e-9
"""Change of the state from cycle to cycle, relative to its size, below which a sequence counts as settled."""
LOOK_EVERY = 16


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
    """Waveforms inside cycles: instants (S,) after the step [s], output [V], control [V], currents [A].

    ``currents`` are those of the inductors, ``devices`` those of what the comparator senses, of the switches and
    of the rectifiers.
    """

    time_s: NDArray[np.float64]
    output: NDArray[np.float64]
    control: NDArray[np.float64]
    currents: Mapping[str, NDArray[np.float64]]
    devices: Mapping[str, NDArray[np.float64]]


def from_point(point: OperatingPoint) -> tuple[NDArray[np.float64], Devices]:
    """State and devices just before the clock of a batch of one.

    Parameters
    ----------
    point : OperatingPoint
        A batch of one.

    Returns
    -------
    tuple of ndarray (n,) and Devices
        Normalised state, and which devices conduct.
    """
    conducts = point.problem.devices.mask(int(point.sequence.configuration[0, -1]))
    return point.start[0], Devices(switch=False, diode=conducts)


def run_cycles(
    stepper: CycleStepper, x: NDArray[np.float64], devices: Devices, *, cycles: int, at_least: int | None = None,
    motions: list[list[Segment]] | None = None, followed: int = 0,
) -> Run:  # fmt: skip
    """Step cycle after cycle.

    Parameters
    ----------
    stepper
        The converter, its inputs as they shall be.
    x, devices
        Normalised state (n,) [unitless] and devices just before the first clock.
    cycles
        Most cycles [unitless].
    at_least
        Cycles [unitless] after which the run may end as soon as it has settled; never before ``cycles`` where None.
    motions, followed
        List that takes the motions of the first cycles, and of how many [unitless].

    Returns
    -------
    Run
        What happened.
    """
    done: list[PeriodRow] = []
    begin, count, size = x, 0, float(np.abs(x).max())
    for row in run_rows(stepper, x, devices, cycles, motions, followed):
        quiet = None if at_least is None else _quiet(row, begin, count, at_least, QUIET * size)
        done.append(row if quiet is None else row.first(quiet))
        if quiet is not None:
            break
        begin, count = row.states[-1], count + len(row)
    return _collect(stepper, done, x, devices)


def _quiet(
    row: PeriodRow, begin: NDArray[np.float64], count: int, at_least: int, still: float
) -> int | None:  # fmt: skip
    """Count the cycles of a row up to the first that hardly moved the state, of those looked at; None where none.

    ``count`` cycles came before it, and ``begin`` is the state at the end of the last of them.
    """
    numbers = np.arange(count + 1, count + len(row) + 1)
    for k in np.flatnonzero((numbers >= at_least) & (numbers % LOOK_EVERY == 0)).tolist():
        last = row.states[k - 1] if k else begin
        if float(np.abs(row.states[k] - last).max()) < still:
            return k + 1
    return None


def _collect(stepper: CycleStepper, done: list[PeriodRow], x: NDArray[np.float64], devices: Devices) -> Run:
    """Join the rows of a run that began at a state (n,) with some devices."""
    states = np.concatenate([x[None], *(s.states for s in done)])
    clocked = _each(done, lambda made: made.clocked)
    watched = np.empty((len(clocked), 1))
    for kind in set(clocked):
        where = np.concatenate([np.full(len(s), s.made.clocked == kind) for s in done])
        watched[where] = stepper.watch(kind, states[:-1][where], ("v(control)",))
    index = {name: stepper.states.index(f"i({name})") for name in stepper.inductors}
    return Run(
        period=float(stepper.converter.period),
        mean=np.concatenate([s.mean for s in done]),
        lowest=np.concatenate([s.lowest for s in done]),
        highest=np.concatenate([s.highest for s in done]),
        duty=np.concatenate([s.duty for s in done]),
        control=watched[:, 0],
        currents={name: states[:-1, k] / stepper.scale[k] for name, k in index.items()},
        ended=_each(done, lambda made: made.ended),
        discontinuous=np.array(_each(done, lambda made: made.idle)),
        limited=np.array(_each(done, lambda made: made.limited)),
        states=states,
        devices=(devices, *_each(done, lambda made: made.devices)),
    )


def _each(done: list[PeriodRow], of: Callable[[Cycle], T]) -> tuple[T, ...]:
    """Tell of every cycle what those of a row have in common."""
    return tuple(chain.from_iterable(repeat(of(s.made), len(s)) for s in done))


def traces(
    stepper: CycleStepper, x: NDArray[np.float64], devices: Devices, *, cycles: int, first: int = 0, count: int = 24
) -> Traces:
    """Follow the waveforms inside some cycles, ``count`` instants between any two edges.

    ``first`` is the number of the first cycle, counted from the step.

    Parameters
    ----------
    stepper : CycleStepper
        The converter, its inputs as they shall be.
    x : ndarray (n,)
        Normalised state just before the first clock [unitless].
    devices : Devices
        Which devices conduct there.
    cycles : int
        Number of cycles [unitless].
    first : int
        Number of the first cycle, counted from the step [unitless].
    count : int
        Instants between any two edges [unitless].

    Returns
    -------
    Traces
        Output, control and currents over time.
    """
    motions: list[list[Segment]] = []
    for _ in range(cycles):
        motions.append([])
        cycle = stepper.cycle(x, devices, motions[-1])
        x, devices = cycle.x, cycle.devices
    return traces_of(stepper, motions, first=first, count=count)


def traces_of(stepper: CycleStepper, motions: list[list[Segment]], *, first: int = 0, count: int = 24) -> Traces:
    """Follow the waveforms along motions that are known, ``count`` instants each.

    Parameters
    ----------
    stepper : CycleStepper
        The converter, its inputs as they were.
    motions : list of list of Segment
        The motions of every cycle.
    first : int
        Number of the first cycle, counted from the step [unitless].
    count : int
        Instants between any two edges [unitless].

    Returns
    -------
    Traces
        Output, control and currents over time.
    """
    switching = tuple(dict.fromkeys((stepper.stage.sensed, *stepper.switches, *stepper.stage.rectifiers)))
    names = (*stepper.inductors, *(n for n in switching if n not in stepper.inductors))
    probes = ("v(out)", "v(control)", *(f"i({name})" for name in names))
    times, values = [], []
    for k, segments in enumerate(motions):
        for segment in segments:
            theta, rows = stepper.dense(segment, count, probes)
            times.append((theta + k + first) * stepper.converter.period)
            values.append(rows)
    rows = np.concatenate(values)
    each = {name: rows[:, 2 + k] for k, name in enumerate(names)}
    return Traces(
        time_s=np.concatenate(times), output=rows[:, 0], control=rows[:, 1],
        currents={name: each[name] for name in stepper.inductors}, devices={name: each[name] for name in switching},
    )  # fmt: skip


def settling_time(sequence: Run, final: float, band: float) -> float | None:
    """Return the time after which the cycle mean stays within a band around its final value.

    Parameters
    ----------
    sequence : Run
        Every cycle after the step.
    final : float
        Final value of the cycle mean [V].
    band : float
        Half of the width of the settling band [V].

    Returns
    -------
    float or None
        Time [s]; None where the run ends outside.
    """
    outside = np.flatnonzero(np.abs(sequence.mean - final) > band)
    if not len(outside):
        return 0.0
    last = int(outside[-1])
    return None if last == len(sequence.mean) - 1 else (last + 1) * sequence.period
