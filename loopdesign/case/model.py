"""The case file as frozen, validated tables; everything in SI units."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from loopdesign.case.fields import (
    CurrentRange,
    Levels,
    LevelsOf,
    QuantityField,
    Section,
    TemperatureRange,
    Tolerance,
    VoltageRange,
)
from loopdesign.case.stage import FlybackStage, InputFilter, OneInductorStage, TwoInductorStage
from loopdesign.errors import QuantityError

TopologyName = Literal["sepic", "boost", "flyback", "buck", "inverting", "cuk", "zeta"]
Series = Literal["E3", "E6", "E12", "E24", "E48", "E96", "E192"]
Voltage = Annotated[float, QuantityField("V", above=0)]
_OPEN = (("none", 0.0),)
_AUTO = (("auto", None),)


class ConverterSection(Section):
    """[converter]: topology, switching_frequency [Hz], rectifier."""

    topology: TopologyName
    switching_frequency: Annotated[float, QuantityField("Hz", above=0)]
    rectifier: Literal["diode", "synchronous"] = "diode"


class LoadStep(Section):
    """A step of the load current from `from_` (written "from") to `to` [A]."""

    from_: Annotated[float, QuantityField("A", at_least=0)] = Field(alias="from")
    to: Annotated[float, QuantityField("A", at_least=0)]


class LineStep(Section):
    """A step of the input voltage from `from_` (written "from") to `to` [V]."""

    from_: Voltage = Field(alias="from")
    to: Voltage


class Specification(Section):
    """[specification]: what the converter has to do.

    Fields: input_voltage [V], output_voltage (positive also where the output is inverted) [V], output_current [A],
    load, load_step [A], line_step [V], temperature [degC].
    """

    input_voltage: Annotated[Levels, LevelsOf(VoltageRange, QuantityField("V", above=0))]
    output_voltage: Annotated[
        float,
        QuantityField("V", above=0, hint="an inverted output is given as a positive number; the topology inverts it"),
    ]
    output_current: Annotated[Levels, LevelsOf(CurrentRange, QuantityField("A", at_least=0))]
    load: Literal["resistive", "current", "power"] = "resistive"
    load_step: LoadStep | None = None
    line_step: LineStep | None = None
    temperature: Annotated[Levels | None, LevelsOf(TemperatureRange, QuantityField("degC", above=-273.15))] = None


class _Modulator(Section):
    """What both schemes share."""

    max_duty: Annotated[float, QuantityField("%", above=0, below=1)] = 0.95
    min_on_time: Annotated[float, QuantityField("s", at_least=0)] = 0.0


class PeakCurrentSection(_Modulator):
    """[modulator] with scheme "peak current": sense_gain [V/A] and slope [V/s], None where design chooses the slope."""

    scheme: Literal["peak current"]
    sense_gain: Annotated[float, QuantityField("V/A", above=0)]
    slope: Annotated[float | None, QuantityField("V/s", at_least=0)] = None


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
    reference_tolerance: Tolerance = 0.0
    clamp: Clamp | None = None


class TransconductanceSection(_Amplifier):
    """[error_amplifier] of kind "transconductance": gm [S], output_resistance [ohm], output_current_limit [A]."""

    kind: Literal["transconductance"]
    gm: Annotated[float, QuantityField("S", above=0)]
    output_resistance: Annotated[float, QuantityField("ohm", above=0)]
    output_current_limit: Annotated[float | None, QuantityField("A", above=0)] = None
    gm_tolerance: Tolerance = 0.0


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
    shunt regulator.
    """

    kind: Literal["shunt optocoupler"]
    transfer_ratio: Annotated[float, QuantityField("%", above=0)]
    transfer_ratio_min: Annotated[float | None, QuantityField("%", above=0)] = None
    transfer_ratio_max: Annotated[float | None, QuantityField("%", above=0)] = None
    bandwidth: Annotated[float, QuantityField("Hz", above=0)]
    bandwidth_load: Annotated[float | None, QuantityField("ohm", above=0)] = None
    pull_up: Annotated[float, QuantityField("ohm", above=0)]
    led_resistance: Annotated[float, QuantityField("ohm", above=0)]
    dc_gain: Annotated[float, QuantityField("dB", above=0)] = 60.0
    gain_bandwidth: Annotated[float, QuantityField("Hz", above=0)] = 1e6

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

    lower: Annotated[float, QuantityField("ohm", above=0)]
    upper: Annotated[float | None, QuantityField("ohm", above=0)] = None
    feedforward: Annotated[float, QuantityField("F", above=0, words=_OPEN)] = 0.0
    tolerance: Tolerance = 0.0


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
    R1: Annotated[float | None, QuantityField("ohm", above=0, words=_OPEN)] = None
    C1: Annotated[float | None, QuantityField("F", above=0, words=_OPEN)] = None
    C2: Annotated[float | None, QuantityField("F", above=0, words=_OPEN)] = None
    R2: Annotated[float | None, QuantityField("ohm", above=0, words=_OPEN)] = None
    C3: Annotated[float | None, QuantityField("F", above=0, words=_OPEN)] = None
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


class Targets(Section):
    """[targets]: what the loop has to reach; `given` tells the user's own limits from the defaults.

    Fields: phase_margin [deg], gain_margin [dB], modulus_margin (least distance of the loop from -1) [unitless],
    crossover [Hz] and crossover_limit [Hz] (None: "auto"), resistor_series, capacitor_series, prefer, settling_band
    (fraction of the output) [unitless], distribution of the tolerances.
    """

    phase_margin: Annotated[float, QuantityField("deg", above=0, below=180)] = 55.0
    gain_margin: Annotated[float, QuantityField("dB", at_least=0)] = 10.0
    modulus_margin: Annotated[float, QuantityField("", at_least=0, below=1)] = 0.5
    crossover: Annotated[float | None, QuantityField("Hz", above=0, words=_AUTO)] = None
    crossover_limit: Annotated[float | None, QuantityField("Hz", above=0, words=_AUTO)] = None
    resistor_series: Series = "E96"
    capacitor_series: Series = "E12"
    prefer: Literal["bandwidth", "margin", "step"] = "bandwidth"
    settling_band: Annotated[float, QuantityField("%", above=0, below=1)] = 0.01
    distribution: Literal["uniform", "normal"] = "uniform"

    @property
    def given(self) -> frozenset[str]:
        """Names of the targets that the case file sets; the others are defaults."""
        return frozenset(self.model_fields_set)


StageSection = OneInductorStage | TwoInductorStage | FlybackStage
ModulatorSection = Annotated[PeakCurrentSection | VoltageModeSection, Field(discriminator="scheme")]
ErrorAmplifierSection = Annotated[
    TransconductanceSection | OperationalSection | ShuntOptocouplerSection, Field(discriminator="kind")
]


class Case(Section):
    """A whole case file.

    `source` is the name of the file and `warnings` holds what is allowed yet worth telling; the file sets neither.
    """

    title: str
    notes: str = ""
    converter: ConverterSection
    specification: Specification
    stage: StageSection
    input_filter: InputFilter | None = None
    modulator: ModulatorSection
    error_amplifier: ErrorAmplifierSection | None = None
    divider: DividerSection | None = None
    compensation: Compensation | None = None
    targets: Targets = Field(default_factory=Targets)
    source: str = ""
    warnings: tuple[str, ...] = ()

    @property
    def nominal_temperature(self) -> float:
        """Temperature of the parts at the nominal corner [degC]."""
        temperature = self.specification.temperature
        return 25.0 if temperature is None else temperature.nominal
