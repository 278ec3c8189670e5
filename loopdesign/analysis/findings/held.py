"""What a converter does where it does not stay at its operating point, found by stepping it from there."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.findings.corner import corner_name
from loopdesign.analysis.findings.pull_up import beyond_the_pull_up
from loopdesign.corners.controller import limits_at
from loopdesign.corners.converters import compensation
from loopdesign.errors import ConvergenceError
from loopdesign.network.batch import take
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.orbit.holding import trip_voltage
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.regimes.light import LightLoad
    from loopdesign.corners.conditions import Corners
    from loopdesign.models.verdict import Verdict
    from loopdesign.network.converter import Converter
    from loopdesign.orbit.problem import OperatingPoint
    from loopdesign.orbit.stepping.devices import ControlLimits, Cycle

WHY = {
    "comparator": "the comparator trips before the on-time that the output needs is over",
    "minimum on-time": "the output needs a shorter on-time than the controller can make",
    "current limit": "the output needs a higher current than the current limit lets through",
    "clamp": "the output needs a control voltage that the clamp does not let through",
    "pull-up": "the output needs a control voltage that the optocoupler and its pull-up cannot deliver",
}
"""What each word of a verdict that is not held means."""
FOLLOWED, LOOKED_AT = 600, 128
"""Cycles that a converter is stepped, and the last of them that are looked at."""
SAME = 1e-6
"""On-times [periods] and outputs (relative) that count as equal."""
SHIFTED = 0.02
"""Share by which the mean output must differ from its target to be told."""
RUN_AWAY = 100.0
"""Outputs per target from which a converter counts as running away: its parts are not meant for anything like it."""
LINEAR = 2.0
"""Outputs per target at which a load of constant power, taken as linear about its operating point, draws nothing."""
AT = {
    "minimum on-time": "at the shortest pulse",
    "current limit": "at the current limit",
    "largest duty": "at the largest duty",
}
"""How the on-time ends, where most cycles end so."""
LONGEST_PATTERN = 16
"""Longest repetition [cycles] that is called one."""


def not_held(
    case: cases.Case,
    conditions: Corners,
    converter: Converter,
    point: OperatingPoint,
    judged: tuple[Verdict, ...],
    parts: Mapping[str, float] | None = None,
    names: Sequence[str] | None = None,
    found: Sequence[LightLoad | None] | None = None,
) -> tuple[str, ...]:
    """Say which operating points the converter does not stay at, why, and what it does instead.

    Parameters
    ----------
    case, conditions
        The case, and its corners (B,).
    converter
        The power stage there, loop open.
    point, judged
        Its operating points and their verdicts: of the closed loop where there is one.
    parts
        Compensation parts by designator [ohm], [F]; None without a loop.
    names
        What each corner is called (B,); line and load unless given.
    found
        What was found about corners whose load needs less than a pulse every period (B,).

    Returns
    -------
    tuple of str
        One sentence per corner that is not held.
    """
    told = []
    voltage = np.broadcast_to(converter.load_voltage, (len(judged),))
    for item, verdict in enumerate(judged):
        if verdict.held is None:
            continue
        place = corner_name(conditions, item) if names is None else names[item]
        light = None if found is None else found[item]
        if light is not None:
            told.append(f"{place}: {WHY[verdict.held]}; {light.sentence(float(voltage[item]))}")
            continue
        stepped = converter if parts is None else converter.closed(compensation(case, parts, conditions))
        why = WHY[verdict.held]
        if verdict.held == "pull-up":
            why += f": {beyond_the_pull_up(case, conditions, item, trip_voltage(point, item))}"
        what = instead(stepped, point, item, limits_at(case, conditions, item))
        told.append(f"{place}: {why}; {what}")
    return tuple(told)


def with_regimes(judged: tuple[Verdict, ...], found: tuple[LightLoad | None, ...]) -> tuple[Verdict, ...]:
    """Add to verdicts (B,) what was found about loads that need less than a pulse every period (B,).

    Parameters
    ----------
    judged : tuple of Verdict
        One per corner.
    found : tuple of LightLoad or None
        The same; empty where nothing was looked for.

    Returns
    -------
    tuple of Verdict
        The same, each with its regime.
    """
    return tuple(
        verdict if light is None else replace(verdict, regime=light.regime)
        for verdict, light in zip(judged, found or (None,) * len(judged), strict=True)
    )


def instead(converter: Converter, point: OperatingPoint, item: int, limits: ControlLimits) -> str:
    """Say in a clause what one operating point's converter does instead of staying there.

    Parameters
    ----------
    converter
        Batch of converters, loop open or closed.
    point
        Its operating points.
    item
        Which of them [unitless].
    limits
        What bounds the controller.

    Returns
    -------
    str
        A clause such as "it skips 1 of every 2 pulses".
    """
    # only what is not held is stepped: most checks load none of this
    from loopdesign.orbit.stepping.cycle import CycleStepper  # noqa: PLC0415
    from loopdesign.orbit.stepping.devices import Devices  # noqa: PLC0415

    one = take(converter, np.array([item]), len(point))
    inputs = dict(zip(point.network.inputs, point.inputs[item], strict=True))
    stepper = CycleStepper(one, inputs, limits)
    conducts = point.problem.devices.mask(int(point.sequence.configuration[item, -1]))
    x, devices = point.start[item], Devices(switch=False, diode=conducts)
    done: list[Cycle] = []
    try:
        for _ in range(FOLLOWED):
            cycle = stepper.cycle(x, devices)
            x, devices = cycle.x, cycle.devices
            done.append(cycle)
    except ConvergenceError:
        return "its devices chatter"
    except BREAKDOWN:  # too large to compute with
        x = np.full(len(x), np.inf)
    target = float(np.ravel(one.load_voltage)[0])
    share = np.array([c.mean for c in done]) / target
    beyond = ~((share > 0.0) & (share < LINEAR))
    if one.load == "power" and beyond.any():
        how = "rises to twice its target, beyond which" if share[np.argmax(beyond)] > 0.0 else "collapses, where"
        return f"its output {how} a load of constant power is not modelled"
    if not np.isfinite(x).all() or not abs(share[-1]) < RUN_AWAY:
        return "it runs away"
    return described(done[-LOOKED_AT:], target)


def described(cycles: list[Cycle], target: float) -> str:
    """Describe cycles in a clause.

    Parameters
    ----------
    cycles : list of Cycle
        The last cycles of a run.
    target : float
        Mean output that was asked for [V].

    Returns
    -------
    str
        Such as "it skips 1 of every 2 pulses".
    """
    ended = Counter(c.ended for c in cycles)
    duty = np.array([c.duty for c in cycles])
    length = _repetition(duty)
    skipped = ended["skipped"]
    clauses = []
    if skipped:
        if length:
            clauses.append(f"it skips {round(skipped * length / len(cycles))} of every {length} pulses")
        else:
            clauses.append(f"it skips {100 * skipped // len(cycles)} % of its pulses, without a pattern")
    elif length > 1:
        low, high = (f"{d:.3g}" for d in (duty.min(), duty.max()))
        span = f"from {low} to {high}" if low != high else f"all about {low}"
        clauses.append(f"its on-times repeat every {length} periods, {span}")
    elif not length:
        low, high = (f"{d:.3g}" for d in (duty.min(), duty.max()))
        wander = f"its on-times wander between {low} and {high} without a pattern"
        clauses.append(wander if low != high else f"its duty stays about {low}")
    else:
        clauses.append(f"it settles at a duty of {duty[-1]:.4g}")
    mostly, times = ended.most_common(1)[0]
    if mostly in AT and times > len(cycles) // 2:
        clauses.append(AT[mostly])
    mean = float(np.mean([c.mean for c in cycles[-(length or len(cycles)) :]]))
    if abs(mean - target) > SHIFTED * abs(target):
        clauses.append(f"with an output of {format_quantity(mean, 'V')}")
    return " ".join(clauses)


def _repetition(duty: NDArray[np.float64]) -> int:
    """Count the cycles after which on-times repeat, zero where they do not."""
    for length in range(1, LONGEST_PATTERN + 1):
        if np.all(np.abs(duty[length:] - duty[:-length]) < SAME):
            return length
    return 0
