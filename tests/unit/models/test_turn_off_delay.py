"""A delay between the comparator's trip and the opening of the switch, against the sampled triangle written by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from stages import BUCK, converter, one_inductor

from loopdesign.models.switched import linearise
from loopdesign.network.modulator import PeakCurrentMode
from loopdesign.orbit.operating_point import operating_point

FS = 200e3
HELD, SENSE, COIL = 1e3, 0.25, 160e-6


def delayed_buck(D, ramp, delay):
    """Buck into an output that holds; the slopes are constants and the current a triangle."""
    vin, vout = 30.0, 30.0 * D
    up = (vin - vout) / COIL
    modulator = PeakCurrentMode(sense_gain=SENSE, slope=ramp * SENSE * up)
    conv = converter(BUCK, one_inductor(COIL, HELD), vin, vout, vout / 10.0, FS, modulator=modulator)
    return replace(conv, turn_off_delay=delay), up


@pytest.mark.parametrize(("D", "ramp"), [(0.3, 0.0), (0.45, 0.5)])
@pytest.mark.parametrize("delay", [0.0, 200e-9, 600e-9])
def test_turn_off_delay_of_a_triangle(D, ramp, delay):
    """The comparator trips a delay before the peak: vc = Ri (Ipeak - m1 td) + Se (D Ts - td), derived.

    A perturbation still multiplies by alpha = -(m2 - ma)/(m1 + ma) (C1); the answer of the current to the control is that without a
    delay, later by just the delay.
    """
    conv, up = delayed_buck(D, ramp, delay)
    point = operating_point(conv)
    peak = 3.0 * D + up * D / FS / 2
    Se = ramp * SENSE * up
    assert point.trim[0] == pytest.approx(SENSE * (peak - up * delay) + Se * (D / FS - delay), rel=1e-6)
    assert point.duty[0] == pytest.approx(D, rel=1e-6)
    down = up * D / (1 - D)
    alpha = -(down - ramp * up) / (up + ramp * up)
    model = linearise(point)
    assert np.abs(model.multipliers[0] - alpha).min() < 1e-6
    f = np.array([5e3, 30e3, 70e3])
    z = np.exp(-2j * np.pi * f / FS)
    expected = (1 - alpha) / (1 - alpha * z) * (1 - z) / (2j * np.pi * f / FS) / SENSE
    found = model.response(f, "control", ["v(out)"])[0, 0] * (1 / 10.0 + 2j * np.pi * f * HELD)
    assert_allclose(found, expected * np.exp(-2j * np.pi * f * delay), rtol=1e-5)
