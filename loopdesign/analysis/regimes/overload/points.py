"""Points of an output characteristic: whether orbits are kept and stable, their power, and what stepping shows."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.analysis.regimes.overload.ceiling import CLAMP, CURRENT, DUTY, ENDED, FAILURES, SHORTEST, Ceiling
from loopdesign.analysis.regimes.overload.power import power
from loopdesign.analysis.regimes.overload.string import load_line, load_point, moved_to, string_knee
from loopdesign.corners.trouble import strict
from loopdesign.errors import ConvergenceError
from loopdesign.models.switched import linearise
from loopdesign.network.batch import take
from loopdesign.network.modulator import PeakCurrentMode, VoltageMode
from loopdesign.orbit.holding import KEPT, WORDS, Bounds, held
from loopdesign.orbit.operating_point import operating_point
from loopdesign.orbit.stepping.cycle import CycleStepper
from loopdesign.orbit.stepping.devices import ControlLimits, Devices

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from loopdesign.network.converter import Converter
    from loopdesign.orbit.problem import OperatingPoint

ROUND, ROUNDS, ALIKE = 200, 20, 3
"""Cycles over which the output of a converter is averaged while it is stepped, how often at most, and how many of these
means have to be alike."""
STEADY = 1e-3
"""Relative spread of them below which the run has come to rest."""
KICK = 0.98
"""Share of the orbit's state at which a run begins: an orbit that grows slowly would not be left from its own state."""
FAR = 10.0
"""Control voltage over all that the comparator needs, where nothing but the current limit bounds it [unitless]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OverloadPoint:
    """One point of an output characteristic.

    Attributes
    ----------
    output_voltage_v, output_current_a : float
        Averages at the load [V], [A].
    ended : str
        What ends the on-time: ``current limit``, ``clamp``, ``largest duty``, ``shortest pulse``; ``stepped`` where
        there is no orbit.
    duty : float
        On-time over period [unitless].
    stable : bool or None
        Whether the orbit is kept and its multipliers, the controller being at its limit, lie inside the unit circle;
        None where there is no orbit and the converter was stepped only.
    held : str or None
        Why the converter does not stay on the orbit; None where it does.
    largest_multiplier : float or None
        Largest size of a multiplier [unitless].
    input_power_w, loss_w, switch_peak_a : float or None
        Power from the source and lost in the stage [W], largest current of the switch [A].
    energy_error : float or None
        Share of the input power that is neither delivered nor lost [unitless].
    outputs : mapping of str to float
        Averages of the outputs that are not regulated, by name [V]; empty where there are none or it was stepped.
    stepped_voltage_v, stepped_current_a : float or None
        Averages at the load with the converter stepped [V], [A], where the orbit is not kept or not stable.
    """

    output_voltage_v: float
    output_current_a: float
    ended: str
    duty: float
    stable: bool | None
    held: str | None = None
    largest_multiplier: float | None = None
    input_power_w: float | None = None
    loss_w: float | None = None
    switch_peak_a: float | None = None
    energy_error: float | None = None
    outputs: Mapping[str, float] = field(default_factory=dict)
    stepped_voltage_v: float | None = None
    stepped_current_a: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Turn the point into plain numbers and words, ready for JSON.

        Returns
        -------
        dict
            Every field, in SI units.
        """
        return {name: getattr(self, name) for name in self.__dataclass_fields__} | {"outputs": dict(self.outputs)}


def judged_points(
    ceiling: Ceiling, item: int, loads: NDArray[np.float64], duties: NDArray[np.float64], top: float
) -> Iterator[OverloadPoint]:
    """Judge the orbits of one input voltage at given loads and duties.

    Parameters
    ----------
    ceiling : Ceiling
        Converters at their limit.
    item : int
        Which of them [unitless].
    loads, duties : ndarray (S,)
        Measure of the load [A at the regulated output] and on-time over period [unitless].
    top : float
        Duty that no comparator ends: the largest one, that of a clamp in voltage mode, or of the shortest pulse; NaN
        where there is none [unitless].

    Yields
    ------
    OverloadPoint
        One for each that can be followed.
    """
    fixed = np.asarray(duties == top)
    for kind in (True, False):
        here = np.flatnonzero(fixed == kind)
        if not len(here):
            continue
        try:
            with strict():
                found = _judged(ceiling, item, loads[here], duties[here], fixed=kind)
        except FAILURES:
            found = _one_by_one(ceiling, item, loads[here], duties[here], fixed=kind)
        yield from found


