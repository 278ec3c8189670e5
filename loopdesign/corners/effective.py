"""What each part is worth at each corner, for the report; and where a curve had to be read beyond its end."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign import case as cases
from loopdesign.case.tables.custom import CouplingElement, RectifierElement, ResistorElement, SwitchElement
from loopdesign.compensation.compensator import ShuntOptocoupler, TransconductanceAmplifier
from loopdesign.corners.conditions import capacitor_value, inductor_value
from loopdesign.corners.converters import amplifier, averages, modulator, reference_factor
from loopdesign.corners.custom.elements import custom_values, drop
from loopdesign.corners.power_stage import CAUSES, capacitors, inductors, stage_values
from loopdesign.network.elements import Coupling, Diode, Resistor, Switch
from loopdesign.network.modulator import PeakCurrentMode
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from loopdesign.corners.conditions import Corners, Value
    from loopdesign.orbit.problem import OperatingPoint
    from loopdesign.orbit.waveforms import Waveforms

_HOMES = {"Lf": "input_filter.L", "Cf": "input_filter.C", "Lof": "output_filter.L", "Cof": "output_filter.C"}
"""Name of a part for a person, where the netlist has another."""
_SAME = 1e-12
"""Share by which a value may miss the given one and still be it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EffectiveValue:
    """One value of one part as it is at each corner.

    Attributes
    ----------
    part, quantity
        Designator and what of it: ``Cs``, ``capacitance``.
    unit
        Unit of the values.
    given
        Value in the case file, of one part where several lie in parallel.
    values
        (B,) what the converter has at each corner: bias, current, temperature, tolerance and number of parts counted.
    """

    part: str
    quantity: str
    unit: str
    given: float
    values: NDArray[np.float64]


def effective_values(case: cases.Case, corners: Corners, point: OperatingPoint) -> tuple[EffectiveValue, ...]:
    """List every value that is not everywhere the one in the case file.

    Parameters
    ----------
    case
        The case.
    corners
        Operating conditions (B,).
    point
        Their operating points.

    Returns
    -------
    tuple of EffectiveValue
        Power stage first, then filters, then control; empty where every part is as given at every corner.
    """
    bias = averages(case, point)
    rows = [*_inductors(case, corners, bias), *_capacitors(case, corners, bias), *_devices(case, corners)]
    rows += _control(case, corners)
    found = []
    for part, quantity, unit, given, value in rows:
        values = np.broadcast_to(np.asarray(value, float), (len(corners),))
        if np.any(np.abs(values - given) > _SAME * abs(given)):
            found.append(EffectiveValue(part=part, quantity=quantity, unit=unit, given=given, values=values))
    return tuple(found)


def beyond_curves(case: cases.Case, point: OperatingPoint, waves: Waveforms) -> tuple[str, ...]:
    """Tell of parts whose bias or peak current lies beyond the last point of their curve.

    Parameters
    ----------
    case
        The case.
    point
        Operating points.
    waves
        One period of every current and voltage there.

    Returns
    -------
    tuple of str
        One sentence for each such part, with the furthest value; the curve's last point has been used.
    """
    return (*_beyond_bias_curves(case, point), *beyond_current_curves(case, waves))


def _beyond_bias_curves(case: cases.Case, point: OperatingPoint) -> tuple[str, ...]:
    """Tell of capacitors whose bias lies beyond the last point of their curve, one sentence each."""
    bias = averages(case, point)
    told = []
    for name, part in capacitors(case).items():
        if part.bias_curve is not None and bias[name].max() > part.bias_curve[-1][0]:
            most, end = (format_quantity(v, "V", 4) for v in (bias[name].max(), part.bias_curve[-1][0]))
            told.append(
                f"{_HOMES.get(name, name)}: its bias reaches {most}, beyond the end of bias_curve at {end}; "
                "the last point is used"
            )
    return tuple(told)


def beyond_current_curves(case: cases.Case, waves: Waveforms) -> tuple[str, ...]:
    """Tell of inductors whose peak current lies beyond the last point of their curve: there nothing is known of them.

    Parameters
    ----------
    case
        The case.
    waves
        One period of every current and voltage (B,).

    Returns
    -------
    tuple of str
        One sentence for each such part; figures that rest on it are not to be trusted.
    """
    told = []
    for name, coil in inductors(case).items():
        if coil.current_curve is None:
            continue
        peak = float(np.abs(waves.values[:, waves.names.index(f"i({name})")]).max())
        if peak > coil.current_curve[-1][0]:
            most, end = format_quantity(peak, "A"), format_quantity(coil.current_curve[-1][0], "A")
            told.append(
                f"{_HOMES.get(name, name)}: its peak current of {most} lies beyond the end of current_curve at {end}; "
                "the inductance there is not known, so that the figures are not to be trusted"
            )
    return tuple(told)


