"""Where a step lies in a record of an oscilloscope, and deviation and settling of the record and of the model."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.bench.steps.model import StepCurve

    Real = NDArray[np.float64]

MOST_SAMPLES = 4000
"""Samples of a record that are compared; of more, every so many."""
PLACES = 1500
"""Instants tried for the step."""
LEVEL_SAMPLES = 5
"""Samples before the step from which on they give the level before it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepReading:
    """What a step shows.

    Attributes
    ----------
    peak_deviation_v : float
        Largest departure of the cycle mean from its value before the step [V].
    settling_time_s : float or None
        Time after which it stays in the band around its end [s]; None where the record ends before.
    """

    peak_deviation_v: float
    settling_time_s: float | None

    def to_dict(self) -> dict[str, float | None]:
        """Turn it into plain values, ready for JSON."""
        return {"peak_deviation_v": self.peak_deviation_v, "settling_time_s": self.settling_time_s}


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A record laid over a step of the model.

    Attributes
    ----------
    step_s : float
        Instant of the step in the record [s].
    offset_v : float
        How much higher the record lies than the model [V].
    rms_v : float
        Root of the mean square of what is left [V].
    """

    step_s: float
    offset_v: float
    rms_v: float


def cycle_means(time_s: Real, voltage_v: Real, period_s: float) -> tuple[Real, Real]:
    """Average a record over one switching period around each sample, where it is sampled finely enough.

    Parameters
    ----------
    time_s, voltage_v : ndarray (N,)
        Rising instants [s] and voltage [V].
    period_s : float
        Switching period [s].

    Returns
    -------
    tuple of ndarray (M,)
        Instants [s] and means [V], no more than `MOST_SAMPLES`; the samples themselves where they lie farther apart
        than a third of a period.
    """
    fine = float(np.median(np.diff(time_s))) < period_s / 3.0 and np.ptp(time_s) > 4.0 * period_s
    if fine:
        area = np.concatenate([[0.0], np.cumsum(0.5 * (voltage_v[1:] + voltage_v[:-1]) * np.diff(time_s))])
        inner = time_s[(time_s >= time_s[0] + 0.5 * period_s) & (time_s <= time_s[-1] - 0.5 * period_s)]
        ends = [np.interp(inner + side * period_s, time_s, area) for side in (0.5, -0.5)]
        time_s, voltage_v = inner, (ends[0] - ends[1]) / period_s
    every = max(1, -(-len(time_s) // MOST_SAMPLES))
    return time_s[::every], voltage_v[::every]


def place_step(time_s: Real, mean_v: Real, curve: StepCurve) -> Placed:
    """Find the instant of the step in a record, and how much higher the record lies.

    Parameters
    ----------
    time_s, mean_v : ndarray (N,)
        Instants [s] and cycle means [V].
    curve : StepCurve
        The step of the model.

    Returns
    -------
    Placed
        The instant with the least sum of squares, the offset of a scope's ground and gain taken out.
    """
    few = np.unique(np.linspace(0, len(time_s) - 1, 600).astype(int))
    low, high = time_s[0] - 2.0 * curve.period_s, time_s[0] + 0.8 * np.ptp(time_s)
    places = np.concatenate([np.linspace(low, high, PLACES), [0.0] if low <= 0.0 <= high else []])
    away = mean_v[few] - curve.before_v - curve.at((time_s[few] - places[:, None]).ravel()).reshape(len(places), -1)
    best = float(places[np.argmin(away.var(axis=1))])
    width = (high - low) / PLACES
    for _ in range(3):
        near = best + np.linspace(-width, width, 41)
        away = mean_v - curve.before_v - curve.at((time_s - near[:, None]).ravel()).reshape(len(near), -1)
        best, width = float(near[np.argmin(away.var(axis=1))]), width / 15.0
    left = mean_v - curve.before_v - curve.at(time_s - best)
    return Placed(step_s=best, offset_v=float(left.mean()), rms_v=float(left.std()))


def readings(
    time_s: Real, mean_v: Real, curve: StepCurve, placed: Placed, band_v: float
) -> tuple[StepReading, StepReading]:
    """Read deviation and settling of the record and of the model over the same instants.

    Parameters
    ----------
    time_s, mean_v : ndarray (N,)
        Instants [s] and cycle means [V].
    curve : StepCurve
        The step of the model.
    placed : Placed
        Where the step lies.
    band_v : float
        Half of the settling band [V].

    Returns
    -------
    tuple of StepReading
        Of the record, of the model.
    """
    after = time_s >= placed.step_s
    early = time_s < placed.step_s - curve.period_s
    level = curve.before_v + placed.offset_v
    if early.sum() >= LEVEL_SAMPLES:
        level = float(mean_v[early].mean())
    times = time_s[after] - placed.step_s
    measured = _reading(times, mean_v[after] - level, band_v)
    return measured, _reading(times, curve.at(times), band_v)


def _reading(times: Real, departure: Real, band_v: float) -> StepReading:
    """Read one course of the departure."""
    if not len(times):
        return StepReading(peak_deviation_v=0.0, settling_time_s=None)
    tail = departure[-max(3, len(departure) // 20) :]
    outside = np.flatnonzero(np.abs(departure - tail.mean()) > band_v)
    settled = 0.0 if not len(outside) else None if outside[-1] >= len(times) - len(tail) else times[outside[-1] + 1]
    return StepReading(
        peak_deviation_v=float(np.abs(departure).max()), settling_time_s=None if settled is None else float(settled)
    )
