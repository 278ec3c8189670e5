"""From a case to converters: bias, temperature, factors and controller values end where they belong."""

from pathlib import Path

import numpy as np
import pytest

from loopdesign.case import load_case, parse_case
from loopdesign.corners.conditions import Corners
from loopdesign.corners.converters import (
    amplifier,
    divider,
    line_load_corners,
    network_parts,
    one_corner,
    open_loop,
    solved,
)
from loopdesign.orbit.waveforms import average_state

CASES = Path(__file__).parents[3] / "cases"
SEPIC = CASES / "tide_gauge_sepic.toml"


def test_capacitors_stand_at_their_own_bias():
    """The coupling capacitor sees the input voltage: its value is the curve's at its own average voltage."""
    case = load_case(SEPIC)
    converter, point = solved(case, line_load_corners(case))
    mean = average_state(point) / point.network.state_scale
    bias = mean[:, point.network.states.index("v(Cs)")]
    volts, ratios = zip(*case.stage.Cs.bias_curve, strict=True)
    np.testing.assert_allclose(converter.stage.Cs.capacitance, 6.8e-6 * np.interp(bias, volts, ratios), rtol=1e-6)
    np.testing.assert_allclose(bias, np.repeat([8.0, 13.0, 30.0], 2), rtol=0.02)
    bank = converter.stage.Co[1].capacitance
    np.testing.assert_allclose(bank, 10e-6 * 0.6, rtol=1e-3)  # the curve's point at 15 V


def test_resistance_follows_temperature():
    """R (1 + a (T - 25 degC)): copper at 3900 ppm/K gains 39 % over 100 K."""
    text = SEPIC.read_text(encoding="utf-8")
    warm = text.replace('"45 mohm", tol', '"45 mohm", temperature_coefficient = "3900 ppm/K", tol')
    case = parse_case(warm, "warm.toml")
    corners = Corners(input_voltage=np.full(2, 13.0), load_current=np.ones(2), temperature=np.array([25.0, 125.0]))
    np.testing.assert_allclose(open_loop(case, corners).stage.L1.resistance, [0.045, 0.045 * 1.39])


def test_factors_reach_their_values():
    case = load_case(CASES / "tide_gauge_sepic_undamped.toml")
    varied = {"L1.inductance": np.array([0.8]), "gm": np.array([1.3]), "compensation.C1": np.array([0.9])}
    corners = Corners(
        input_voltage=np.array([13.0]), load_current=np.array([1.0]), temperature=np.array([25.0]), factors=varied
    )
    assert open_loop(case, corners).stage.L1.inductance == pytest.approx(0.8 * 33e-6)
    assert open_loop(case, corners).stage.L2.inductance == pytest.approx(33e-6)
    assert amplifier(case, corners).gm == pytest.approx(1.3e-3)
    assert pytest.approx(0.9 * 56e-9) == network_parts(case, case.compensation.parts, corners).C1
    assert amplifier(case).gm == 1e-3


def test_upper_resistor_follows_from_output_and_reference():
    """15 V from 1.2 V over 10 kohm: 10 kohm (15 / 1.2 - 1) = 115 kohm."""
    assert divider(load_case(SEPIC)).upper == pytest.approx(115e3)


def test_optocoupler_pole_moves_with_its_load():
    """Bandwidth measured with 1 kohm; with a 4.7 kohm pull-up the pole lies 4.7 times lower (common practice)."""
    text = (CASES / "echo_sounder_flyback.toml").read_text(encoding="utf-8")
    given = parse_case(text, "x.toml")
    loaded = parse_case(text.replace("pull_up =", 'bandwidth_load = "1 kohm"\npull_up =', 1), "x.toml")
    assert amplifier(given).bandwidth == given.error_amplifier.bandwidth
    assert amplifier(loaded).bandwidth == pytest.approx(given.error_amplifier.bandwidth / 4.7)


def test_one_corner_is_nominal():
    case = load_case(SEPIC)
    corners = one_corner(case, 9.0, 0.7)
    assert (len(corners), corners.temperature[0], corners.factor("gm")) == (1, 25.0, 1.0)
