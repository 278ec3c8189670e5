"""A capacitor from the output and one from an operational amplifier that meet at the feedback node without resistance.

Together with the output's own capacitors they would be a loop without resistance; the netlist gives them one state. The
judge is the netlist without that: the same with a small resistor in series, to which everything must tend as it falls.
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose

import loopdesign as ld
from loopdesign.case import parse_case

TEXT = """
title = "Tide-staff supply"
[converter]
topology = "buck"
switching_frequency = "300 kHz"
rectifier = "synchronous"
[specification]
input_voltage = ["12 V"]
output_voltage = "3.3 V"
output_current = ["3 A"]
load_step = { from = "0.5 A", to = "3 A" }
[stage]
L1 = { inductance = "6.8 uH", resistance = "15 mohm" }
Co = { capacitance = "100 uF", esr = "12 mohm" }
switch = { resistance = "18 mohm" }
diode = { drop = "0 V", resistance = "12 mohm" }
[modulator]
scheme = "voltage"
ramp = "1.5 V"
[error_amplifier]
kind = "operational"
dc_gain = "80 dB"
gain_bandwidth = "10 MHz"
reference = "0.8 V"
[divider]
lower = "10 kohm"
[compensation]
network = "type III"
R1 = "14 kohm"
C1 = "68 nF"
C2 = "150 pF"
"""


def readings(parts):
    """Margins, multiplier and the departure at a load step."""
    case = parse_case(TEXT.replace("[divider]", f"[divider]\n{parts.pop('divider', '')}") + "\n".join(
        f"{k} = {v}" for k, v in parts.items()
    ), "staff")  # fmt: skip
    corner = ld.check(case, nominal=True).corners[0]
    stepped = ld.step(case).to_rows()[0]
    assert stepped["stable"]
    return np.array(
        [corner.crossover_hz, corner.phase_margin_deg, corner.modulus_margin, corner.largest_multiplier,
         stepped["peak_deviation_v"]]
    )  # fmt: skip


@pytest.fixture(scope="module")
def without():
    return readings({"R2": '"none"', "C3": '"680 pF"'})


def test_it_is_the_limit_of_a_small_resistor(without):
    """A tenth of the resistance leaves a tenth of the difference, in frequency and in time."""
    some, more = (readings({"R2": ohm, "C3": '"680 pF"'}) - without for ohm in (0.3, 3.0))
    assert_allclose(some / more, 0.1, rtol=0.02)  # what is quadratic in the resistance
    assert (np.abs(more) < 1e-3 * without).all()


def test_feed_forward_capacitor_is_the_same_network(without):
    """The capacitor across the upper resistor and C3 without R2 are one thing under two names."""
    other = readings({"R2": '"none"', "C3": '"none"', "divider": 'feedforward = "680 pF"'})
    assert_allclose(without, other, rtol=1e-12)
    assert without[1] == pytest.approx(66.0, abs=5.0)
