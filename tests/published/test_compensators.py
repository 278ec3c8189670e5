"""Compensation networks against printed formulas, tables and worked designs.

Sources: H. D. Venable, "The k-factor: a new mathematical tool for stability analysis and synthesis", Powercon 10, 1983 (VEN83,
formulas from memory); A. I. Pressman, K. Billings, T. Morey, "Switching Power Supply Design", 3rd ed., 2009, chapter 12 (PBM3);
R. W. Erickson, D. Maksimovic, "Fundamentals of Power Electronics", 3rd ed., 2020 (EM3); C. Basso, "Designing Control Loops for
Linear and Switching Power Supplies", 2012 (from memory).
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from stages import averaged_at, converter, one_inductor

from loopdesign.compensation.compensator import Divider, NetworkParts, OperationalAmplifier, TransconductanceAmplifier
from loopdesign.compensation.features import network_features
from loopdesign.compensation.response import compensator_response
from loopdesign.network.topologies import TOPOLOGIES
from loopdesign.synthesis.baseline.placement import (
    k_factor_type2,
    k_factor_type3,
    place_type2_operational,
    place_type2_transconductance,
    place_type3_operational,
    place_type3_transconductance,
)

IDEAL = OperationalAmplifier()


def lag_deg(response):
    """Lag of an inverting amplifier as the printed tables count it: 180 degrees of inversion and what C itself lags."""
    return 180.0 - np.degrees(np.angle(response))


@pytest.mark.parametrize(("k", "lag"), [(2, 233), (3, 216), (4, 208), (5, 202), (6, 198), (10, 191)])
def test_type2_lag_is_the_printed_table(k, lag):
    """K1: PBM3 table 12.1, truncated in print for k = 3, 5, 6: one degree."""
    parts = place_type2_operational(1e4, 1.0, 1e4 / k, 1e4 * k, 1e4)
    response = compensator_response(IDEAL, Divider(upper=1e4), parts, [1e4])[0]
    assert_allclose(lag_deg(response), lag, atol=1.0)
    assert_allclose(lag_deg(response), 270 - np.degrees(np.arctan(k) - np.arctan(1 / k)), rtol=1e-12)


@pytest.mark.parametrize(("spacing", "lag"), [(2, 196), (3, 164), (4, 146), (5, 136), (6, 128)])
def test_type3_lag_is_the_printed_table(spacing, lag):
    """K2: PBM3 table 12.3; its K is the square root of Venable's k. Rounded unevenly in print: one degree."""
    parts = place_type3_operational(1e4, 1.0, (1e4 / spacing,) * 2, (1e4 * spacing,) * 2, 1e4)
    response = compensator_response(IDEAL, Divider(upper=1e4), parts, [1e4])[0]
    assert_allclose(lag_deg(response) % 360, lag, atol=1.0)


@pytest.mark.parametrize(
    ("boost", "k"), [(30, 1.732051), (45, 2.414214), (60, 3.732051), (70, 5.671282), (80, 11.430052)]
)
def test_k_of_type2(boost, k):
    """K1: VEN83 (from memory): k = tan(boost/2 + 45 degrees); six decimals recomputed."""
    assert_allclose(k_factor_type2(boost), k, atol=6e-7)


@pytest.mark.parametrize(
    ("boost", "k"), [(60, 3.0), (90, 5.828427), (120, 13.928203), (135, 25.274142), (150, 57.695481)]
)
def test_k_of_type3(boost, k):
    """K2: VEN83 (from memory): k = tan(boost/4 + 45 degrees)^2; six decimals recomputed."""
    assert_allclose(k_factor_type3(boost), k, atol=6e-7)


def test_type2_example():
    """K1: parts by VEN83's formulas (from memory) for 10 kHz, gain 10, k = 4, 10 kohm; values recomputed (derived)."""
    parts = place_type2_operational(1e4, 10.0, 2.5e3, 4e4, 1e4)
    assert_allclose([parts.C2, parts.C1, parts.R1], [39.7887e-12, 596.831e-12, 106.667e3], rtol=5e-6)
    response = compensator_response(IDEAL, Divider(upper=1e4), parts, [1e4])[0]
    assert_allclose(abs(response), 10.0, rtol=1e-12)
    assert_allclose(np.degrees(np.angle(response)) + 90.0, 61.9275, atol=5e-5)
    features = network_features(IDEAL, Divider(upper=1e4), parts)
    assert_allclose(
        [features["zero"], features["high-frequency pole"], features["integrator"]], [2.5e3, 4e4, 25e3], rtol=1e-12
    )
    assert "low-frequency pole" not in features  # an ideal amplifier integrates down to dc


