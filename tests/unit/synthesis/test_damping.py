"""Damper and slope against closed forms: coupled windings, the damping of a mode, the floor of the ramp, factors of the damper."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from modes import all_modes
from numpy.testing import assert_allclose
from stages import BOOST, SEPIC, averaged_at, converter, one_inductor, trap, two_inductor

from loopdesign.analysis.check import examine_stage
from loopdesign.case import parse_case
from loopdesign.corners.conditions import Corners
from loopdesign.corners.converters import open_loop
from loopdesign.models.roots import poles_hz
from loopdesign.models.switched import linearise
from loopdesign.network.converter import network
from loopdesign.network.modulator import PeakCurrentMode
from loopdesign.orbit.operating_point import operating_point
from loopdesign.synthesis.cures.damping import (
    SlopeChoice,
    choose_slope,
    half_frequency_quality,
    loop_inductance,
    propose_damper,
    resonance_damping,
    sensed_slopes,
)
from loopdesign.units.preferred import between

CASES = Path(__file__).parents[3] / "cases"
TEXT = (CASES / "tide_gauge_sepic_undamped.toml").read_text(encoding="utf-8")


def stage_of(conv):
    return SimpleNamespace(converter=conv)


# ---- what the coupling capacitor resonates with ----


@pytest.mark.parametrize("k", [0.0, 0.3, 0.9])
def test_inductance_of_coupled_windings(k):
    """L1 + L2 - 2 M, by hand and as the idle network swings: with both devices open only that loop is left."""
    L1, L2, Cs = 33e-6, 12e-6, 4e-6
    conv = converter(SEPIC, two_inductor(L1, L2, Cs, 1e-4, coupling=k), 12.0, 12.0, 1.0, 300e3)
    assert loop_inductance(stage_of(conv)) == pytest.approx(L1 + L2 - 2 * k * np.sqrt(L1 * L2), rel=1e-12)
    turns = np.linalg.eigvals(network(conv).configurations[2].A[0]) * 300e3
    swing = np.abs(turns.imag).max()
    assert loop_inductance(stage_of(conv)) == pytest.approx(1 / (swing**2 * Cs), rel=1e-9)


def test_inductance_needs_two_windings():
    conv = converter(BOOST, one_inductor(1e-5, 1e-4), 12.0, 24.0, 1.0, 300e3)
    with pytest.raises(ValueError, match="one inductor and no coupling capacitor"):
        loop_inductance(stage_of(conv))


# ---- damping of a mode ----


@pytest.mark.parametrize(("vin", "damper"), [(30.0, None), (13.0, (2.2, 22e-6)), (13.0, (12.0, 22e-6))])
def test_damping_ratio_is_that_of_the_pole(vin, damper):
    """-Re p/|p| of the averaged model's pair at the resonance, which differs by what averaging leaves out (a percent or two)."""
    conv = trap(vin, damper=damper)
    model = linearise(operating_point(conv))
    found = resonance_damping(model)[0]
    mode = next(m for m in all_modes(model) if m.name == "coupling resonance")
    assert found == pytest.approx(
        -mode.growth_per_s / np.hypot(mode.growth_per_s, 2 * np.pi * mode.frequency_hz), rel=1e-9
    )
    poles = poles_hz(averaged_at(conv, operating_point(conv).duty[0]), 0)
    near = min((p for p in poles if p.imag > 0), key=lambda p: abs(abs(p) - mode.frequency_hz))
    assert found == pytest.approx(-near.real / abs(near), rel=0.05, abs=1e-3)


def test_a_growing_resonance_has_a_negative_ratio_and_none_counts_as_damped():
    """Corner by corner: undamped at low line, undamped at high line."""
    low, high = resonance_damping(linearise(operating_point(trap(np.array([6.0, 30.0])))))
    assert low < 0.0 < high
    boost = converter(BOOST, one_inductor(2e-5, 1e-4), 12.0, 24.0, 1.0, 300e3)
    assert resonance_damping(linearise(operating_point(boost))).tolist() == [1.0]


# ---- the damper ----


def one_corner(coupling, *, damper="", slope="40 mV/us"):
    """Shipped undamped SEPIC at its lowest line and full load, with its windings coupled."""
    text = TEXT.replace("coupling = 0.0", f"coupling = {coupling}").replace("40 mV/us", slope)
    text = text.replace('{ min = "8 V", nominal = "13 V", max = "30 V" }', '["8 V"]')
    text = text.replace('{ min = "0.1 A", max = "1.2 A" }', '["1.2 A"]').replace(
        "switch = {", f"{damper}switch = {{", 1
    )
    return parse_case(text, "gauge.toml")


