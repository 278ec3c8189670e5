"""What the converter has to do: converter, specification, targets, ratings; and who signs the document."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import BeforeValidator, Field

from loopdesign.case.fields import (
    CurrentRange,
    Levels,
    LevelsOf,
    QuantityField,
    Section,
    TemperatureRange,
    VoltageRange,
)
from loopdesign.errors import QuantityError
from loopdesign.network.topologies import TOPOLOGIES
from loopdesign.units.quantities import shown

if TYPE_CHECKING:
    TopologyName = str
else:
    TopologyName = Literal[(*TOPOLOGIES, "custom")]
Series = Literal["E3", "E6", "E12", "E24", "E48", "E96", "E192"]
Voltage = Annotated[float, QuantityField("V", above=0)]
_AUTO = (("auto", None),)


class ConverterSection(Section):
    """[converter]: topology, switching_frequency [Hz], rectifier."""

    topology: TopologyName
    switching_frequency: Annotated[float, QuantityField("Hz", above=0, plausible=(1e3, 50e6))]
    rectifier: Literal["diode", "synchronous"] = "diode"


class LoadStep(Section):
    """A step of the load current from `from_` (written "from") to `to` [A]."""

    from_: Annotated[float, QuantityField("A", at_least=0)] = Field(alias="from")
    to: Annotated[float, QuantityField("A", at_least=0)]


class LineStep(Section):
    """A step of the input voltage from `from_` (written "from") to `to` [V]."""

    from_: Voltage = Field(alias="from")
    to: Voltage


class LineDropout(Section):
    """A drop of the input voltage to `to` [V] for a time `for_` (written "for") [s], after which it returns."""

    to: Annotated[float, QuantityField("V", at_least=0)]
    for_: Annotated[float, QuantityField("s", above=0)] = Field(alias="for")


class VoltageLoad(Section):
    """A load that is a drop [V] in series with a resistance [ohm]: an LED string, a battery."""

    drop: Annotated[float, QuantityField("V", at_least=0)]
    resistance: Annotated[
        float, QuantityField("ohm", above=0, hint="a load without resistance would be an ideal source across Co")
    ]

    def voltage(self, current: float) -> float:
        """Return the voltage across the load [V] at a current [A].

        Parameters
        ----------
        current : float
            Load current [A].

        Returns
        -------
        float
            Drop plus resistance times current [V].
        """
        return self.drop + self.resistance * current


class _Specification(Section):
    """What both kinds of regulation share."""

    input_voltage: Annotated[Levels, LevelsOf(VoltageRange, QuantityField("V", above=0))]
    output_current: Annotated[Levels, LevelsOf(CurrentRange, QuantityField("A", at_least=0))]
    load_step: LoadStep | None = None
    line_step: LineStep | None = None
    line_dropout: LineDropout | None = None
    temperature: Annotated[Levels | None, LevelsOf(TemperatureRange, QuantityField("degC", above=-273.15))] = None


class VoltageRegulated(_Specification):
    """[specification] of a converter that holds its output voltage.

    Fields: input_voltage [V], output_voltage (positive also where the output is inverted) [V], output_current [A],
    load, voltage_load, load_step [A], line_step [V], temperature [degC].
    """

    regulate: Literal["voltage"] = "voltage"
    output_voltage: Annotated[
        float,
        QuantityField("V", above=0, hint="an inverted output is given as a positive number; the topology inverts it"),
    ]
    load: Literal["resistive", "current", "power", "voltage"] = "resistive"
    voltage_load: VoltageLoad | None = None

    def output_voltage_at(self, current: float) -> float:
        """Return the regulated output voltage [V], the same at every load current [A].

        Parameters
        ----------
        current : float
            Load current [A].

        Returns
        -------
        float
            Output voltage [V].
        """
        del current
        return self.output_voltage


def _only_voltage_load(value: object) -> object:
    """Refuse a load whose voltage at a current is not known."""
    if value != "voltage":
        raise QuantityError(
            "a regulated current needs a load whose voltage follows from it",
            found=shown(value),
            expected='"voltage"',
            hint='write load = "voltage" and voltage_load = { drop = "20 V", resistance = "3 ohm" }; '
            "a plain resistor has no drop",
        )
    return value


class CurrentRegulated(_Specification):
    """[specification] with regulate = "current": the converter holds its output current.

    Fields: input_voltage [V], output_current, the regulated levels [A], load and voltage_load, load_step [A],
    line_step [V], temperature [degC]. The output voltage follows from the load.
    """

    regulate: Literal["current"]
    load: Annotated[Literal["voltage"], BeforeValidator(_only_voltage_load)]
    voltage_load: VoltageLoad

    @property
    def output_voltage(self) -> float:
        """Voltage across the load at the highest regulated current [V]."""
        return self.output_voltage_at(self.output_current.highest)

    def output_voltage_at(self, current: float) -> float:
        """Return the voltage across the load [V] at a regulated current [A].

        Parameters
        ----------
        current : float
            Load current [A].

        Returns
        -------
        float
            Voltage across the load, without that of the sense resistor [V].
        """
        return self.voltage_load.voltage(current)


Specification = VoltageRegulated | CurrentRegulated
"""[specification] of either kind."""

SPECIFICATIONS: dict[str, type[VoltageRegulated | CurrentRegulated]] = {
    "voltage": VoltageRegulated,
    "current": CurrentRegulated,
}
"""The table [specification] for each word of `regulate`."""


class Targets(Section):
    """[targets]: what the loop has to reach; `given` tells the user's own limits from the defaults.

    Fields: phase_margin [deg], gain_margin [dB], modulus_margin (least distance of the loop from -1) [unitless],
    crossover, the highest over all corners, and crossover_limit [Hz] (None: "auto"), crossover_min, the lowest allowed
    at any corner [Hz], step_deviation, the largest departure at load_step [V] (None: no limit), output_ripple, peak to
    peak [V] (None: no limit), resistor_series, capacitor_series, prefer, settling_band (fraction of the output)
    [unitless], distribution of the tolerances.
    """

    phase_margin: Annotated[float, QuantityField("deg", above=0, below=180)] = 55.0
    gain_margin: Annotated[float, QuantityField("dB", at_least=0)] = 10.0
    modulus_margin: Annotated[float, QuantityField("", at_least=0, below=1)] = 0.5
    crossover: Annotated[float | None, QuantityField("Hz", above=0, words=_AUTO)] = None
    crossover_limit: Annotated[float | None, QuantityField("Hz", above=0, words=_AUTO)] = None
    crossover_min: Annotated[float | None, QuantityField("Hz", above=0)] = None
    step_deviation: Annotated[float | None, QuantityField("V", above=0)] = None
    output_ripple: Annotated[float | None, QuantityField("V", above=0, hint="ripple is given peak to peak")] = None
    resistor_series: Series = "E96"
    capacitor_series: Series = "E12"
    prefer: Literal["bandwidth", "margin", "step"] = "bandwidth"
    settling_band: Annotated[float, QuantityField("%", above=0, below=1)] = 0.01
    distribution: Literal["uniform", "normal"] = "uniform"

    @property
    def given(self) -> frozenset[str]:
        """Names of the targets that the case file sets; the others are defaults."""
        return frozenset(self.model_fields_set)


_RatedVoltage = Annotated[float | None, QuantityField("V", above=0)]
_RatedCurrent = Annotated[float | None, QuantityField("A", above=0)]


class Ratings(Section):
    """[ratings]: what the parts are rated for, all optional.

    Fields: switch_voltage, diode_voltage, Cs_voltage, Co_voltage [V]; switch_current, diode_current (peak), L1_current,
    L2_current (saturation), Cs_current, Co_current (rms) [A]; derating, the share of each rating kept in reserve
    [unitless].
    """

    switch_voltage: _RatedVoltage = None
    switch_current: _RatedCurrent = None
    diode_voltage: _RatedVoltage = None
    diode_current: _RatedCurrent = None
    L1_current: _RatedCurrent = None
    L2_current: _RatedCurrent = None
    Cs_voltage: _RatedVoltage = None
    Cs_current: _RatedCurrent = None
    Co_voltage: _RatedVoltage = None
    Co_current: _RatedCurrent = None
    derating: Annotated[float, QuantityField("%", at_least=0, below=1)] = 0.0


def _date_text(value: object) -> object:
    """Take a date of the file format for its text."""
    return value.isoformat() if isinstance(value, dt.date) else value


class Document(Section):
    """[document]: who prepared and who reviewed the design, its revision and date, as texts."""

    prepared_by: str = ""
    reviewed_by: str = ""
    revision: str = ""
    date: Annotated[str, BeforeValidator(_date_text, json_schema_input_type=str)] = ""
