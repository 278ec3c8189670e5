"""What a converter does where its load needs less than a pulse every period.

With neither blanking nor a minimum on-time a control voltage at or below zero gives no pulse, and the control voltage,
which falls while the output is too high, makes the converter skip pulses: bursts of pulses with pauses between them.
With one of them, or where the lowest control voltage brings more than the load takes, every clock makes its pulse, and
the output rises until the load takes what the pulses bring, or to what the largest duty gives.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.regimes.light import RISES, LightLoad
from loopdesign.corners.controller import limits_at
from loopdesign.corners.converters import compensation
from loopdesign.errors import ConvergenceError, UnreachableOutputError
from loopdesign.network.batch import take
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.orbit.holding import trip_voltage
from loopdesign.orbit.operating_point import operating_point

if TYPE_CHECKING:
    from collections.abc import Mapping

    from loopdesign import case as cases
    from loopdesign.corners.conditions import Corners
    from loopdesign.models.verdict import Verdict
    from loopdesign.network.converter import Converter
    from loopdesign.orbit.operating_point import Guess
    from loopdesign.orbit.problem import OperatingPoint
    from loopdesign.orbit.stepping.devices import ControlLimits

REGULATED = 0.02
"""Share by which the mean output of a converter that skips pulses may differ from its target and count as regulated."""
RESTING = 1e-4
"""Share of the target by which an output must lie above it to count as risen."""
RISING_STEPS = 30
STRIDE = 1.5
"""Ratio of outputs by which the one that the least pulse gives is looked for."""
CLOSE = 1e-9
"""Relative closeness of that output."""
BEYOND = 1.0
"""Relative excess that is assigned to an output which no duty reaches [unitless]."""
BESIDE, STEADY = 1e-6, 1e-3
"""Share by which to look beside the output found, and how near to the least of the controller a rest lies."""


def light_load(
    stepped: Converter, point: OperatingPoint, item: int, limits: ControlLimits, opened: Converter
) -> LightLoad | None:
    """Step one operating point's converter from there and say how it holds its output, if it does.

    Parameters
    ----------
    stepped
        Batch of converters, the loop closed.
    point
        Their operating points, at which the controller would have to make a shorter pulse than it can.
    item
        Which of them [unitless].
    limits
        What bounds the controller.
    opened
        The same converters, the loop open.

    Returns
    -------
    LightLoad or None
        None where it does neither: no pulse is skipped and the output does not rise, or it is not regulated while
        pulses are skipped.
    """
    # only a light load is stepped: most checks load none of this
    from loopdesign.analysis.regimes.skipping import SkippingRun  # noqa: PLC0415
    from loopdesign.orbit.stepping.cycle import CycleStepper  # noqa: PLC0415
    from loopdesign.orbit.stepping.devices import Devices  # noqa: PLC0415
    from loopdesign.orbit.stepping.energy import Ledger  # noqa: PLC0415

    one = take(stepped, np.array([item]), len(point))
    inputs = dict(zip(point.network.inputs, point.inputs[item], strict=True))
    conducts = point.problem.devices.mask(int(point.sequence.configuration[item, -1]))
    ledger = Ledger(one)
    stepper = CycleStepper(one, inputs, limits, probes=ledger.probes)
    alone = take(opened, np.array([item]), len(point))
    target = float(np.ravel(one.load_voltage)[0])
    if stepper.armed_at:  # every clock makes its pulse
        return _risen(alone, limits, target)
    try:
        run = SkippingRun(stepper, point.start[item], Devices(switch=False, diode=conducts))
        skipping = run.rounds()
    except (ConvergenceError, *BREAKDOWN):  # the last where it runs away
        return None
    if skipping is not None:
        near = abs((skipping.mean_output_v or 0.0) - target) <= REGULATED * abs(target)
        return replace(skipping, energy_error=run.energy_error(ledger)) if near else None
    return _risen(alone, limits, target) if run.mean > (1.0 + RESTING) * target else None


def _risen(opened: Converter, limits: ControlLimits, target: float) -> LightLoad | None:
    """Say where the output rises to; None where it stays at its target [V]."""
    output = risen_output(opened, limits)
    if output is not None and output <= (1.0 + RESTING) * target:
        return None
    ends = output is not None and np.isfinite(output)
    return LightLoad(regime=RISES, mean_output_v=output if ends else None, examined=output is not None)


def risen_output(opened: Converter, limits: ControlLimits) -> float | None:
    """Find the output at which the load takes what the least pulse of every period brings.

    Parameters
    ----------
    opened : Converter
        A batch of one, loop open.
    limits : ControlLimits
        What bounds the controller: its shortest on-time, and the lowest control voltage.

    Returns
    -------
    float or None
        Average load voltage [V]; infinite where none was found up to the last of the outputs tried, None where it was
        not examined: a load of constant power or with a drop, a regulated current, an orbit that cannot be solved, or
        where the controller still gives too much at the highest output that any duty reaches.
    """
    from scipy.optimize import brentq  # noqa: PLC0415  (a quarter of a second to load)

    start = float(opened.output_voltage[0])
    load = float(np.ravel(opened.load_current)[0])
    rises = {"resistive": 1.0, "current": 0.0}.get(opened.load)
    if rises is None or opened.current_sense is not None:
        return None
    shortest = max(limits.min_on_time, opened.blanking + opened.turn_off_delay) / opened.period

    guess: list[Guess] = []

    def missing(scale: float) -> float:
        """How far the orbit at an output is from the least that the controller gives, relative; rises with output.

        Beyond the largest duty there is no such orbit: what is least brings the output up to there, and no further.
        """
        at = replace(opened, output_voltage=np.array([start * scale]), load_current=np.array([load * scale**rises]))
        try:
            point = operating_point(at, guess[-1] if guess else None)
        except UnreachableOutputError:
            return BEYOND
        guess.append(point.sequence)
        least = float(point.duty[0]) / shortest - 1.0 if shortest else np.inf
        if limits.lowest is not None and limits.lowest > 0.0:
            least = min(least, float(point.trim[0]) / limits.lowest - 1.0)
        return max(least, float(point.duty[0]) / opened.max_duty - 1.0)

    try:
        low, high = 1.0, 1.0
        for _ in range(RISING_STEPS):
            if missing(high) >= 0.0:
                break
            low, high = high, high * STRIDE
        else:
            return float(np.inf)
        scale = float(brentq(missing, low, high, rtol=CLOSE)) if high > low else 1.0
        if missing(scale * (1.0 + BESIDE)) >= BEYOND and missing(scale * (1.0 - BESIDE)) < -STEADY:
            return None  # the highest output, at a smaller duty than the largest: it does not rest there
    except (ConvergenceError, ValueError, *BREAKDOWN):
        return None
    return float(np.ravel(opened.load_voltage)[0]) * scale


def light_loads(
    case: cases.Case,
    conditions: Corners,
    converter: Converter,
    point: OperatingPoint,
    judged: tuple[Verdict, ...],
    parts: Mapping[str, float],
) -> tuple[LightLoad | None, ...]:
    """Find out what the converter does at corners whose load needs less than a pulse every period.

    Parameters
    ----------
    case, conditions
        The case, and its corners (B,).
    converter
        The power stage there, loop open.
    point, judged
        Operating points of the closed loop and their verdicts.
    parts
        Compensation parts by designator [ohm], [F].

    Returns
    -------
    tuple of LightLoad or None
        One per corner: None where a pulse every period regulates, where something else than the least pulse forbids
        it, and where the converter neither skips pulses nor lets its output rise.
    """
    too_much = [_gives_too_much(v.held, point, k, limits_at(case, conditions, k)) for k, v in enumerate(judged)]
    if not any(too_much):
        return (None,) * len(judged)
    closed = converter.closed(compensation(case, parts, conditions))
    return tuple(
        light_load(closed, point, item, limits_at(case, conditions, item), converter) if too_much[item] else None
        for item in range(len(judged))
    )


def _gives_too_much(held: str | None, point: OperatingPoint, item: int, limits: ControlLimits) -> bool:
    """Whether what forbids an operating point is that the least pulse brings too much."""
    if held != "clamp" or limits.lowest is None:
        return held == "minimum on-time"
    voltage = trip_voltage(point, item)
    return limits.highest is None or voltage - limits.lowest < limits.highest - voltage