def examined(resistance, capacitance, **case):
    """Damping ratio and stability of the current loop with a damper, as a case of its own."""
    damper = f"damper = {{ resistance = {resistance}, capacitance = {capacitance} }}\n"
    model = examine_stage(one_corner(damper=damper, **case)).model
    return resonance_damping(model).min(), bool((np.abs(model.multipliers) < 1.0).all())


def test_damper_for_coupled_windings_is_the_best_of_the_series():
    """Every E12 resistance within a factor of four of sqrt(L/C), each examined as a case of its own: the same pick."""
    stage = examine_stage(one_corner(0.4))
    found = propose_damper(stage)
    capacitance = stage.converter.stage.Cs.capacitance
    impedance = np.sqrt((33e-6 + 33e-6 - 2 * 0.4 * 33e-6) / capacitance[0])
    assert found.characteristic_impedance == pytest.approx(impedance, rel=1e-12)
    assert found.capacitance == between("E6", 4.0 * capacitance[0], 1.0)[0]
    tried = {r: examined(r, found.capacitance, coupling=0.4) for r in between("E12", impedance / 4, impedance * 4)}
    best = max(tried, key=lambda r: (tried[r][1], tried[r][0]))
    assert found.resistance == best
    assert found.stable
    assert found.damping_ratio == pytest.approx(tried[best][0], rel=1e-6)


def test_damper_cannot_cure_a_subharmonic():
    """With next to no ramp every damper leaves the current loop unstable: the proposal says so and damps as well as any can."""
    stage = examine_stage(one_corner(0.0, slope="1 mV/us"))
    found = propose_damper(stage)
    assert not found.stable
    capacitance = stage.converter.stage.Cs.capacitance[0]
    sizes = between("E6", 4.0 * capacitance, 12.0 * capacitance)
    assert found.capacitance in sizes
    near = between("E12", 0.6 * found.resistance, 1.6 * found.resistance)
    every = {(r, c): examined(r, c, coupling=0.0, slope="1 mV/us") for r in near for c in sizes}
    assert not any(stable for _, stable in every.values())
    assert max(every, key=lambda at: every[at][0]) == (found.resistance, found.capacitance)


def test_factors_of_the_damper_reach_its_values():
    """Resistance and capacitance each by its own factor, corner by corner; L2, Cs and the bank likewise."""
    case = one_corner(0.0, damper='damper = { resistance = "2.7 ohm", capacitance = "33 uF" }\n')
    factors = {
        "damper.resistance": np.array([0.8, 1.2]), "damper.capacitance": np.array([1.1, 0.7]),
        "L2.inductance": np.array([1.3, 0.9]), "Cs.capacitance": np.array([0.6, 1.5]), "Cs.esr": np.array([2.0, 3.0]),
    }  # fmt: skip
    corners = Corners(
        input_voltage=np.full(2, 13.0), load_current=np.ones(2), temperature=np.full(2, 25.0), factors=factors
    )
    values = open_loop(case, corners).stage
    assert_allclose(values.damper.resistance, [2.16, 3.24], rtol=1e-12)
    assert_allclose(values.damper.capacitance, [36.3e-6, 23.1e-6], rtol=1e-12)
    assert_allclose(values.L2.inductance, [42.9e-6, 29.7e-6], rtol=1e-12)
    assert_allclose(values.Cs.capacitance, [4.08e-6, 10.2e-6], rtol=1e-12)
    assert_allclose(values.Cs.esr, [8e-3, 12e-3], rtol=1e-12)
    assert values.L1.inductance == 33e-6


# ---- the slope ----

SENSE, INDUCTANCE, FS = 0.1, 47e-6, 200e3


def boost_point(D, load=0.5):
    vout = 12.0 / (1 - np.asarray(D, float))
    modulator = PeakCurrentMode(sense_gain=SENSE, slope=1e3)
    return operating_point(
        converter(BOOST, one_inductor(INDUCTANCE, 1e-2), 12.0, vout, load * vout, FS, modulator=modulator)
    )


