"""A commented case file to begin from, for each topology.

All numbers are invented for the instruments of a coastal observing network; each file loads as it stands.
"""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING

from loopdesign.case.tables.stage import CUSTOM
from loopdesign.errors import DataError
from loopdesign.network.topologies import TOPOLOGIES

if TYPE_CHECKING:
    from loopdesign.network.topologies.base import StageTable

_HEAD = """\
{schema}# loopdesign case file, topology {topology}. All numbers are invented: put your own in their place.
# Quantities are strings with units ("4.7 uF", "40 mV/us", "20 %") or plain numbers in SI units.

title = "{title}"
notes = "invented example"

[converter]
topology = "{topology}"
switching_frequency = "{frequency}"
rectifier = "diode"                     # diode | synchronous

[specification]
input_voltage  = {{ min = "{low}", nominal = "{middle}", max = "{high}" }}   # or a list of values
output_voltage = "{output}"{output_note}
output_current = {{ min = "{light}", max = "{full}" }}   # or a list of values
load = "resistive"                      # resistive | current | power
load_step = {{ from = "{half}", to = "{full}" }}
"""

_STAGE_HEAD = """
[stage]                                 # tolerance = "20 %" means 0.8 to 1.2 times the value
"""

_TWO_INDUCTORS = """\
L1 = { inductance = "33 uH", resistance = "45 mohm", tolerance = "20 %" }
L2 = { inductance = "33 uH", resistance = "45 mohm", tolerance = "20 %" }
coupling = 0.0                          # magnetic coupling of L1 and L2, 0 <= k < 1
Cs = { capacitance = "6.8 uF", esr = "4 mohm", tolerance = "10 %" }     # the coupling capacitor
# A ceramic capacitor loses capacitance under dc bias; give pairs [voltage, share of it left]:
# Cs = { capacitance = "6.8 uF", esr = "4 mohm", bias_curve = [["0 V", 1.0], ["16 V", 0.8], ["35 V", 0.45]] }
damper = { resistance = "2.7 ohm", capacitance = "33 uF" }              # optional, across Cs
"""

_ONE_INDUCTOR = """\
L1 = { inductance = "33 uH", resistance = "40 mohm", tolerance = "20 %" }
"""

_FLYBACK = """\
L1 = { inductance = "60 uH", resistance = "60 mohm", tolerance = "10 %" }   # magnetising, seen from the primary
turns = 0.35                            # secondary over primary
secondary_resistance = "12 mohm"
# leakage = { inductance = "0.9 uH", tolerance = "25 %" }               # seen from the primary; needs its clamp
# clamp = { resistance = "10 kohm", capacitance = "10 nF", drop = "0.8 V", diode_resistance = "0.1 ohm" }
"""

_COMMON = """\
Co = { capacitance = "120 uF", esr = "15 mohm", tolerance = "20 %" }    # a list of parts is a parallel bank
switch = { resistance = "18 mohm" }
diode  = { drop = "0.45 V", resistance = "15 mohm" }

# [input_filter]                        # optional
# L = { inductance = "4.7 uH", resistance = "20 mohm" }
# C = { capacitance = "10 uF", esr = "3 mohm" }
# damper = { resistance = "1 ohm", capacitance = "47 uF" }
# source = { resistance = "0 ohm", inductance = "0 H" }
"""

_PEAK_CURRENT = """
[modulator]
scheme = "peak current"                 # peak current | voltage (then ramp = "1.5 V" in place of the next two)
sense_gain = "60 mV/A"                  # volts at the comparator per ampere in the switch
slope = "40 mV/us"                      # compensating ramp at the comparator; left out, design chooses it
max_duty = 0.9
"""

_VOLTAGE = """
[modulator]
scheme = "voltage"                      # voltage | peak current (then sense_gain and slope in place of ramp)
ramp = "1.5 V"                          # peak to peak
max_duty = 0.9
"""

_TRANSCONDUCTANCE = """
[error_amplifier]
kind = "transconductance"               # transconductance | operational | shunt optocoupler
gm = "1 mS"
output_resistance = "2 Mohm"
reference = "1.2 V"
"""

_OPERATIONAL = """
[error_amplifier]
kind = "operational"                    # operational | transconductance | shunt optocoupler
dc_gain = "80 dB"
gain_bandwidth = "5 MHz"
reference = "1.2 V"
"""

