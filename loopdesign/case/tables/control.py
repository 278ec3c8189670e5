"""What closes the loop: modulator, error amplifier, divider or current sense, compensation network."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from loopdesign.case.fields import EXACT, PartTolerance, QuantityField, Section, TemperatureCoefficient
from loopdesign.errors import QuantityError

Voltage = Annotated[float, QuantityField("V", above=0)]
SIGNAL_RESISTANCE = (1.0, 500e6)
"""Sizes of resistors around an error amplifier [ohm] (common practice)."""
SIGNAL_CAPACITANCE = (1e-12, 100e-6)
"""Sizes of capacitors around an error amplifier [F] (common practice)."""
_OPEN = (("none", 0.0),)


class _Modulator(Section):
    """What both schemes share.

    Fields: max_duty [unitless], min_on_time [s], turn_off_delay from the comparator's trip to the opening of the switch
    [s], blanking, the time after turn-on for which the comparator is ignored [s].
    """

    max_duty: Annotated[float, QuantityField("%", above=0, below=1)] = 0.95
    min_on_time: Annotated[float, QuantityField("s", at_least=0)] = 0.0
    turn_off_delay: Annotated[float, QuantityField("s", at_least=0)] = 0.0
    blanking: Annotated[float, QuantityField("s", at_least=0)] = 0.0


class PeakCurrentSection(_Modulator):
    """[modulator] with scheme "peak current".

    Fields: sense_gain [V/A] and slope [V/s], None where design chooses the slope, with their tolerances [unitless] and
    temperature coefficients [1/K]; current_limit, the sensed signal at which the cycle ends whatever the control
    voltage says [V], None where there is none, and its tolerance [unitless].
    """

    scheme: Literal["peak current"]
    sense_gain: Annotated[float, QuantityField("V/A", above=0)]
    sense_gain_tolerance: PartTolerance = EXACT
    sense_gain_temperature_coefficient: TemperatureCoefficient = 0.0
    slope: Annotated[float | None, QuantityField("V/s", at_least=0)] = None
    slope_tolerance: PartTolerance = EXACT
    slope_temperature_coefficient: TemperatureCoefficient = 0.0
    current_limit: Annotated[float | None, QuantityField("V", above=0)] = None
    current_limit_tolerance: PartTolerance = EXACT


class VoltageModeSection(_Modulator):
    """[modulator] with scheme "voltage": ramp, peak to peak [V]."""

    scheme: Literal["voltage"]
    ramp: Voltage


class Clamp(Section):
    """Limits of the control voltage: min and max [V]."""

    min: Annotated[float, QuantityField("V")] = 0.0
    max: Annotated[float, QuantityField("V")]

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        """Refuse limits that leave no room."""
        if self.min >= self.max:
            found = f"min = {self.min:g}, max = {self.max:g}"
            raise QuantityError("min is not below max", found=found, expected="min < max")
        return self


class _Amplifier(Section):
    """What every error amplifier has."""

    reference: Voltage
    reference_tolerance: PartTolerance = EXACT
    reference_temperature_coefficient: TemperatureCoefficient = 0.0
    clamp: Clamp | None = None
    soft_start: Annotated[float, QuantityField("s", at_least=0)] = 0.0


class TransconductanceSection(_Amplifier):
    """[error_amplifier] of kind "transconductance": gm [S], output_resistance [ohm], output_current_limit [A]."""

    kind: Literal["transconductance"]
    gm: Annotated[float, QuantityField("S", above=0)]
    output_resistance: Annotated[float, QuantityField("ohm", above=0, plausible=(1e3, 1e9))]
    output_current_limit: Annotated[float | None, QuantityField("A", above=0)] = None
    gm_tolerance: PartTolerance = EXACT
    gm_temperature_coefficient: TemperatureCoefficient = 0.0


class OperationalSection(_Amplifier):
    """[error_amplifier] of kind "operational": dc_gain [dB], gain_bandwidth [Hz]."""

    kind: Literal["operational"]
    dc_gain: Annotated[float, QuantityField("dB", above=0)]
    gain_bandwidth: Annotated[float, QuantityField("Hz", above=0)]


class ShuntOptocouplerSection(_Amplifier):
    """[error_amplifier] of kind "shunt optocoupler": a shunt regulator that drives an optocoupler.

    Fields: transfer_ratio with its optional extremes [unitless], bandwidth of the optocoupler [Hz] and bandwidth_load
    [ohm], the load it was measured with (the pull-up unless given; the pole moves inversely with the load), pull_up at
    its transistor [ohm], led_resistance in series with its diode [ohm], dc_gain [dB] and gain_bandwidth [Hz] of the
    shunt regulator. What the operating point needs: pull_up_supply above the pull-up [V], led_drop [V], led_supply (the
    output unless given) [V], regulator_minimum_voltage [V], regulator_minimum_current [A] and saturation_voltage of the
    transistor [V]; None where the file does not say.
    """

    kind: Literal["shunt optocoupler"]
    transfer_ratio: Annotated[float, QuantityField("%", above=0)]
    transfer_ratio_min: Annotated[float | None, QuantityField("%", above=0)] = None
    transfer_ratio_max: Annotated[float | None, QuantityField("%", above=0)] = None
    bandwidth: Annotated[float, QuantityField("Hz", above=0)]
    bandwidth_load: Annotated[float | None, QuantityField("ohm", above=0)] = None
    pull_up: Annotated[float, QuantityField("ohm", above=0, plausible=SIGNAL_RESISTANCE)]
    led_resistance: Annotated[float, QuantityField("ohm", above=0, plausible=SIGNAL_RESISTANCE)]
    dc_gain: Annotated[float, QuantityField("dB", above=0)] = 60.0
    gain_bandwidth: Annotated[float, QuantityField("Hz", above=0)] = 1e6
    pull_up_supply: Annotated[float | None, QuantityField("V", above=0)] = None
    led_drop: Annotated[float | None, QuantityField("V", above=0)] = None
    led_supply: Annotated[float | None, QuantityField("V", above=0)] = None
    regulator_minimum_voltage: Annotated[float | None, QuantityField("V", at_least=0)] = None
    regulator_minimum_current: Annotated[float | None, QuantityField("A", at_least=0)] = None
    saturation_voltage: Annotated[float | None, QuantityField("V", at_least=0)] = None

    @model_validator(mode="after")
    def _ratios_in_order(self) -> Self:
        """Refuse extremes that do not enclose the typical transfer ratio."""
        low = self.transfer_ratio if self.transfer_ratio_min is None else self.transfer_ratio_min
        high = self.transfer_ratio if self.transfer_ratio_max is None else self.transfer_ratio_max
        if not low <= self.transfer_ratio <= high:
            found = f"{low:g}, {self.transfer_ratio:g}, {high:g}"
            expected = "transfer_ratio_min <= transfer_ratio <= transfer_ratio_max"
            raise QuantityError("transfer ratios are not in order", found=found, expected=expected)
        return self


class DividerSection(Section):
    """[divider]: lower [ohm], upper [ohm] (None: follows from output and reference), feedforward across upper [F].

    `feedforward` is 0.0 where none is fitted; `tolerance` is that of both resistors [unitless].
    """

    lower: Annotated[float, QuantityField("ohm", above=0, plausible=SIGNAL_RESISTANCE)]
    upper: Annotated[float | None, QuantityField("ohm", above=0, plausible=SIGNAL_RESISTANCE)] = None
    feedforward: Annotated[float, QuantityField("F", above=0, words=_OPEN, plausible=SIGNAL_CAPACITANCE)] = 0.0
    tolerance: PartTolerance = EXACT


class CurrentSense(Section):
    """[current_sense]: the resistor in series with the load, at its ground end, in place of a divider.

    Fields: resistance [ohm], its tolerance [unitless] and temperature_coefficient [1/K]; input_resistance between it
    and the amplifier's input [ohm], which takes the place of the upper divider resistor around an operational
    amplifier. The amplifier sees resistance times load current.
    """

    resistance: Annotated[float, QuantityField("ohm", above=0)]
    input_resistance: Annotated[float | None, QuantityField("ohm", above=0)] = None
    tolerance: PartTolerance = EXACT
    temperature_coefficient: TemperatureCoefficient = 0.0


PARTS_OF_NETWORK: dict[str, tuple[str, ...]] = {
    "type I": ("C1",),
    "type II": ("R1", "C1", "C2"),
    "type III": ("R1", "C1", "C2", "R2", "C3"),
}
"""Parts of each compensation network."""

PART_UNITS: dict[str, str] = {"R1": "ohm", "C1": "F", "C2": "F", "R2": "ohm", "C3": "F"}
"""Unit of each part of a compensation network."""


class Compensation(Section):
    """[compensation]: the network and its parts; None is open (design chooses it), 0.0 is not fitted ("none").

    A part that the network does not have is not fitted. `resistor_tolerance` and `capacitor_tolerance` hold for
    all of them [unitless].
    """

    network: Literal["type I", "type II", "type III"] = "type II"
    R1: Annotated[float | None, QuantityField("ohm", above=0, words=_OPEN, plausible=SIGNAL_RESISTANCE)] = None
    C1: Annotated[float | None, QuantityField("F", above=0, words=_OPEN, plausible=SIGNAL_CAPACITANCE)] = None
    C2: Annotated[float | None, QuantityField("F", above=0, words=_OPEN, plausible=SIGNAL_CAPACITANCE)] = None
    R2: Annotated[float | None, QuantityField("ohm", above=0, words=_OPEN, plausible=SIGNAL_RESISTANCE)] = None
    C3: Annotated[float | None, QuantityField("F", above=0, words=_OPEN, plausible=SIGNAL_CAPACITANCE)] = None
    resistor_tolerance: PartTolerance = EXACT
    capacitor_tolerance: PartTolerance = EXACT

    @property
    def parts(self) -> dict[str, float | None]:
        """The parts of the network by name, None where open and 0.0 where not fitted."""
        return {name: getattr(self, name) for name in PARTS_OF_NETWORK[self.network]}

    @property
    def open_parts(self) -> tuple[str, ...]:
        """Names of the parts that design has to choose."""
        return tuple(name for name, value in self.parts.items() if value is None)

    @model_validator(mode="after")
    def _parts_of_network(self) -> Self:
        """Refuse parts that the network does not have, and give those that are missing the value of no part."""
        for name in PART_UNITS:
            if name in PARTS_OF_NETWORK[self.network]:
                continue
            if getattr(self, name):
                parts = ", ".join(PARTS_OF_NETWORK[self.network])
                raise QuantityError(f"{name} is not a part of a {self.network} network", found=name, expected=parts)
            self.__dict__[name] = 0.0
        return self


ModulatorSection = Annotated[PeakCurrentSection | VoltageModeSection, Field(discriminator="scheme")]
ErrorAmplifierSection = Annotated[
    TransconductanceSection | OperationalSection | ShuntOptocouplerSection, Field(discriminator="kind")
]
