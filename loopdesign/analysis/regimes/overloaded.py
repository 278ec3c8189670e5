"""Points of an output characteristic: whether orbits are kept and stable, their power, and what stepping shows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.analysis.regimes.ceiling import CLAMP, CURRENT, DUTY, ENDED, FAILURES, Ceiling
from loopdesign.analysis.regimes.power import power
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
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from loopdesign.network.converter import Converter
    from loopdesign.orbit.problem import OperatingPoint

ROUND, ROUNDS = 200, 20
"""Cycles over which the output of a converter is averaged while it is stepped, and how often at most."""
STEADY = 1e-3
"""Change of that mean from one round to the next, relative, below which the run has come to rest."""
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
        What ends the on-time: ``current limit``, ``clamp``, ``largest duty``; ``stepped`` where there is no orbit.
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
    stepped_voltage_v: float | None = None
    stepped_current_a: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Turn the point into plain numbers and words, ready for JSON.

        Returns
        -------
        dict
            Every field, in SI units.
        """
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


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
        Load at the regulated output [A] and on-time over period [unitless].
    top : float
        Duty that nothing but the largest duty, or a clamp in voltage mode, gives; NaN where there is none [unitless].

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
    resistance = at.load_voltage / loads
    current = found.output / (resistance + _behind(at))
    there = replace(at, output_voltage=found.output, load_current=current)
    converter, ended = there, [ENDED[int(k)] for k in found.ended]
    bounds = Bounds(current_limit=ceiling.bounds.current_limit, armed=ceiling.bounds.armed)
    if fixed:
        clamped = isinstance(at.modulator, VoltageMode) and bool(duties[0] < at.max_duty * (1.0 - STEADY))
        ended = [ENDED[CLAMP if clamped else DUTY]] * len(loads)
        converter = replace(there, modulator=VoltageMode(ramp=1.0), turn_off_delay=0.0, blanking=0.0)
    elif set(ended) == {ENDED[CURRENT]} and isinstance(there.modulator, PeakCurrentMode):
        converter = replace(there, modulator=replace(there.modulator, slope=np.zeros(len(loads))))
        bounds = Bounds(armed=ceiling.bounds.armed)
    elif len(set(ended)) > 1:
        return _one_by_one(ceiling, item, loads, duties, fixed=fixed)
    point = operating_point(converter, None if fixed else found.sequence)
    largest = np.abs(linearise(point).multipliers).max(axis=1)
    codes = np.full(len(loads), KEPT) if fixed else held(point, bounds)
    spent = power(converter, point)
    judged = []
    for k in range(len(loads)):
        stable = bool(codes[k] == KEPT and largest[k] < 1.0)
        mean = None if stable else _stepped(ceiling, take(there, np.array([k]), len(loads)), point.take(np.array([k])))
        judged.append(
            OverloadPoint(
                output_voltage_v=float(current[k] * resistance[k]), output_current_a=float(current[k]), ended=ended[k],
                duty=float(point.duty[k]), stable=stable, held=WORDS[codes[k]], largest_multiplier=float(largest[k]),
                input_power_w=float(spent.input_power_w[k]), loss_w=float(spent.loss_w[k]),
                switch_peak_a=float(spent.switch_peak_a[k]), energy_error=float(spent.missing[k]),
                stepped_voltage_v=mean, stepped_current_a=None if mean is None else mean / float(resistance[k]),
            )
        )  # fmt: skip
    return judged


def stepped_point(ceiling: Ceiling, item: int, load: float, duty: float) -> OverloadPoint | None:
    """Step the converter at a load where the controller cannot limit the current.

    Parameters
    ----------
    ceiling : Ceiling
        Converters at their limit.
    item : int
        Which of them [unitless].
    load : float
        Load [A at the regulated output].
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
            there = replace(
                at, output_voltage=found.output, load_current=found.output / (at.load_voltage / load + _behind(at))
            )
            point = operating_point(there, found.sequence)
            mean = _stepped(ceiling, there, point)
    except FAILURES:
        return None
    if mean is None:
        return None
    current = mean / (float(at.load_voltage[0]) / load)
    return OverloadPoint(
        output_voltage_v=mean, output_current_a=current, ended="stepped", duty=duty, stable=None,
        stepped_voltage_v=mean, stepped_current_a=current,
    )  # fmt: skip


def _behind(at: Converter) -> NDArray[np.float64]:
    """Resistance between the regulated node and the load (B,) [ohm]."""
    behind = at.filter_resistance if at.sense == "before" and at.output_filter else 0.0
    return np.broadcast_to(np.asarray(behind, float), at.input_voltage.shape)


def _stepped(ceiling: Ceiling, converter: Converter, point: OperatingPoint) -> float | None:
    """Mean load voltage [V] of the converter stepped with its controller at the limit; None where it does not rest."""
    one = take(converter, np.array([0]), 1)
    inputs = dict(zip(point.network.inputs, point.inputs[0], strict=True))
    highest, limit = ceiling.bounds.highest, ceiling.bounds.current_limit
    limits = ControlLimits(
        current_limit=None if limit is None else float(np.ravel(limit)[0]),
        min_on_time=ceiling.bounds.armed * one.period + one.turn_off_delay if ceiling.bounds.armed else 0.0,
    )
    most = FAR * (1.0 + abs(float(point.trim[0])) + (limits.current_limit or 0.0))
    inputs["control"] = most if highest is None else float(np.ravel(highest)[0])
    stepper = CycleStepper(one, inputs, limits)
    conducts = point.problem.devices.mask(int(point.sequence.configuration[0, -1]))
    x, devices = point.start[0], Devices(switch=False, diode=conducts)
    before = np.nan
    try:
        for _ in range(ROUNDS):
            mean = 0.0
            for _ in range(ROUND):
                cycle = stepper.cycle(x, devices)
                x, devices = cycle.x, cycle.devices
                mean += cycle.mean / ROUND
            if abs(mean - before) <= STEADY * abs(mean):
                return mean
            before = mean
    except ConvergenceError:
        return None
    return None
