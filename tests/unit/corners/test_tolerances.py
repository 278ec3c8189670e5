"""Causes of spread: their ends, what they share, and what they do at their ends."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from wholecase import SEPIC, change

from loopdesign.case import Tolerance, parse_case
from loopdesign.corners.conditions import Corners
from loopdesign.corners.converters import open_loop
from loopdesign.corners.tolerances import Varied, toleranced, variants

ONE = Corners(input_voltage=np.array([13.0]), load_current=np.array([1.0]), temperature=np.array([25.0]))


def causes(*pairs):
    case = parse_case(change(SEPIC, *pairs), "s.toml")
    return case, {v.name: dict(v.ends) for v in toleranced(case)}


@given(low=st.floats(-0.99, 0.0), high=st.floats(0.0, 20.0))
def test_factors_at_the_ends_are_the_ends(low, high):
    cause = Varied(name="Co.esr", ends={"Co.esr": (low, high)})
    factors = cause.factors(np.array([-1.0, 0.0, 1.0, 0.5]))["Co.esr"]
    np.testing.assert_allclose(factors, [1 + low, 1.0, 1 + high, 1 + high / 2], rtol=1e-12)


def test_a_pair_reaches_the_converter():
    """A bank of 120 uF -20 % +80 %: 96 uF and 216 uF; 15 mohm -50 % +400 %: 7.5 and 75 mohm."""
    case, ends = causes(
        ('esr = "15 mohm", tolerance = "20 %"', 'esr = "15 mohm", tolerance = ["-20 %", "+80 %"], esr_tolerance = ["-50 %", "+400 %"]')
    )  # fmt: skip
    assert ends["Co.capacitance"] == {"Co.capacitance": (-0.2, 0.8)}
    assert ends["Co.esr"] == {"Co.esr": (-0.5, 4.0)}
    varied = tuple(v for v in toleranced(case) if v.name.startswith("Co"))
    made = variants(ONE, np.zeros(2, np.intp), varied, np.array([[-1.0, 1.0], [1.0, -1.0]]))
    (co,) = open_loop(case, made).stage.Co
    np.testing.assert_allclose(co.capacitance, [96e-6, 216e-6])
    np.testing.assert_allclose(co.esr, [75e-3, 7.5e-3])


def test_coupled_windings_share_one_core():
    """One factor moves both inductances together; the coupling ranges on its own."""
    case, ends = causes(("coupling = 0.0", "coupling = { min = 0.95, nominal = 0.97, max = 0.99 }"))
    assert ends["core.inductance"] == {"L1.inductance": (-0.2, 0.2), "L2.inductance": (-0.2, 0.2)}
    assert ends["coupling"]["coupling"] == pytest.approx((0.95 / 0.97 - 1, 0.99 / 0.97 - 1))
    assert "L1.inductance" not in ends
    varied = tuple(v for v in toleranced(case) if v.name in {"core.inductance", "coupling"})
    stage = open_loop(case, variants(ONE, np.zeros(2, np.intp), varied, np.array([[-1.0, -1.0], [1.0, 1.0]]))).stage
    np.testing.assert_allclose(stage.L1.inductance, [26.4e-6, 39.6e-6])
    np.testing.assert_allclose(stage.L2.inductance, [26.4e-6, 39.6e-6])
    np.testing.assert_allclose(stage.coupling, [0.95, 0.99])


def test_separate_inductors_vary_on_their_own():
    _, ends = causes()
    assert {"L1.inductance", "L2.inductance"} <= set(ends)
    assert not {"core.inductance", "coupling"} & set(ends)


def test_one_number_for_the_coupling_leaves_it_fixed():
    _, ends = causes(("coupling = 0.0", "coupling = 0.97"))
    assert "core.inductance" in ends
    assert "coupling" not in ends


def test_a_lot_is_one_cause_wherever_its_capacitors_are():
    """Cs, an output capacitor, the damper's capacitor and the filter's, all of one reel: one factor."""
    _, ends = causes(
        ('esr = "4 mohm", tolerance = "10 %"', 'esr = "4 mohm", tolerance = "10 %", lot = "A"'),
        ('esr = "15 mohm", tolerance', 'esr = "15 mohm", lot = "A", tolerance'),
        ('resistance = "2.7 ohm", capacitance = "33 uF"', 'resistance = "2.7 ohm", capacitance = "33 uF", tolerance = "5 %", lot = "A"'),
        ('capacitance = "10 uF", esr = "3 mohm"', 'capacitance = "10 uF", esr = "3 mohm", tolerance = "10 %", lot = "A"'),
    )  # fmt: skip
    assert ends["lot A capacitance"] == {
        "Co.capacitance": (-0.2, 0.2), "Cs.capacitance": (-0.1, 0.1), "damper.capacitance": (-0.05, 0.05),
        "filter.C.capacitance": (-0.1, 0.1),
    }  # fmt: skip
    assert ends["damper.resistance"] == {"damper.resistance": (-0.05, 0.05)}
    assert not {"Cs.capacitance", "Co.capacitance", "filter.C.capacitance"} & set(ends)


def test_controller_values_are_causes():
    _, ends = causes(
        ('sense_gain = "60 mV/A"', 'sense_gain = "60 mV/A"\nsense_gain_tolerance = "15 %"\nslope_tolerance = ["-30 %", "+20 %"]'),
        ("max_duty = 0.9", 'max_duty = 0.9\ncurrent_limit = "120 mV"\ncurrent_limit_tolerance = "10 %"'),
    )  # fmt: skip
    assert ends["sense_gain"] == {"sense_gain": (-0.15, 0.15)}
    assert ends["slope"] == {"slope": (-0.3, 0.2)}
    assert ends["current_limit"] == {"current_limit": (-0.1, 0.1)}


def test_a_tolerance_says_itself():
    assert str(Tolerance(-0.2, 0.2)) == "20 %"
    assert str(Tolerance(-0.2, 0.8)) == "-20 % to +80 %"
    assert not Tolerance(0.0, 0.0)
    assert Tolerance.both(0.05) == (-0.05, 0.05)
