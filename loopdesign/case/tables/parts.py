"""Entries of single parts: inductor, capacitor, damper, switch, diode."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import BeforeValidator, model_validator

from loopdesign.case.fields import (
    EXACT,
    CurveField,
    PartTolerance,
    QuantityField,
    Resistance,
    Section,
    TemperatureCoefficient,
)
from loopdesign.errors import QuantityError
from loopdesign.units.quantities import shown

Inductance = Annotated[float, QuantityField("H", above=0)]
Capacitance = Annotated[float, QuantityField("F", above=0)]
DampingResistance = Annotated[float, QuantityField("ohm", above=0)]

_SHARE = QuantityField("%", above=0, at_most=1.2, hint="the ratio is 1 at no bias and falls")
_FREE_SHARE = QuantityField("%", above=0, hint="the share is 1 at 25 degC")
BIAS_CURVE = CurveField((("voltage", QuantityField("V", at_least=0)), ("ratio", _SHARE)))
"""Bias [V] and the ratio of capacitance left there."""
CURRENT_CURVE = CurveField((("current", QuantityField("A", at_least=0)), ("share of the inductance", _SHARE)))
"""Average current [A] and the share of the inductance left there."""
TEMPERATURE_CURVE = CurveField(
    (
        ("temperature", QuantityField("degC", above=-273.15)),
        ("share of capacitance", _FREE_SHARE),
        ("share of esr", _FREE_SHARE),
    )
)
"""Temperature [degC] and the shares of capacitance and series resistance there."""


def _whole(value: object) -> object:
    """Refuse a number of parts that is not a whole number of at least one."""
    if isinstance(value, bool) or not isinstance(value, int) or value < 1:
        raise QuantityError("is not a number of parts", found=shown(value), expected="a whole number such as 3")
    return value


Count = Annotated[int, BeforeValidator(_whole)]
"""Number of equal parts in parallel."""


class InductorEntry(Section):
    """An inductor or one winding.

    Fields: inductance [H], resistance [ohm], tolerance of the inductance [unitless], temperature_coefficient of the
    resistance [1/K], current_curve as pairs of average current [A] and the share of the inductance left there
    [unitless].
    """

    inductance: Inductance
    resistance: Resistance = 0.0
    tolerance: PartTolerance = EXACT
    temperature_coefficient: TemperatureCoefficient = 0.0
    current_curve: Annotated[tuple[tuple[float, float], ...] | None, CURRENT_CURVE] = None


class CapacitorEntry(Section):
    """A capacitor, or `count` equal ones in parallel.

    Fields: capacitance at no bias [F] and esr (series resistance) [ohm] of one part, their tolerances [unitless],
    bias_curve as pairs of bias [V] and the ratio of capacitance left there [unitless], temperature_curve as triples of
    temperature [degC] and the shares of capacitance and esr there [unitless], count, lot (parts of one lot vary
    together).
    """

    capacitance: Capacitance
    esr: Resistance = 0.0
    tolerance: PartTolerance = EXACT
    esr_tolerance: PartTolerance = EXACT
    bias_curve: Annotated[tuple[tuple[float, float], ...] | None, BIAS_CURVE] = None
    temperature_curve: Annotated[tuple[tuple[float, float, float], ...] | None, TEMPERATURE_CURVE] = None
    count: Count = 1
    lot: str | None = None


class FilterCapacitor(CapacitorEntry):
    """A capacitor that lies across a source and therefore needs its series resistance, esr > 0 [ohm]."""

    esr: Annotated[
        float,
        QuantityField(
            "ohm", above=0, hint="without a series resistance the filter capacitor is an ideal capacitor loop"
        ),
    ]


class Damper(Section):
    """A resistor in series with a capacitor, across the capacitor to be damped.

    Fields: resistance > 0 [ohm], capacitance [F], tolerance of both [unitless], lot of the capacitor.
    """

    resistance: DampingResistance
    capacitance: Capacitance
    tolerance: PartTolerance = EXACT
    lot: str | None = None


class FilterDamper(Section):
    """Damping of the input filter: R-C across its capacitor, or R-L (in series) across its choke.

    Fields: resistance > 0 [ohm], and either capacitance [F] or inductance [H]; tolerance [unitless].
    """

    resistance: DampingResistance
    capacitance: Annotated[float | None, QuantityField("F", above=0)] = None
    inductance: Annotated[float | None, QuantityField("H", above=0)] = None
    tolerance: PartTolerance = EXACT

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        """Ask for exactly one of capacitance and inductance."""
        if (self.capacitance is None) == (self.inductance is None):
            found = "neither" if self.capacitance is None else "both"
            raise QuantityError(
                "needs one of capacitance and inductance", found=found, expected="an R-C or an R-L damper"
            )
        return self


class Leakage(Section):
    """The leakage inductance of a transformer, all of it seen from the primary.

    Fields: inductance [H], tolerance [unitless].
    """

    inductance: Inductance
    tolerance: PartTolerance = EXACT


class SwitchClamp(Section):
    """Resistor and capacitor in parallel that take the energy of a leakage through a diode, returned to the supply.

    Fields: resistance > 0 [ohm], capacitance [F], tolerance of both [unitless], forward drop [V] and on-resistance
    diode_resistance [ohm] of the diode.
    """

    resistance: Annotated[float, QuantityField("ohm", above=0)]
    capacitance: Capacitance
    tolerance: PartTolerance = EXACT
    drop: Annotated[float, QuantityField("V", at_least=0)]
    diode_resistance: Resistance = 0.0


class SwitchEntry(Section):
    """The controlled switch: on-resistance [ohm] and its temperature_coefficient [1/K]."""

    resistance: Resistance
    temperature_coefficient: TemperatureCoefficient = 0.0


class DiodeEntry(Section):
    """The rectifier.

    Fields: forward drop [V] and on-resistance [ohm], temperature_coefficient of the resistance [1/K],
    drop_temperature_coefficient, its absolute change of the drop [V/K], usually negative.
    """

    drop: Annotated[float, QuantityField("V", at_least=0)]
    resistance: Resistance = 0.0
    temperature_coefficient: TemperatureCoefficient = 0.0
    drop_temperature_coefficient: Annotated[float, QuantityField("V/K")] = 0.0


class Source(Section):
    """Impedance of the supply ahead of the filter: resistance [ohm] and inductance [H], zero unless given."""

    resistance: Resistance = 0.0
    inductance: Annotated[float, QuantityField("H", at_least=0)] = 0.0
