"""Where a run begins, and what its inputs do: the ramp of the reference, or the line that drops out and returns.

The reference of a start is the voltage of a capacitor that a constant current charges: a true straight line, which the
exact motion between edges follows like any other state. A ramp whose length is no whole number of periods ends with a
last period of a smaller slope.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from loopdesign.analysis.transient.run import from_point
from loopdesign.errors import DataError
from loopdesign.network.elements import GROUND, Capacitor, CurrentSource, VoltageSource
from loopdesign.orbit.stepping.cycle import CycleStepper
from loopdesign.orbit.stepping.devices import Devices
from loopdesign.orbit.stepping.energy import Ledger
from loopdesign.orbit.stepping.knee import load_knee

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.network.converter import Converter
    from loopdesign.network.elements import Element
    from loopdesign.orbit.problem import OperatingPoint
    from loopdesign.orbit.stepping.devices import ControlLimits

RiseKind = Literal["start", "dropout"]
RAMP_CAPACITANCE = 1e-3
"""Capacitance that holds the rising reference [F]: nothing draws from it, so its size only scales a state."""
RAMP = "soft start"
"""Name of the current that charges it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A run before its first clock.

    Attributes
    ----------
    stepper
        The closed loop.
    begin
        Normalised state (n,) [unitless] and devices before the first clock.
    profile
        From the number of a cycle to the inputs that change with it, by name [V], [A].
    changed
        Cycle at which all inputs have come to their final values [unitless].
    """

    stepper: CycleStepper
    begin: tuple[NDArray[np.float64], Devices]
    profile: Mapping[int, Mapping[str, float]]
    changed: int


def planned(
    case: cases.Case,
    kind: RiseKind,
    converter: Converter,
    point: OperatingPoint,
    *,
    limits: ControlLimits,
    probes: tuple[str, ...],
) -> Plan:
    """Prepare a start-up or a drop-out of the line.

    Parameters
    ----------
    case : Case
        The case.
    kind : {"start", "dropout"}
        Which.
    converter : Converter
        Closed loop, a batch of one.
    point : OperatingPoint
        Its operating point, which the run leads to.
    limits : ControlLimits
        What bounds the controller.
    probes : tuple of str
        Currents that shall be watched.

    Returns
    -------
    Plan
        The run before its first clock.

    Raises
    ------
    DataError
        Where the case has no drop-out to make.
    """
    watched = (*probes, *Ledger(converter).probes)
    values = dict(zip(point.network.inputs, (float(v) for v in point.inputs[0]), strict=True))
    if kind == "start":
        return _start(case, converter, values, limits, watched)
    gap = case.specification.line_dropout
    if gap is None:
        raise DataError(f"{case.where('specification')}: there is no line_dropout to make")
    stepper = CycleStepper(converter, values, limits, probes=watched, knee=load_knee(converter))
    count = max(1, round(gap.for_ / float(stepper.converter.period)))
    changes = {0: {"line": gap.to}, count: {"line": values["line"]}}
    return Plan(stepper=stepper, begin=from_point(point), profile=changes, changed=count)


def _start(
    case: cases.Case, converter: Converter, values: dict[str, float], limits: ControlLimits, watched: tuple[str, ...]
) -> Plan:
    """Begin with everything discharged and the controller awake: a period without line or reference sets its clamp."""
    final, over = values["reference"], getattr(case.error_amplifier, "soft_start", 0.0) / converter.period
    count = int(np.ceil(over - 1e-9))
    dark = values | {"line": 0.0, "reference": 0.0, RAMP: 0.0}
    knee = load_knee(converter)
    stepper = CycleStepper(_ramped(converter) if count else converter, dark, limits, probes=watched, knee=knee)
    nothing = Devices(switch=False, diode=0, load=0 if knee else 1)
    cycle = stepper.cycle(np.zeros(len(stepper.states)), nothing)
    full = RAMP_CAPACITANCE * final / converter.period
    changes: dict[int, dict[str, float]] = {0: {"line": values["line"], "reference": final}}
    if count:
        changes[0] |= {RAMP: full / over if count > 1 else full}
        if count > 1:
            changes |= {count - 1: {RAMP: full * (1.0 - (count - 1) / over)}}
        changes |= {count: {RAMP: 0.0}}
    return Plan(
        stepper=stepper, begin=(cycle.x, cycle.devices), profile=changes, changed=count
    )  # fmt: skip


def _ramped(converter: Converter) -> Converter:
    """Put a capacitor and the current that charges it in the place of the reference."""
    parts: list[Element] = []
    for part in converter.compensation or ():
        if isinstance(part, VoltageSource) and part.name == "reference":
            parts.append(Capacitor(name="rising reference", a=part.a, b=GROUND, capacitance=RAMP_CAPACITANCE))
            parts.append(CurrentSource(name=RAMP, a=GROUND, b=part.a))
        else:
            parts.append(part)
    return replace(converter, compensation=tuple(parts))