def _one_by_one(
    ceiling: Ceiling, item: int, loads: NDArray[np.float64], duties: NDArray[np.float64], *, fixed: bool
) -> list[OverloadPoint]:
    """Judge orbits each by itself, those left out that cannot be followed."""
    found = []
    for k in range(len(loads)):
        try:
            with strict():
                found += _judged(ceiling, item, loads[k : k + 1], duties[k : k + 1], fixed=fixed)
        except FAILURES:
            continue
    return found


def _judged(
    ceiling: Ceiling, item: int, loads: NDArray[np.float64], duties: NDArray[np.float64], *, fixed: bool
) -> list[OverloadPoint]:
    """Judge orbits together."""
    items = np.full(len(loads), item)
    found = ceiling.orbits(items, loads, duties)
    at = ceiling.at(items, loads)
    there = moved_to(at, found.output)
    converter, ended = there, [ENDED[int(k)] for k in found.ended]
    bounds = Bounds(current_limit=_limit(ceiling, item), armed=ceiling.bounds.armed)
    if fixed:
        ended = [_end_of_fixed(ceiling, float(d)) for d in duties]
        converter = replace(there, modulator=VoltageMode(ramp=1.0), turn_off_delay=0.0, blanking=0.0)
    elif set(ended) == {ENDED[CURRENT]} and isinstance(there.modulator, PeakCurrentMode):
        converter = replace(there, modulator=replace(there.modulator, slope=np.zeros(len(loads))))
        bounds = Bounds(armed=ceiling.bounds.armed)
    elif len(set(ended)) > 1:
        return _one_by_one(ceiling, item, loads, duties, fixed=fixed)
    point = operating_point(converter, found.opened if fixed else found.sequence)
    largest = np.abs(linearise(point).multipliers).max(axis=1)
    codes = np.full(len(loads), KEPT) if fixed else held(point, bounds)
    spent = power(converter, point)
    voltage, current = load_point(there, found.output)
    shortest = fixed and ended[0] == ENDED[SHORTEST]
    judged = []
    for k in range(len(loads)):
        stable = bool(codes[k] == KEPT and largest[k] < 1.0)
        run: tuple[float | None, float | None] = (None, None)
        if not stable and not shortest:
            run = _stepped(ceiling, item, take(there, np.array([k]), len(loads)), point.take(np.array([k])))
        judged.append(
            OverloadPoint(
                output_voltage_v=float(voltage[k]), output_current_a=float(current[k]), ended=ended[k],
                duty=float(point.duty[k]), stable=stable, held=WORDS[codes[k]], largest_multiplier=float(largest[k]),
                input_power_w=float(spent.input_power_w[k]), loss_w=float(spent.loss_w[k]),
                switch_peak_a=float(spent.switch_peak_a[k]), energy_error=float(spent.missing[k]),
                outputs={name: float(v[k]) for name, v in spent.further_v.items()},
                stepped_voltage_v=run[0], stepped_current_a=run[1],
            )
        )  # fmt: skip
    return judged


def _limit(ceiling: Ceiling, item: int) -> float | None:
    """Return the current limit of one converter [V]."""
    return _of(ceiling.bounds.current_limit, item)


def _of(value: float | NDArray[np.float64] | None, item: int) -> float | None:
    """Value of one converter where each has its own."""
    if value is None:
        return None
    values = np.ravel(value)
    return float(values[item] if len(values) > 1 else values[0])


