"""A published sweep: the current loop over duty and compensating slope, its boundary traced by the program."""

from __future__ import annotations

import numpy as np
import pytest

import loopdesign as ld

BUCK = """
title = "Current loop of a step-down stage"

[converter]
topology = "buck"
switching_frequency = "100 kHz"
rectifier = "synchronous"

[specification]
input_voltage = [8]
output_voltage = 5
output_current = [5]

[stage]
L1 = { inductance = "5 uH" }
Co = { capacitance = "10 mF", esr = "1 mohm" }
switch = { resistance = "1 uohm" }
diode = { drop = "0 V", resistance = "1 uohm" }

[modulator]
scheme = "peak current"
sense_gain = "100 mV/A"
slope = "10 mV/us"
max_duty = 0.95
"""
FALL = 0.1 * 5.0 / 5e-6
"""Slope of the sensed signal while the switch is open [V/s]."""


@pytest.fixture(scope="module")
def swept(tmp_path_factory):
    """Sweep input voltage, and with it the duty, and the compensating slope."""
    path = tmp_path_factory.mktemp("published") / "buck.toml"
    path.write_text(BUCK, encoding="utf-8")
    return ld.sweep(
        path,
        {"specification.input_voltage": ("5.6 V", "9.5 V"), "modulator.slope": (0.02 * FALL, 0.5 * FALL)},
        points=6,
    )


def ratio(duty, slope):
    """C1: factor from period to period, ``-(1 - ma/m2) / (D'/D + ma/m2)``."""
    return -(1.0 - slope / FALL) / ((1.0 - duty) / duty + slope / FALL)


def test_subharmonic_factor_over_duty_and_slope(swept):
    """C1: wherever the factor exceeds one it is the largest multiplier."""
    checked = 0
    for point in swept.points:
        line, slope = point.values
        expected = abs(ratio(5.0 / line, slope))
        if expected > 1.01:
            assert point.largest_multiplier == pytest.approx(expected, rel=5e-3)
            assert point.stable is False
            checked += 1
        elif expected < 0.99:
            assert point.stable
    assert checked > 5


def test_traced_boundary_is_where_the_damping_vanishes(swept):
    """C7: the quality ``1 / (pi (mc D' - 0.5))`` is infinite there, with ``mc = 1 + Se / Sn`` and ``Sn = Sf D'/D``."""
    (curve,) = swept.boundary.curves
    line, slope = curve.T
    duty = 5.0 / line
    mc = 1.0 + slope / (FALL * (1.0 - duty) / duty)
    np.testing.assert_allclose(mc * (1.0 - duty), 0.5, rtol=2e-3)
    assert np.ptp(duty) > 0.2