_TAIL = """
[divider]
lower = "10 kohm"                       # upper follows from output voltage and reference unless given

[compensation]                          # parts left out are chosen by design; "none" is a part not fitted
network = "{network}"                     # type I | type II | type III
# R1 = "12 kohm"
# C1 = "10 nF"
# C2 = "150 pF"

[targets]
phase_margin = "55 deg"
gain_margin = "10 dB"
modulus_margin = 0.5                    # smallest distance of the loop gain from -1, min |1+T|
crossover = "auto"                      # or a frequency
crossover_limit = "auto"                # the lower of fs/10 and a quarter of the lowest right-half-plane zero
resistor_series = "E96"
capacitor_series = "E12"
"""

_OWN = """
[stage]                                 # node "supply" is the input, node "0" ground
output = ["out", "0"]                   # the regulated output, positive first
# kinds of elements: inductor, capacitor, resistor, switch, rectifier, coupling, transformer
elements = [
  { kind = "inductor", name = "L1", between = ["supply", "a"], inductance = "33 uH", resistance = "45 mohm" },
  { kind = "inductor", name = "L2", between = ["0", "b"], inductance = "33 uH", resistance = "45 mohm" },
  { kind = "capacitor", name = "Cs", between = ["a", "b"], capacitance = "6.8 uF", esr = "4 mohm", tolerance = "10 %" },
  { kind = "resistor", name = "Rd", between = ["a", "damper"], resistance = "2.7 ohm" },
  { kind = "capacitor", name = "Cd", between = ["damper", "b"], capacitance = "33 uF" },
  { kind = "switch", name = "switch", between = ["a", "0"], resistance = "18 mohm" },
  { kind = "rectifier", name = "diode", between = ["b", "out"], drop = "0.45 V", resistance = "15 mohm" },
  { kind = "capacitor", name = "Co", between = ["out", "0"], capacitance = "120 uF", esr = "15 mohm" },
]
# coupled inductors: { kind = "coupling", name = "coupling", of = ["L1", "L2"], coefficient = 0.98 }
# a further output with its own load:
# outputs = [{ name = "aux", between = ["x", "0"], voltage = "5 V", current = { min = "0.1 A", max = "0.3 A" } }]
"""

_PARTS: dict[StageTable, str] = {
    "one inductor": _ONE_INDUCTOR,
    "two inductors": _TWO_INDUCTORS,
    "transformer": _FLYBACK,
}
_CONTROL = {
    "peak current": (_PEAK_CURRENT + _TRANSCONDUCTANCE, "type II"),
    "voltage": (_VOLTAGE + _OPERATIONAL, "type III"),
}
"""Modulator with the error amplifier and the network that usually go with it."""


def template(topology: str, *, schema: str = "") -> str:
    """Return a commented case file for a topology.

    Parameters
    ----------
    topology : str
        Name of the topology.
    schema : str
        Where the JSON Schema lies; TOML language servers read it from the first line and complete the keys.

    Returns
    -------
    str
        TOML that loads as it stands; its numbers are invented.

    Raises
    ------
    DataError
        There is no such topology.
    """
    if topology == CUSTOM:
        return _own_stage(schema)
    if topology not in TOPOLOGIES:
        near = difflib.get_close_matches(topology, (*TOPOLOGIES, CUSTOM), n=2, cutoff=0.5)
        hint = f"; did you mean {' or '.join(near)}?" if near else ""
        raise DataError(f'unknown topology "{topology}"; expected one of {", ".join((*TOPOLOGIES, CUSTOM))}{hint}')
    facts = TOPOLOGIES[topology]
    given = facts.example
    low, middle, high = given.input_voltage
    light, half, full = given.output_current
    note = "                   # given as a positive number; this topology inverts it" if facts.inverts else ""
    head = _HEAD.format(
        schema=f"#:schema {schema}\n" if schema else "", topology=topology, title=given.title,
        frequency=given.switching_frequency, low=low, middle=middle, high=high, output=given.output_voltage,
        output_note=note, light=light, half=half, full=full,
    )  # fmt: skip
    control, network = _CONTROL[given.scheme]
    return head + _STAGE_HEAD + _PARTS[facts.stage_table] + _COMMON + control + _TAIL.format(network=network)


def _own_stage(schema: str) -> str:
    """Return the case file of a stage of the user's own: the SEPIC's with its stage written element by element."""
    first = next(iter(TOPOLOGIES))
    text = template(first, schema=schema).replace(f'topology = "{first}"', 'topology = "custom"')
    text = text.replace(f"topology {first}", "topology custom")
    begin, end = text.index(_STAGE_HEAD), text.index("\n# [input_filter]")
    return text[:begin] + _OWN + text[end:]
