"""What control voltage an optocoupler and its pull-up deliver: by hand, and by solving the circuit numerically."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import brentq

from loopdesign.compensation.optocoupler import LightPath

PATH = LightPath(
    pull_up_supply=5.0, pull_up=4.7e3, led_supply=12.0, led_drop=1.1, led_resistance=8.2e3,
    regulator_minimum_voltage=2.5, regulator_minimum_current=0.2e-3, saturation_voltage=0.3,
)  # fmt: skip
SOFT = 1e-3
"""Width [V] over which the transistor of the numerical solution goes from saturated to active."""


def solved_control(path, ratio, cathode):
    """Solve the loop of the light source and the node of the collector, each by root finding; None where it is starved."""
    current = brentq(lambda i: path.led_supply - path.led_drop - i * path.led_resistance - cathode, -1.0, 1.0)
    if current < path.regulator_minimum_current:
        return None

    def surplus(v):
        """Current into the collector node less what the transistor draws there."""
        share = np.clip((v - path.saturation_voltage) / SOFT, 0.0, 1.0)
        return (path.pull_up_supply - v) / path.pull_up - ratio * current * share

    return brentq(surplus, 0.0, path.pull_up_supply)


def swept_range(path, ratio):
    """Lowest and highest control voltage over every cathode voltage at which the regulator works."""
    cathodes = np.linspace(path.regulator_minimum_voltage, path.led_supply - path.led_drop, 2001)
    values = [v for c in cathodes if (v := solved_control(path, ratio, c)) is not None]
    return min(values), max(values)


def test_range_by_hand():
    """8.4 V over 8.2 kohm is 1.0244 mA; with a ratio of 0.7 it pulls 3.370 V off 5 V, 0.2 mA with 1.6 pulls 1.504 V."""
    assert_allclose(PATH.largest_current, 1.02439e-3, rtol=1e-5)
    lowest, highest = PATH.attainable(0.7, 1.6)
    assert_allclose(lowest, 5.0 - 0.7 * 1.02439e-3 * 4.7e3, rtol=1e-5)
    assert_allclose(lowest, 1.6298, atol=1e-4)
    assert_allclose(highest, 5.0 - 1.504, rtol=1e-12)


@pytest.mark.parametrize("ratio", [0.3, 0.7, 1.0, 1.6, 3.0])
def test_range_is_that_of_the_circuit_solved_numerically(ratio):
    lowest, highest = PATH.attainable(ratio, ratio)
    # the sweep of the cathode has steps of 4 mV, which are 4 mV * ratio * 4.7/8.2 at the collector; a saturated
    # transistor is soft by a millivolt
    expected = swept_range(PATH, ratio)
    assert_allclose([lowest, highest], expected, atol=5e-3 * max(ratio, 0.3))


def test_strong_light_saturates_the_transistor():
    assert PATH.attainable(3.0, 3.0)[0] == PATH.saturation_voltage


def test_starved_regulator_sets_nothing():
    """100 kohm lets 84 uA through where the regulator needs 200 uA."""
    starved = LightPath(**{n: getattr(PATH, n) for n in PATH.__slots__} | {"led_resistance": 100e3})
    assert solved_control(starved, 1.0, starved.regulator_minimum_voltage) is None
    lowest, highest = starved.attainable(1.0, 1.0)
    assert lowest > highest


def test_batch_of_supplies():
    """The output feeds the light source: each corner has its own."""
    path = LightPath(**{n: getattr(PATH, n) for n in PATH.__slots__} | {"led_supply": np.array([11.0, 12.0])})
    lowest, _ = path.attainable(0.7, 1.6)
    assert_allclose(lowest, [5.0 - 0.7 * (7.4 / 8.2e3) * 4.7e3, 5.0 - 0.7 * (8.4 / 8.2e3) * 4.7e3], rtol=1e-12)


@pytest.mark.parametrize("wanted", [0.8, 1.5, 2.5])
def test_largest_led_resistor_reaches_the_voltage_and_no_further(wanted):
    limit = float(PATH.largest_led_resistance(0.7, wanted))
    at_limit = LightPath(**{n: getattr(PATH, n) for n in PATH.__slots__} | {"led_resistance": limit})
    assert_allclose(swept_range(at_limit, 0.7)[0], wanted, atol=5e-3)


def test_largest_led_resistor_still_feeds_the_regulator():
    """Close to the supply hardly any current is needed, but the regulator needs its own: 8.4 V over 0.2 mA."""
    assert_allclose(PATH.largest_led_resistance(0.7, 4.99), 42e3, rtol=1e-12)