_Row = tuple[str, str, str, float, "Value"]


def _inductors(case: cases.Case, corners: Corners, bias: Mapping[str, NDArray[np.float64]]) -> Iterator[_Row]:
    """Yield inductance and resistance of every inductor."""
    parts = [(name, name, CAUSES.get(name, name), part) for name, part in inductors(case).items()]
    if case.input_filter is not None and case.input_filter.choke_leakage is not None:
        parts.append(("input_filter.choke_leakage", "Lf", "filter.leakage", case.input_filter.choke_leakage))
    for shown, name, cause, part in parts:
        value = inductor_value(part, name, corners, bias, cause=cause)
        home = _HOMES.get(shown, shown)
        yield home, "inductance", "H", part.inductance, value.inductance
        yield home, "resistance", "ohm", part.resistance, value.resistance


def _capacitors(case: cases.Case, corners: Corners, bias: Mapping[str, NDArray[np.float64]]) -> Iterator[_Row]:
    """Yield capacitance and series resistance of every capacitor."""
    for name, part in capacitors(case).items():
        value = capacitor_value(part, name, corners, bias, cause=CAUSES.get(name, name))
        home = _HOMES.get(name, name)
        yield home, "capacitance", "F", part.capacitance, value.capacitance
        yield home, "esr", "ohm", part.esr, value.esr


def _devices(case: cases.Case, corners: Corners) -> Iterator[_Row]:
    """Yield the values of switch and diode, of a coupling and of a secondary winding."""
    if isinstance(case.stage, cases.CustomStage):
        yield from _own_devices(case.stage, corners)
        return
    stage, values = case.stage, stage_values(case, corners, {})
    yield "switch", "resistance", "ohm", stage.switch.resistance, values.switch_resistance
    if stage.diode is not None:
        yield "diode", "drop", "V", stage.diode.drop, values.diode_drop
        yield "diode", "resistance", "ohm", stage.diode.resistance, values.diode_resistance
    if isinstance(stage, cases.TwoInductorStage):
        yield "stage", "coupling", "", stage.coupling.nominal, values.coupling
        if stage.damper is not None and values.damper is not None:
            yield "damper", "resistance", "ohm", stage.damper.resistance, values.damper.resistance
            yield "damper", "capacitance", "F", stage.damper.capacitance, values.damper.capacitance
    if isinstance(stage, cases.FlybackStage):
        yield "stage", "secondary_resistance", "ohm", stage.secondary_resistance, values.secondary_resistance


def _own_devices(stage: cases.CustomStage, corners: Corners) -> Iterator[_Row]:
    """Yield the values of switches, rectifiers, resistors and couplings of a stage of the user's own."""
    built = {e.name: e for e in custom_values(stage, corners, {}).elements}
    for given in stage.elements:
        made = built[given.name]
        if isinstance(given, CouplingElement) and isinstance(made, Coupling):
            yield given.name, "coefficient", "", given.coefficient.nominal, made.coefficient
        if isinstance(given, (SwitchElement, RectifierElement, ResistorElement)) and isinstance(
            made, (Switch, Diode, Resistor)
        ):
            yield given.name, "resistance", "ohm", given.resistance, made.resistance
        if isinstance(given, RectifierElement):
            yield given.name, "drop", "V", given.drop, drop(given, corners)


def _control(case: cases.Case, corners: Corners) -> Iterator[_Row]:
    """Yield the values of modulator and error amplifier."""
    given, made = case.modulator, modulator(case, corners)
    if given.scheme == "peak current" and isinstance(made, PeakCurrentMode):
        yield "modulator", "sense_gain", "V/A", given.sense_gain, made.sense_gain
        yield "modulator", "slope", "V/s", given.slope or 0.0, made.slope
    error = case.error_amplifier
    if error is None:
        return
    yield "error_amplifier", "reference", "V", error.reference, error.reference * reference_factor(case, corners)
    built = amplifier(case, corners)
    if error.kind == "transconductance" and isinstance(built, TransconductanceAmplifier):
        yield "error_amplifier", "gm", "S", error.gm, built.gm
    if error.kind == "shunt optocoupler" and isinstance(built, ShuntOptocoupler):
        yield "error_amplifier", "transfer_ratio", "%", error.transfer_ratio, built.transfer_ratio