def test_type3_example():
    """K2: parts by VEN83's formulas (from memory) for 10 kHz, gain 5, boost 120 degrees, 10 kohm; recomputed (derived)."""
    k = k_factor_type3(120)
    parts = place_type3_operational(1e4, 5.0, (1e4 / np.sqrt(k),) * 2, (1e4 * np.sqrt(k),) * 2, 1e4)
    assert_allclose([parts.R1, parts.R2], [14.43376e3, 773.503], rtol=1e-6)
    assert_allclose([parts.C1, parts.C2, parts.C3], [4.115175e-9, 318.310e-12, 5.513289e-9], rtol=1e-6)
    response = compensator_response(IDEAL, Divider(upper=1e4), parts, [1e4])[0]
    assert_allclose(abs(response), 5.0, rtol=1e-12)
    assert_allclose(np.degrees(np.angle(response)) + 90.0, 120.0, rtol=1e-12)
    features = network_features(IDEAL, Divider(upper=1e4), parts)
    assert_allclose([features["zero"], features["lead zero"]], 2679.49, rtol=2e-6)
    assert_allclose([features["high-frequency pole"], features["lead pole"]], 37320.5, rtol=2e-6)


def forward_plant(f, l, c, esr, load, gain):
    """LC output filter with the capacitor's series resistance, loaded, times a gain."""
    s = 2j * np.pi * f
    shunt = 1 / (1 / load + 1 / (esr + 1 / (s * c)))
    return gain * shunt / (s * l + shunt)


def test_type2_worked_design():
    """K3: PBM3 12.9: forward converter, 5 V 10 A, 100 kHz, crossover 20 kHz, K = 4: R2 = 100 k, C1 = 318 pF, C2 = 20 pF, 55 degrees.

    The print takes the midband gain R2/R1 = 100 for the gain at the crossover; exactly it is less by the factor 1 - 1/K^2.
    """
    placed = place_type2_operational(20e3, 100.0 * (1 - 1 / 16), 5e3, 80e3, 1e3)
    assert_allclose([placed.R1, placed.C1], [100e3, 318e-12], rtol=2e-3)
    assert_allclose(placed.C2, 20e-12, rtol=1 / 15)  # the print takes the pole at 1/(2 pi R2 C2), without C1 in series
    printed = NetworkParts(
        network="type II", R1=100e3, C1=1 / (2 * np.pi * 100e3 * 5e3), C2=1 / (2 * np.pi * 100e3 * 80e3)
    )
    f = np.geomspace(15e3, 25e3, 20001)
    gain = 0.5 * (11 - 1) / 3 * 0.5
    plant = forward_plant(f, 15e-6, 2600e-6, 65e-6 / 2600e-6, 0.5, gain)
    loop = plant * compensator_response(IDEAL, Divider(upper=1e3), printed, f)
    at = np.argmin(np.abs(np.log(np.abs(loop))))
    assert_allclose(f[at], 20e3, rtol=0.01)
    assert_allclose(180 + np.degrees(np.angle(loop[at])), 55.0, atol=2.0)


def test_type3_worked_design():
    """K4: PBM3 12.14: 50 kHz, K = 5, zeros 2 kHz, poles 50 kHz, 1 kohm: 40 ohm and 0.08 uF across it, feedback 70.8 k, 45 pF.

    The feedback's other capacitor is misprinted as 0.011 uF, ten times 1/(2 pi 70.8 k 2 kHz). The print neglects one part
    beside the other in every corner frequency, a share of 1/K^2 of which the parts placed exactly are larger or smaller: K2's
    formulas with k = K^2.
    """
    plateau, k = 70.8, 25  # R2/R1 in print; at the crossover the whole network makes it this times K less 1/K^2
    gain = plateau * 5 * (1 - 1 / k)
    parts = place_type3_operational(10e3, gain, (2e3, 2e3), (50e3, 50e3), 1e3)
    C2 = 1 / (2 * np.pi * 10e3 * gain * 1e3)
    C1, R3 = C2 * (k - 1), 1e3 / (k - 1)
    exact = [5 / (2 * np.pi * 10e3 * C1), R3, C1, C2, 1 / (2 * np.pi * 50e3 * R3)]
    found = [parts.R1, parts.R2, parts.C1, parts.C2, parts.C3]
    assert_allclose(found, exact, rtol=1e-12)
    printed = np.array([70.8e3, 40.0, 1.124e-9, 45e-12, 0.08e-6])
    assert_allclose(found, printed * [1, k / (k - 1), 1, k / (k - 1), (k - 1) / k], rtol=6e-3)  # its rounding


