"""What a sequence of cycles shows of the slowest mode: ringing, decay, and the growth of a small disturbance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.transient.run import from_point, run_cycles
from loopdesign.models.verdict import Mode, worst_modes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.analysis.transient.start import StepStart
    from loopdesign.models.switched import SwitchedModel
    from loopdesign.orbit.stepping.cycle import CycleStepper


LINEAR = 1e-4
"""Departure, relative to the output, up to which a growing disturbance counts as small."""
GROWTH = 9.0
"""Growth or decay, as a natural logarithm, over which a disturbance is followed, within limits of cycles."""
TAIL = (1e-8, 1e-5, 1e-3, 3e-2)
"""Size of a departure, relative to its peak, where the reading of the ringing ends, and where it best begins."""
TAIL_CYCLES = 120


@dataclass(frozen=True, slots=True, kw_only=True)
class Ringing:
    """Multiplier read from a sequence, with its frequency [Hz] and growth (negative: decay) [1/s]."""

    multiplier: complex
    frequency_hz: float
    growth_per_s: float


def ringing(departure: NDArray[np.float64], period: float, *, expected: Mode) -> Ringing | None:
    """Read the slowest mode from the tail of a departure by linear prediction (Prony's method).

    Parameters
    ----------
    departure
        (N,) departure of the cycle mean from its final value [V].
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

    Parameters
    ----------
    y : ndarray (N,)
        The sequence, one value per period [its own unit].
    period : float
        Time from one value to the next [s].
    expected : complex
        Multiplier to look for [unitless].

    Returns
    -------
    Ringing or None
        What was read.
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


def extremes_of(starts: list[StepStart]) -> list[StepStart]:
    """Pick the operating points with the largest and the smallest worst multiplier.

    Parameters
    ----------
    starts
        Where steps begin.

    Returns
    -------
    list of StepStart
        The two, the largest first; what there is where there are fewer.
    """
    ranked = sorted(starts, key=lambda s: abs(worst_modes(s.model)[0].multiplier))
    return [ranked[-1], ranked[0]] if len(ranked) > 1 else ranked


def disturb(stepper: CycleStepper, model: SwitchedModel, *, size: float = 1e-6) -> GrowthRun:
    """Disturb an operating point along its worst mode and follow the disturbance.

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
    sequence = run_cycles(stepper, x + kick, devices, cycles=cycles)
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
