"""One case file with every kind of entry, for the tests of reading and writing."""

SEPIC = """\
title = "Tide-gauge logger supply"
notes = "free text"

[converter]
topology = "sepic"
switching_frequency = "330 kHz"
rectifier = "diode"

[specification]
input_voltage  = { min = "8 V", nominal = "13 V", max = "30 V" }
output_voltage = "15 V"
output_current = { min = "0.1 A", max = "1.5 A" }
load = "resistive"
load_step = { from = "0.5 A", to = "1.5 A" }

[stage]
L1 = { inductance = "33 uH", resistance = "45 mohm", tolerance = "20 %" }
L2 = { inductance = "33 uH", resistance = "45 mohm", tolerance = "20 %" }
coupling = 0.0
Cs = { capacitance = "6.8 uF", esr = "4 mohm", tolerance = "10 %", bias_curve = [["0 V", 1.0], ["16 V", 0.8], ["35 V", 0.45]] }
damper = { resistance = "2.7 ohm", capacitance = "33 uF" }
Co = { capacitance = "120 uF", esr = "15 mohm", tolerance = "20 %" }
switch = { resistance = "18 mohm" }
diode  = { drop = "0.45 V", resistance = "15 mohm" }

[input_filter]
L = { inductance = "4.7 uH", resistance = "20 mohm" }
C = { capacitance = "10 uF", esr = "3 mohm" }
damper = { resistance = "1 ohm", capacitance = "47 uF" }
source = { resistance = "0 ohm", inductance = "0 H" }

[modulator]
scheme = "peak current"
sense_gain = "60 mV/A"
slope = "40 mV/us"
max_duty = 0.9

[error_amplifier]
kind = "transconductance"
gm = "1 mS"
output_resistance = "2 Mohm"
reference = "1.2 V"

[divider]
lower = "10 kohm"      # keep

[compensation]
network = "type II"
R1 = "12 kohm"         # the zero
C1 = "10 nF"
C2 = "150 pF"

[targets]
phase_margin = "55 deg"
gain_margin = "10 dB"
modulus_margin = 0.5
crossover = "auto"
crossover_limit = "auto"
resistor_series = "E96"
capacitor_series = "E12"
"""

PLAIN = """\
title = "plain numbers"
[converter]
topology = "flyback"
switching_frequency = 130000.0
rectifier = "diode"
[specification]
input_voltage = [48.0]
output_voltage = 12.0
output_current = [0.2]
[stage]
L1 = { inductance = 6e-05, resistance = 0.06 }
turns = 0.35
secondary_resistance = 0.012
Co = { capacitance = 0.00047, esr = 0.018 }
switch = { resistance = 0.09 }
diode = { drop = 0.5, resistance = 0.01 }
[modulator]
scheme = "peak current"
sense_gain = 0.12
slope = 40000.0
max_duty = 0.97
"""


def change(text, *pairs):
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    return text