@pytest.mark.parametrize(("ratio", "lag"), [(1, 135), (2, 116), (4, 104), (8, 97.1), (10, 95.7)])
def test_output_filter_lag(ratio, lag):
    """K5: PBM3 table 12.2, equation 12.8: far above resonance the lag is 180 - atan(f/fesr). Truncated in print: 0.7 degrees.

    The program's averaged buck, with an inductor so large that resonance is far below; unloaded but for a milliampere.
    """
    c, esr = 1e-3, 0.1
    conv = converter(TOPOLOGIES["buck"], one_inductor(1.0, c, esr=esr), 10.0, 5.0, 1e-3, 100e3)
    f = np.array([ratio / (2 * np.pi * esr * c)])
    plant = averaged_at(conv, 0.5).response(f, "control", "v(out)")[0]
    assert_allclose(-np.degrees(np.angle(plant)), lag, atol=0.7)
    assert_allclose(-np.degrees(np.angle(plant)), 180 - np.degrees(np.arctan(ratio)), atol=0.01)


def test_transconductance_example():
    """K6: closed form after Basso 2012 (from memory): gm = 200 uS, 38 k / 10 k, 5 kHz, zero 1.25 kHz, pole 20 kHz, gain 3 (derived)."""
    divider = Divider(upper=38e3, lower=10e3)
    amplifier = TransconductanceAmplifier(gm=200e-6)
    parts = place_type2_transconductance(5e3, 3.0, 1.25e3, 20e3, 200e-6, divider.ratio)
    assert_allclose([parts.R1, parts.C1, parts.C2], [76.8e3, 1.657864e-9, 110.5243e-12], rtol=5e-7)
    response = compensator_response(amplifier, divider, parts, [5e3])[0]
    assert_allclose(abs(response), 3.0, rtol=1e-12)
    assert_allclose(np.degrees(np.angle(response)) + 90.0, 61.9275, atol=5e-5)
    assert_allclose(network_features(amplifier, divider, parts)["high-frequency pole"], 20e3, rtol=1e-12)


def test_transconductance_midband_gain():
    """K6: PBM3 12.19: zero 1/(2 pi R C1), pole about 1/(2 pi R C2), midband gain gm R (times the divider)."""
    amplifier, divider = TransconductanceAmplifier(gm=1e-3), Divider(upper=90e3, lower=10e3)
    parts = NetworkParts(network="type II", R1=10e3, C1=100e-9, C2=10e-12)
    features = network_features(amplifier, divider, parts)
    assert_allclose(features["zero"], 1 / (2 * np.pi * 10e3 * 100e-9), rtol=1e-12)
    assert_allclose(features["high-frequency pole"], 1 / (2 * np.pi * 10e3 * 10e-12), rtol=2e-4)
    middle = np.sqrt(features["zero"] * features["high-frequency pole"])
    assert_allclose(abs(compensator_response(amplifier, divider, parts, [middle])[0]), 0.1 * 10.0, rtol=2e-4)


@pytest.mark.parametrize("ratio", [2.0, 4.0, 9.0])
def test_lead_network_geometry(ratio):
    """K7: EM3 equations 9.53-9.58: most lead at sqrt(fz fp), theta = atan((sqrt(fp/fz) - sqrt(fz/fp))/2).

    The lead of R2 and C3 across the upper divider resistor, read as the ratio of responses with and without it.
    """
    amplifier, divider = TransconductanceAmplifier(gm=1e-3), Divider(upper=190e3, lower=10e3)
    zeros, poles = (100.0, 3e3), (1e6, 3e3 * ratio)
    with_lead = place_type3_transconductance(1e4, 1.0, zeros, poles, 1e-3, divider)
    without = NetworkParts(network="type II", R1=with_lead.R1, C1=with_lead.C1, C2=with_lead.C2)
    f = np.geomspace(300, 3e5, 30001)
    lead = compensator_response(amplifier, divider, with_lead, f) / compensator_response(amplifier, divider, without, f)
    most = np.argmax(np.angle(lead))
    assert_allclose(f[most], 3e3 * np.sqrt(ratio), rtol=1e-3)
    assert_allclose(np.angle(lead[most]), np.arctan((np.sqrt(ratio) - 1 / np.sqrt(ratio)) / 2), rtol=1e-6)
