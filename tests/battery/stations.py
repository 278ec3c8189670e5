"""One converter of every kind for the battery: topology, coupling, rectifier, conduction mode, modulator.

The parts are plausible and invented: instrument supplies of a coastal observing network.
"""

from __future__ import annotations

from dataclasses import dataclass

from loopdesign.case import parse_case

FREQUENCY = 300e3
_ONE = 'L1 = { inductance = "22 uH", resistance = "40 mohm" }'
_PAIR = """\
L1 = {{ inductance = "33 uH", resistance = "50 mohm" }}
L2 = {{ inductance = "27 uH", resistance = "40 mohm" }}
coupling = {coupling}
Cs = {{ capacitance = "6.8 uF", esr = "6 mohm" }}
damper = {{ resistance = "2.7 ohm", capacitance = "33 uF" }}"""
_FLYBACK = """\
L1 = { inductance = "40 uH", resistance = "60 mohm" }
turns = 0.5
secondary_resistance = "12 mohm\""""
# input, input that takes a duty well above one half, output [V], light and full load [A], sense gain [V/A], slope [V/s]
_TOPOLOGIES = {
    "sepic": (12.0, 5.5, 9.0, 0.05, 1.0, 0.07, 60e3),
    "cuk": (12.0, 5.5, 9.0, 0.05, 1.0, 0.07, 60e3),
    "zeta": (12.0, 5.5, 9.0, 0.05, 1.0, 0.07, 60e3),
    "boost": (9.0, 7.0, 18.0, 0.02, 0.7, 0.08, 60e3),
    "flyback": (24.0, 11.0, 9.0, 0.05, 1.5, 0.15, 60e3),
    "buck": (24.0, 14.0, 9.0, 0.05, 1.5, 0.1, 40e3),
    "inverting": (12.0, 5.5, 9.0, 0.05, 1.0, 0.08, 60e3),
}
# an R-L damper behind a source inductance: both currents share one inductor
_FILTER = """
[input_filter]
L = { inductance = "2.2 uH", resistance = "10 mohm" }
C = { capacitance = "47 uF", esr = "4 mohm" }
damper = { resistance = "0.22 ohm", inductance = "1 uH" }
choke_leakage = { inductance = "0.2 uH", resistance = "2 mohm" }
source = { resistance = "20 mohm", inductance = "0.5 uH" }
"""
_TWO_INDUCTORS = ("sepic", "cuk", "zeta")


@dataclass(frozen=True)
class Station:
    """One entry of the battery."""

    topology: str
    coupled: bool
    rectifier: str
    mode: str
    scheme: str
    filtered: bool = False
    kind: str = "resistive"

    @property
    def name(self):
        coupling = ["coupled"] if self.coupled else []
        ahead = ["filtered"] if self.filtered else []
        drawn = [] if self.kind == "resistive" else [self.kind]
        scheme = self.scheme.replace(" ", "_")
        return "-".join([*ahead, self.topology, *coupling, self.rectifier, self.mode, scheme, *drawn])

    @property
    def every_run(self):
        """Whether its parts are chosen in every run: five parts around an operational amplifier take seconds."""
        plain = not self.coupled and not self.filtered
        chosen = (
            plain and self.rectifier == "diode" and self.mode == "CCM" and self.topology in {"sepic", "boost", "cuk"}
        )
        return self.scheme == "peak current" or chosen

    @property
    def load(self):
        return _TOPOLOGIES[self.topology][3 if self.mode == "DCM" else 4]

    def case(self, *, slope=None, low_line=False):
        """Read the case, every part of its compensation open."""
        vin, low, vo, _, _, gain, own = _TOPOLOGIES[self.topology]
        vin = low if low_line else vin
        stage = _PAIR.format(coupling=0.9 if self.coupled else 0.0) if self.topology in _TWO_INDUCTORS else _ONE
        stage = _FLYBACK if self.topology == "flyback" else stage
        current = self.scheme == "peak current"
        comparator = f"sense_gain = {gain}\nslope = {own if slope is None else slope}" if current else "ramp = 1.5"
        amplifier = (
            'kind = "transconductance"\ngm = "1 mS"\noutput_resistance = "2 Mohm"'
            if current
            else 'kind = "operational"\ndc_gain = "80 dB"\ngain_bandwidth = "8 MHz"'
        )
        network = "type II" if current else "type III"
        text = f"""
title = "Tide-staff lamp supply, {self.name}"
[converter]
topology = "{self.topology}"
switching_frequency = {FREQUENCY}
rectifier = "{self.rectifier}"
[specification]
input_voltage = [{vin}]
output_voltage = {vo}
output_current = [{self.load}]
load = "{self.kind}"
[stage]
{stage}
Co = {{ capacitance = "100 uF", esr = "15 mohm" }}
switch = {{ resistance = "25 mohm" }}
diode = {{ drop = "{0.0 if self.rectifier == "synchronous" else 0.45} V", resistance = "20 mohm" }}
{_FILTER if self.filtered else ""}
[modulator]
scheme = "{self.scheme}"
{comparator}
max_duty = 0.95
[error_amplifier]
{amplifier}
reference = "1.2 V"
[divider]
lower = "10 kohm"
[compensation]
network = "{network}"
"""
        return parse_case(text, self.name)


def _stations():
    for topology in _TOPOLOGIES:
        for coupled in (False, True) if topology in _TWO_INDUCTORS else (False,):
            for rectifier, mode in (("diode", "CCM"), ("diode", "DCM"), ("synchronous", "CCM")):
                for scheme in ("peak current", "voltage"):
                    yield Station(topology, coupled, rectifier, mode, scheme)
    for topology in ("boost", "inverting", "cuk"):
        yield Station(topology, coupled=False, rectifier="diode", mode="CCM", scheme="peak current", kind="current")
    for topology in ("flyback", "buck", "zeta", "sepic"):
        yield Station(topology, coupled=False, rectifier="diode", mode="CCM", scheme="peak current", kind="power")
    yield Station("boost", coupled=False, rectifier="diode", mode="DCM", scheme="peak current", kind="power")
    yield Station("sepic", coupled=True, rectifier="diode", mode="DCM", scheme="peak current", filtered=True)
    yield Station("cuk", coupled=False, rectifier="synchronous", mode="CCM", scheme="peak current", filtered=True)
    yield Station("zeta", coupled=True, rectifier="diode", mode="CCM", scheme="peak current", filtered=True)
    yield Station("boost", coupled=False, rectifier="diode", mode="CCM", scheme="voltage", filtered=True)
    yield Station("flyback", coupled=False, rectifier="diode", mode="DCM", scheme="voltage", filtered=True)
    yield Station("buck", coupled=False, rectifier="diode", mode="CCM", scheme="peak current", filtered=True)
    yield Station("inverting", coupled=False, rectifier="synchronous", mode="CCM", scheme="voltage", filtered=True)


STATIONS = tuple(_stations())