def _end_of_fixed(ceiling: Ceiling, duty: float) -> str:
    """Say what holds a duty that no comparator ends."""
    if duty <= ceiling.shortest * (1.0 + STEADY):
        return ENDED[SHORTEST]
    modulator, most = ceiling.converter.modulator, ceiling.converter.max_duty
    clamped = isinstance(modulator, VoltageMode) and duty < most * (1.0 - STEADY)
    return ENDED[CLAMP if clamped else DUTY]


def stepped_point(ceiling: Ceiling, item: int, load: float, duty: float) -> OverloadPoint | None:
    """Step the converter at a load where the controller cannot limit the current.

    Parameters
    ----------
    ceiling : Ceiling
        Converters at their limit.
    item : int
        Which of them [unitless].
    load : float
        Measure of the load [A at the regulated output].
    duty : float
        Duty to begin from [unitless].

    Returns
    -------
    OverloadPoint or None
        Without an orbit; None where the run does not come to rest.
    """
    one = np.array([item])
    at = ceiling.at(one, np.array([load]))
    try:
        with strict():
            found = ceiling.orbits(one, np.array([load]), np.array([duty]))
            there = moved_to(at, found.output)
            point = operating_point(there, found.sequence)
            voltage, current = _stepped(ceiling, item, there, point)
    except FAILURES:
        return None
    if voltage is None or current is None:
        return None
    return OverloadPoint(
        output_voltage_v=voltage, output_current_a=current, ended="stepped", duty=duty, stable=None,
        stepped_voltage_v=voltage, stepped_current_a=current,
    )  # fmt: skip


def _stepped(ceiling: Ceiling, item: int, one: Converter, point: OperatingPoint) -> tuple[float | None, float | None]:
    """Mean load voltage [V] and current [A] of the converter stepped with its controller at the limit.

    Both None where it does not come to rest; the current alone where the load falls below its knee within the period.
    """
    inputs = dict(zip(point.network.inputs, point.inputs[0], strict=True))
    highest, limit = _of(ceiling.bounds.highest, item), _limit(ceiling, item)
    limits = ControlLimits(
        current_limit=limit,
        min_on_time=ceiling.bounds.armed * one.period + one.turn_off_delay if ceiling.bounds.armed else 0.0,
    )
    inputs["control"] = FAR * (1.0 + abs(float(point.trim[0])) + (limit or 0.0)) if highest is None else highest
    knee = string_knee(one)
    stepper = CycleStepper(one, inputs, limits, knee=knee)
    conducts = point.problem.devices.mask(int(point.sequence.configuration[0, -1]))
    x, devices = KICK * point.start[0], Devices(switch=False, diode=conducts)
    drop, resistance = (float(v[0]) for v in load_line(one))
    means: list[float] = []
    try:
        while len(means) < ROUNDS:
            mean, lowest = 0.0, np.inf
            for _ in range(ROUND):
                cycle = stepper.cycle(x, devices)
                x, devices = cycle.x, cycle.devices
                mean, lowest = mean + cycle.mean / ROUND, min(lowest, cycle.lowest)
            means.append(mean)
            rest = _at_rest(means, drop)
            if rest is not None:
                mean = rest
                bent = knee is not None and lowest < knee.threshold
                return mean, None if bent else (mean - drop) / resistance
    except ConvergenceError:
        pass
    return None, None


def _at_rest(means: list[float], drop: float) -> float | None:
    """Mean [V] of a run that has come to rest; None of one that has not.

    The last rounds are alike; or the second half of them scatters about a mean that is known closely enough and is that
    of their first half, as with an orbit that wanders. Of a load with a drop its current counts too.
    """
    last = float(np.mean(means[-ALIKE:]))
    allowed = min(STEADY * abs(last), 10.0 * STEADY * abs(last - drop))
    if len(means) >= ALIKE and np.ptp(means[-ALIKE:]) <= allowed:
        return last
    half = len(means) // 2
    if half < ALIKE:
        return None
    first, second = np.array(means[len(means) - 2 * half : -half]), np.array(means[-half:])
    error = float(second.std(ddof=1)) / np.sqrt(half)
    wanders = error <= 2.0 * allowed and abs(first.mean() - second.mean()) <= 3.0 * error
    return float(second.mean()) if wanders else None
