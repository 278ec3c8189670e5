"""The case file as frozen, validated tables; everything in SI units."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from loopdesign.case.fields import (
    CurrentRange,
    Levels,
    LevelsOf,
    Model,
    Quantity,
    TemperatureRange,
    Tolerance,
    VoltageRange,
)
from loopdesign.case.stage import FlybackStage, InputFilter, OneInductorStage, TwoInductorStage
from loopdesign.errors import QuantityError

Topology = Literal["sepic", "boost", "flyback", "buck", "inverting", "cuk", "zeta"]
Series = Literal["E3", "E6", "E12", "E24", "E48", "E96", "E192"]
Voltage = Annotated[float, Quantity("V", above=0)]
_OPEN = (("none", 0.0),)
_AUTO = (("auto", None),)


class Converter(Model):
    """[converter]: topology, switching_frequency [Hz], rectifier."""

    topology: Topology
    switching_frequency: Annotated[float, Quantity("Hz", above=0)]
    rectifier: Literal["diode", "synchronous"] = "diode"


class LoadStep(Model):
    """A step of the load current from `from_` (written "from") to `to` [A]."""

    from_: Annotated[float, Quantity("A", at_least=0)] = Field(alias="from")
    to: Annotated[float, Quantity("A", at_least=0)]


class LineStep(Model):
    """A step of the input voltage from `from_` (written "from") to `to` [V]."""

    from_: Voltage = Field(alias="from")
    to: Voltage


class Specification(Model):
    """[specification]: what the converter has to do.

    Fields: input_voltage [V], output_voltage (positive also where the output is inverted) [V], output_current [A],
    load, load_step [A], line_step [V], temperature [degC].
    """

    input_voltage: Annotated[Levels, LevelsOf(VoltageRange, Quantity("V", above=0))]
    output_voltage: Annotated[
        float, Quantity("V", above=0, hint="an inverted output is given as a positive number; the topology inverts it")
    ]
    output_current: Annotated[Levels, LevelsOf(CurrentRange, Quantity("A", at_least=0))]
    load: Literal["resistive", "current", "power"] = "resistive"
    load_step: LoadStep | None = None
    line_step: LineStep | None = None
    temperature: Annotated[Levels | None, LevelsOf(TemperatureRange, Quantity("degC", above=-273.15))] = None


class _Modulator(Model):
    """What both schemes share."""

    max_duty: Annotated[float, Quantity("%", above=0, below=1)] = 0.95
    min_on_time: Annotated[float, Quantity("s", at_least=0)] = 0.0


class PeakCurrent(_Modulator):
    """[modulator] with scheme "peak current": sense_gain [V/A] and slope [V/s], None where design chooses the slope."""

    scheme: Literal["peak current"]
    sense_gain: Annotated[float, Quantity("V/A", above=0)]
    slope: Annotated[float | None, Quantity("V/s", at_least=0)] = None


class VoltageMode(_Modulator):
    """[modulator] with scheme "voltage": ramp, peak to peak [V]."""

    scheme: Literal["voltage"]
    ramp: Voltage


class Clamp(Model):
    """Limits of the control voltage: min and max [V]."""

    min: Annotated[float, Quantity("V")] = 0.0
    max: Annotated[float, Quantity("V")]

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        """Refuse limits that leave no room."""
        if self.min >= self.max:
            found = f"min = {self.min:g}, max = {self.max:g}"
            raise QuantityError("min is not below max", found=found, expected="min < max")
        return self


class _Amplifier(Model):
    """What every error amplifier has."""

    reference: Voltage
    reference_tolerance: Tolerance = 0.0
    clamp: Clamp | None = None


class Transconductance(_Amplifier):
    """[error_amplifier] of kind "transconductance": gm [S], output_resistance [ohm], output_current_limit [A]."""

    kind: Literal["transconductance"]
    gm: Annotated[float, Quantity("S", above=0)]
    output_resistance: Annotated[float, Quantity("ohm", above=0)]
    output_current_limit: Annotated[float | None, Quantity("A", above=0)] = None
    gm_tolerance: Tolerance = 0.0


class Operational(_Amplifier):
    """[error_amplifier] of kind "operational": dc_gain [dB], gain_bandwidth [Hz]."""

    kind: Literal["operational"]
    dc_gain: Annotated[float, Quantity("dB", above=0)]
    gain_bandwidth: Annotated[float, Quantity("Hz", above=0)]


class ShuntOptocoupler(_Amplifier):
    """[error_amplifier] of kind "shunt optocoupler": a shunt regulator that drives an optocoupler.

    Fields: transfer_ratio with its optional extremes [unitless], bandwidth of the optocoupler [Hz] and bandwidth_load
    [ohm], the load it was measured with (the pull-up unless given; the pole moves inversely with the load), pull_up at
    its transistor [ohm], led_resistance in series with its diode [ohm], dc_gain [dB] and gain_bandwidth [Hz] of the
    shunt regulator.
    """

    kind: Literal["shunt optocoupler"]
    transfer_ratio: Annotated[float, Quantity("%", above=0)]
    transfer_ratio_min: Annotated[float | None, Quantity("%", above=0)] = None
    transfer_ratio_max: Annotated[float | None, Quantity("%", above=0)] = None
    bandwidth: Annotated[float, Quantity("Hz", above=0)]
    bandwidth_load: Annotated[float | None, Quantity("ohm", above=0)] = None
    pull_up: Annotated[float, Quantity("ohm", above=0)]
    led_resistance: Annotated[float, Quantity("ohm", above=0)]
    dc_gain: Annotated[float, Quantity("dB", above=0)] = 60.0
    gain_bandwidth: Annotated[float, Quantity("Hz", above=0)] = 1e6

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


class Divider(Model):
    """[divider]: lower [ohm], upper [ohm] (None: follows from output and reference), feedforward across upper [F].

    `feedforward` is 0.0 where none is fitted; `tolerance` is that of both resistors [unitless].
    """

    lower: Annotated[float, Quantity("ohm", above=0)]
    upper: Annotated[float | None, Quantity("ohm", above=0)] = None
    feedforward: Annotated[float, Quantity("F", above=0, words=_OPEN)] = 0.0
    tolerance: Tolerance = 0.0


PARTS_OF_NETWORK: dict[str, tuple[str, ...]] = {
    "type I": ("C1",),
    "type II": ("R1", "C1", "C2"),
    "type III": ("R1", "C1", "C2", "R2", "C3"),
}
"""Parts of each compensation network."""

PART_UNITS: dict[str, str] = {"R1": "ohm", "C1": "F", "C2": "F", "R2": "ohm", "C3": "F"}
"""Unit of each part of a compensation network."""


class Compensation(Model):
    """[compensation]: the network and its parts; None is open (design chooses it), 0.0 is not fitted ("none").

    A part that the network does not have is not fitted. `resistor_tolerance` and `capacitor_tolerance` hold for
    all of them [unitless].
    """

    network: Literal["type I", "type II", "type III"] = "type II"
    R1: Annotated[float | None, Quantity("ohm", above=0, words=_OPEN)] = None
    C1: Annotated[float | None, Quantity("F", above=0, words=_OPEN)] = None
    C2: Annotated[float | None, Quantity("F", above=0, words=_OPEN)] = None
    R2: Annotated[float | None, Quantity("ohm", above=0, words=_OPEN)] = None
    C3: Annotated[float | None, Quantity("F", above=0, words=_OPEN)] = None
    resistor_tolerance: Tolerance = 0.0
    capacitor_tolerance: Tolerance = 0.0

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
                raise QuantityError(f"{name} is no part of {self.network}", found=name, expected=parts)
            self.__dict__[name] = 0.0
        return self


class Targets(Model):
    """[targets]: what the loop has to reach; `given` tells the user's own limits from the defaults.

    Fields: phase_margin [deg], gain_margin [dB], modulus_margin (least distance of the loop from -1) [unitless],
    crossover [Hz] and crossover_limit [Hz] (None: "auto"), resistor_series, capacitor_series, prefer, settling_band
    (fraction of the output) [unitless], distribution of the tolerances.
    """

    phase_margin: Annotated[float, Quantity("deg", above=0, below=180)] = 55.0
    gain_margin: Annotated[float, Quantity("dB", at_least=0)] = 10.0
    modulus_margin: Annotated[float, Quantity("", at_least=0, below=1)] = 0.5
    crossover: Annotated[float | None, Quantity("Hz", above=0, words=_AUTO)] = None
    crossover_limit: Annotated[float | None, Quantity("Hz", above=0, words=_AUTO)] = None
    resistor_series: Series = "E96"
    capacitor_series: Series = "E12"
    prefer: Literal["bandwidth", "margin", "step"] = "bandwidth"
    settling_band: Annotated[float, Quantity("%", above=0, below=1)] = 0.01
    distribution: Literal["uniform", "normal"] = "uniform"

    @property
    def given(self) -> frozenset[str]:
        """Names of the targets that the case file sets; the others are defaults."""
        return frozenset(self.model_fields_set)


Stage = OneInductorStage | TwoInductorStage | FlybackStage
Modulator = Annotated[PeakCurrent | VoltageMode, Field(discriminator="scheme")]
ErrorAmplifier = Annotated[Transconductance | Operational | ShuntOptocoupler, Field(discriminator="kind")]


class Case(Model):
    """A whole case file.

    `source` is the name of the file and `warnings` holds what is allowed yet worth telling; the file sets neither.
    """

    title: str
    notes: str = ""
    converter: Converter
    specification: Specification
    stage: Stage
    input_filter: InputFilter | None = None
    modulator: Modulator
    error_amplifier: ErrorAmplifier | None = None
    divider: Divider | None = None
    compensation: Compensation | None = None
    targets: Targets = Field(default_factory=Targets)
    source: str = ""
    warnings: tuple[str, ...] = ()

    @property
    def nominal_temperature(self) -> float:
        """Temperature of the parts at the nominal corner [degC]."""
        temperature = self.specification.temperature
        return 25.0 if temperature is None else temperature.nominal
