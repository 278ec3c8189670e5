"""Parts of the power stage and of the input filter, and which topology has which."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Self

from pydantic import BeforeValidator, Field, model_validator

from loopdesign.case.fields import QuantityField, Resistance, Section, TemperatureCoefficient, Tolerance
from loopdesign.errors import QuantityError

Inductance = Annotated[float, QuantityField("H", above=0)]
Capacitance = Annotated[float, QuantityField("F", above=0)]
DampingResistance = Annotated[float, QuantityField("ohm", above=0)]


class InductorEntry(Section):
    """An inductor or one winding.

    Fields: inductance [H], resistance [ohm], tolerance of the inductance [unitless], temperature_coefficient of the
    resistance [1/K].
    """

    inductance: Inductance
    resistance: Resistance = 0.0
    tolerance: Tolerance = 0.0
    temperature_coefficient: TemperatureCoefficient = 0.0


class CapacitorEntry(Section):
    """A capacitor.

    Fields: capacitance at no bias [F], esr (series resistance) [ohm], their tolerances [unitless], bias_curve as pairs
    of bias [V] and the ratio of capacitance left there [unitless], lot (parts of one lot vary together).
    """

    capacitance: Capacitance
    esr: Resistance = 0.0
    tolerance: Tolerance = 0.0
    esr_tolerance: Tolerance = 0.0
    bias_curve: (
        tuple[
            tuple[
                Annotated[float, QuantityField("V", at_least=0)],
                Annotated[float, QuantityField("%", above=0, at_most=1.2, hint="the ratio is 1 at no bias and falls")],
            ],
            ...,
        ]
        | None
    ) = None
    lot: str | None = None

    @model_validator(mode="after")
    def _curve_rises(self) -> Self:
        """Refuse a bias curve that is empty or whose voltages do not increase."""
        if self.bias_curve is None:
            return self
        bias = [point[0] for point in self.bias_curve]
        if not bias:
            raise QuantityError("bias_curve has no points", found="an empty list", expected="pairs [voltage, ratio]")
        if any(later <= earlier for earlier, later in pairwise(bias)):
            found = ", ".join(f"{value:g} V" for value in bias)
            raise QuantityError(
                "bias_curve must have increasing voltages", found=found, expected="pairs [voltage, ratio]"
            )
        return self


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

    Fields: resistance > 0 [ohm], capacitance [F], tolerance of both [unitless].
    """

    resistance: DampingResistance
    capacitance: Capacitance
    tolerance: Tolerance = 0.0


class FilterDamper(Section):
    """Damping of the input filter: R-C across its capacitor, or R-L (in series) across its choke.

    Fields: resistance > 0 [ohm], and either capacitance [F] or inductance [H]; tolerance [unitless].
    """

    resistance: DampingResistance
    capacitance: Annotated[float | None, QuantityField("F", above=0)] = None
    inductance: Annotated[float | None, QuantityField("H", above=0)] = None
    tolerance: Tolerance = 0.0

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        """Ask for exactly one of capacitance and inductance."""
        if (self.capacitance is None) == (self.inductance is None):
            found = "neither" if self.capacitance is None else "both"
            raise QuantityError(
                "needs one of capacitance and inductance", found=found, expected="an R-C or an R-L damper"
            )
        return self


class SwitchEntry(Section):
    """The controlled switch: on-resistance [ohm] and its temperature_coefficient [1/K]."""

    resistance: Resistance
    temperature_coefficient: TemperatureCoefficient = 0.0


class DiodeEntry(Section):
    """The rectifier: forward drop [V] and on-resistance [ohm], with the temperature_coefficient of the latter [1/K]."""

    drop: Annotated[float, QuantityField("V", at_least=0)]
    resistance: Resistance = 0.0
    temperature_coefficient: TemperatureCoefficient = 0.0


class Source(Section):
    """Impedance of the supply ahead of the filter: resistance [ohm] and inductance [H], zero unless given."""

    resistance: Resistance = 0.0
    inductance: Annotated[float, QuantityField("H", at_least=0)] = 0.0


def _bank(value: object) -> object:
    """Take a single part for a bank of one."""
    if isinstance(value, list | tuple) and not value:
        raise QuantityError("has no parts", found="an empty list", expected="one capacitor or a list of capacitors")
    return value if isinstance(value, list | tuple) else [value]


class _Stage(Section):
    """What every power stage has."""

    L1: InductorEntry
    Co: Annotated[
        tuple[CapacitorEntry, ...], BeforeValidator(_bank, json_schema_input_type=CapacitorEntry | list[CapacitorEntry])
    ]
    switch: SwitchEntry
    diode: DiodeEntry | None = None


class OneInductorStage(_Stage):
    """Stage of boost, buck and inverting: L1, Co, switch, diode."""


class TwoInductorStage(_Stage):
    """Stage of sepic, cuk and zeta: L1, L2, coupling, Cs, damper, Co, switch, diode.

    `coupling` is the magnetic coupling of L1 and L2, 0 <= k < 1; `damper` lies across Cs together with its series
    resistance.
    """

    L2: InductorEntry
    coupling: Annotated[
        float,
        QuantityField("", at_least=0, below=1, hint="k = 1 has no leakage; take the measured coupling, such as 0.98"),
    ] = 0.0
    Cs: CapacitorEntry
    damper: Damper | None = None


class FlybackStage(_Stage):
    """Stage of the flyback: L1 (magnetising, seen from the primary), turns, secondary_resistance, Co, switch, diode.

    `turns` is secondary over primary.
    """

    turns: Annotated[float, QuantityField("", above=0, hint="turns is secondary over primary, such as 0.35")]
    secondary_resistance: Resistance = 0.0
    secondary_temperature_coefficient: TemperatureCoefficient = 0.0


STAGES: dict[str, type[OneInductorStage | TwoInductorStage | FlybackStage]] = {
    "sepic": TwoInductorStage,
    "boost": OneInductorStage,
    "flyback": FlybackStage,
    "buck": OneInductorStage,
    "inverting": OneInductorStage,
    "cuk": TwoInductorStage,
    "zeta": TwoInductorStage,
}
"""The table [stage] of each topology."""


class InputFilter(Section):
    """The filter between source and converter.

    Fields: L (the choke), C (esr required), damper (R-C or R-L), choke_leakage (a choke in series with L), source.
    """

    L: InductorEntry
    C: FilterCapacitor
    damper: FilterDamper | None = None
    choke_leakage: InductorEntry | None = None
    source: Source = Field(default_factory=Source)
