"""Where a filter, a drop or a second conduction shrinks to nothing, the answers are those without it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from stages import BOOST, BUCK_BOOST, converter, one_inductor, trap

from loopdesign.errors import UnreachableOutputError
from loopdesign.models.switched import control_to_output, linearise, output_impedance
from loopdesign.network.converter import LOAD
from loopdesign.network.elements import Capacitor, Inductor, Resistor
from loopdesign.orbit.augmented import Stepper
from loopdesign.orbit.operating_point import operating_point
from loopdesign.orbit.periodic import slope_over_duty

FREQUENCIES = np.geomspace(30.0, 1e5, 20)
DAMPED = {"damper": (2.2, 22e-6)}


def little_filter(size):
    return (
        Inductor(name="Lof", a="out", b=LOAD, inductance=1e-6 * size, resistance=1e-3 * size),
        Capacitor(name="Cof", a=LOAD, b="0", capacitance=1e-6 * size, esr=1e-2),
        Resistor(name="Rofd", a="out", b=LOAD, resistance=10.0),
    )


@pytest.mark.parametrize("sense", ["after", "before"])
@pytest.mark.parametrize("current", [1.25, 0.05])
def test_filter_to_nothing(sense, current):
    plain = trap(20.0, current=current, **DAMPED)
    size = 1e-6
    filtered = replace(plain, output_filter=little_filter(size), filter_resistance=1e-3 * size, sense=sense)
    one, other = operating_point(plain), operating_point(filtered)
    assert other.duty[0] == pytest.approx(one.duty[0], rel=10.0 * size)  # what a filter of this size can move
    a, b = linearise(one), linearise(other)
    assert_allclose(control_to_output(b, FREQUENCIES), control_to_output(a, FREQUENCIES), rtol=1e-4)
    assert_allclose(output_impedance(b, FREQUENCIES), output_impedance(a, FREQUENCIES), rtol=1e-4)


def test_voltage_load_without_a_drop_is_a_resistor():
    plain = trap(20.0, **DAMPED)
    string = replace(plain, load="voltage", load_resistance=plain.output_voltage / plain.load_current, load_drop=0.0)
    a, b = (linearise(operating_point(c)) for c in (plain, string))
    assert_allclose(control_to_output(b, FREQUENCIES), control_to_output(a, FREQUENCIES), rtol=1e-9)
    assert_allclose(np.sort(np.abs(b.multipliers)), np.sort(np.abs(a.multipliers)), rtol=1e-9)


def test_sensed_current_of_a_resistor_is_its_voltage():
    """Over a resistive load the sensed current is the output voltage in another unit."""
    plain = trap(20.0, **DAMPED)
    sense = 1e-6
    sensed = replace(plain, current_sense=sense)
    a, b = (linearise(operating_point(c)) for c in (plain, sensed))
    ratio = sense * plain.load_current / plain.output_voltage
    assert_allclose(control_to_output(b, FREQUENCIES), control_to_output(a, FREQUENCIES) * ratio[0], rtol=1e-5)


def test_everyday_flyback_below_its_continuous_duty():
    """24 V to 48 V, 0.67 A, 20 uH, 100 kHz, one to one: discontinuous at D = sqrt(2 L P fs) / Vin, below the limit of 0.5.

    The whole energy of each cycle goes to the output (R. W. Erickson, D. Maksimovic, 2020, chapter 15).
    """
    conv = converter(BUCK_BOOST, one_inductor(20e-6, 1e-3), 24.0, 48.0, 0.67, 100e3, max_duty=0.5)
    point = operating_point(conv)
    assert point.discontinuous[0]
    assert point.duty[0] == pytest.approx(np.sqrt(2 * 20e-6 * 48.0 * 0.67 * 100e3) / 24.0, rel=1e-4)


@pytest.mark.parametrize("short", [1e-4, 1e-5])
def test_the_rising_side_right_up_to_the_fold(short):
    """Closer and closer to the highest output the smaller duty is found, on the rising side; beyond it nothing is."""
    stage = one_inductor(20e-6, 500e-6, winding=0.1, switch=0.05, diode=0.03, drop=0.4, esr=0.01)

    def lossy(vout):
        return converter(BOOST, stage, 5.0, vout, vout / 7.5, 100e3)

    with pytest.raises(UnreachableOutputError) as caught:
        operating_point(lossy(40.0))
    # the fold at this load resistance, from the error of a target just beyond it
    top = caught.value.highest_output * 40.0 / caught.value.target
    with pytest.raises(UnreachableOutputError):
        operating_point(lossy(top * (1.0 + short)))
    point = operating_point(lossy(top * (1.0 - short)))
    assert point.duty[0] < caught.value.duty
    assert slope_over_duty(point, Stepper(point.problem))[0] > 0.0