def test_sensed_slopes_of_a_boost():
    """Ri Vin/L rising, Ri (V - Vin)/L falling, both counted positive."""
    on, off = sensed_slopes(boost_point([0.3, 0.6]))
    assert_allclose(on, SENSE * 12.0 / INDUCTANCE, rtol=1e-3)
    assert_allclose(off, SENSE * 12.0 * np.array([0.3 / 0.7, 0.6 / 0.4]) / INDUCTANCE, rtol=1e-3)


@pytest.mark.parametrize("quality", [1.0, 0.7])
@pytest.mark.parametrize("D", [0.45, 0.6, 0.75])
def test_slope_by_hand(D, quality):
    """C7: smallest E12 ramp with 1/(pi ((1 + Se/Sn) D' - 1/2)) at most the quality asked: Ridley 1991 (from memory)."""
    on = SENSE * 12.0 / INDUCTANCE
    needed = on * ((0.5 + 1 / (np.pi * quality)) / (1 - D) - 1)
    assert half_frequency_quality(D, on, needed) == pytest.approx(quality, rel=1e-12)
    found = choose_slope(boost_point([D]), quality)
    assert found.slope == between("E12", needed * 0.999, 10 * needed)[0]
    assert found.quality[0] <= quality * 1.002
    assert found.quality[0] == pytest.approx(half_frequency_quality(D, on, found.slope), rel=5e-3)
    assert_allclose(found.sensed_fall, SENSE * 12.0 * D / (1 - D) / INDUCTANCE, rtol=1e-3)


def test_slope_of_several_corners_serves_the_neediest():
    """The highest duty asks for most, wherever it stands in the batch."""
    alone = choose_slope(boost_point([0.7])).slope
    for corners in ([0.7, 0.3, 0.5], [0.3, 0.7, 0.5], [0.3, 0.5, 0.7]):
        assert choose_slope(boost_point(corners)).slope == alone


@pytest.mark.parametrize(("D", "load"), [(0.12, 0.5), (0.08, 0.5)])
def test_floor_of_the_slope(D, load):
    """At so low a duty no ramp is needed (Q below one without any); a tenth of the falling slope is left (common practice)."""
    on, fall = SENSE * 12.0 / INDUCTANCE, SENSE * 12.0 * D / (1 - D) / INDUCTANCE
    assert half_frequency_quality(D, on, 0.0) < 1.0
    found = choose_slope(boost_point([D], load))
    assert isinstance(found, SlopeChoice)
    assert found.slope == between("E12", 0.0999 * fall, fall)[0]


def test_floor_of_the_slope_in_discontinuous_conduction():
    """Discontinuous corners oscillate at no duty by this mechanism, so that a high duty asks for no more than the floor."""
    point = boost_point([0.6], load=2e-4)
    assert point.discontinuous[0]
    _, off = sensed_slopes(point)
    assert choose_slope(point).slope == between("E12", 0.0999 * off[0], off[0])[0]


def test_damper_is_tried_with_each_corner_s_own_modulator_and_filter():
    """Two temperatures, a sense gain and a choke that follow them: the pick is as good as its own case says."""
    changes = (
        ('sense_gain = "60 mV/A"', 'sense_gain = "60 mV/A"\nsense_gain_temperature_coefficient = "4000 ppm/K"'),
        ("[modulator]", ('[input_filter]\nL = { inductance = "0.1 uH", resistance = "9 mohm", temperature_coefficient = "3900 ppm/K" }\n'
                        'C = { capacitance = "100 uF", esr = "20 mohm", bias_curve = [["0 V", 1.0], ["40 V", 0.5]] }\n\n[modulator]')),
        ('{ min = "8 V", nominal = "13 V", max = "30 V" }', '["8 V", "9 V"]'),
        ('{ min = "0.1 A", max = "1.2 A" }', '["1.2 A"]'),
    )  # fmt: skip
    text = TEXT
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    at = Corners(
        input_voltage=np.array([8.0, 8.0, 9.0]), load_current=np.full(3, 1.2), temperature=np.array([25.0, 85.0, 25.0])
    )
    found = propose_damper(examine_stage(parse_case(text, "x"), at))
    fitted = f"damper = {{ resistance = {found.resistance}, capacitance = {found.capacitance} }}\nswitch = {{"
    model = examine_stage(parse_case(text.replace("switch = {", fitted, 1), "x"), at).model
    assert resonance_damping(model).min() == pytest.approx(found.damping_ratio, rel=1e-6)
    assert found.stable == bool((np.abs(model.multipliers) < 1.0).all())
