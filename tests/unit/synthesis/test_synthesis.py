"""Design: what comes out meets what was asked, or says why nothing does."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from byhand import Sepic

from loopdesign.analysis.check import examine, examine_stage
from loopdesign.case import load_case, parse_case
from loopdesign.errors import NoDesignError
from loopdesign.models.verdict import worst_modes
from loopdesign.synthesis.baseline.synthesis import place_and_round
from loopdesign.synthesis.choice import choose
from loopdesign.synthesis.choice.confirm import worst_ends
from loopdesign.synthesis.cures.damping import (
    choose_slope,
    half_frequency_quality,
    propose_damper,
    resonance_damping,
    sensed_slopes,
)
from loopdesign.units.preferred import between

CASES = Path(__file__).parents[3] / "cases"
TEXT = (CASES / "tide_gauge_sepic.toml").read_text(encoding="utf-8")
UNDAMPED = "".join(x for x in TEXT.splitlines(keepends=True) if not x.startswith("damper"))


def replaced(*pairs, text=TEXT):
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new)
    return parse_case(text, "case.toml")


def chosen(case):
    """Choose against line and load, on coarse series: what a user sees, in a second."""
    coarse = {"resistor_series": "E24", "capacitor_series": "E6"}
    return choose(case.model_copy(update={"targets": case.targets.model_copy(update=coarse)}), tolerances=False)


@pytest.mark.parametrize("name", ["tide_gauge_sepic", "wave_buoy_coupled_sepic"])
def test_design_keeps_every_target_and_the_trades_rule(name):
    """All corners meet the targets; the crossover stays below a third of the right-half-plane zero (common practice)."""
    found = chosen(load_case(CASES / f"{name}.toml")).check
    assert found.reasons == ()
    for margin, verdict, plant in zip(found.margins, found.verdicts, found.stage.plants, strict=True):
        assert verdict.stable
        assert margin.phase_margin_deg >= 55.0
        assert margin.modulus_margin >= 0.5
        assert margin.crossover_hz < plant.right_half_plane_zero_hz / 3.0


def test_parts_come_from_the_series_and_given_parts_stay():
    found = chosen(replaced(('network = "type II" ', 'network = "type II"\nC2 = "2.2 nF"\n#')))
    parts = found.check.parts
    assert parts["C2"] == 2.2e-9
    assert "C2" not in found.chosen
    assert parts["R1"] in between("E24", 1e2, 1e6)
    assert parts["C1"] in between("E6", 1e-12, 1e-5)


def test_wanted_crossover_is_kept_to():
    found = chosen(replaced(('crossover = "auto"', 'crossover = "2.5 kHz"'))).check
    highest = max(m.crossover_hz for m in found.margins)
    assert 1.5e3 < highest < 2.7e3


@pytest.mark.nightly
def test_type_three_around_an_operational_amplifier():
    """Voltage mode needs the lead of a type III network around the output resonance; continuous conduction throughout."""
    text = (
        TEXT.split("[modulator]")[0].replace('"0.1 A"', '"0.5 A"')
        + """
[modulator]
scheme = "voltage"
ramp = "1.5 V"
max_duty = 0.9
[error_amplifier]
kind = "operational"
dc_gain = "80 dB"
gain_bandwidth = "5 MHz"
reference = "1.2 V"
[divider]
lower = "10 kohm"
[compensation]
network = "type III"
[targets]
phase_margin = "45 deg"
gain_margin = "6 dB"
modulus_margin = 0.4
"""
    )
    found = chosen(parse_case(text, "case.toml")).check
    assert found.stable
    assert min(m.phase_margin_deg for m in found.margins) >= 45.0


def test_unreachable_target_names_the_nearest_miss():
    with pytest.raises(NoDesignError, match="no combination of preferred values") as caught:
        chosen(replaced(("55 deg", "88 deg")))
    error = caught.value
    assert set(error.nearest["parts"]) == {"R1", "C1", "C2"}
    assert any("phase" in o for o in error.obstacles)
    assert any("right-half-plane zero" in o for o in error.obstacles)


def test_missing_damper_is_proposed_and_cures():
    """Near the characteristic impedance, at least four times the coupling capacitor (common practice)."""
    case = parse_case(UNDAMPED, "case.toml")
    stage = examine_stage(case)
    assert any(m.name == "coupling resonance" and not m.stable for m in worst_modes(stage.model))
    found = propose_damper(stage)
    assert found.stable
    assert 0.25 < found.resistance / found.characteristic_impedance < 4.0
    assert found.capacitance >= 4.0 * np.max(stage.converter.stage.Cs.capacitance)
    cure = f"damper = {{ resistance = {found.resistance}, capacitance = {found.capacitance} }}\nswitch = {{"
    cured = parse_case(UNDAMPED.replace("switch = {", cure), "case.toml")
    after = examine_stage(cured)
    assert all(m.stable for m in worst_modes(after.model))
    assert resonance_damping(after.model).min() == pytest.approx(found.damping_ratio, rel=1e-6)
    with pytest.raises(NoDesignError, match="current loop alone is unstable") as caught:
        chosen(case)
    assert caught.value.nearest["damper"]["resistance"] == found.resistance


def test_coupling_the_inductors_cures_as_well():
    cured = parse_case(UNDAMPED.replace("coupling = 0.0", "coupling = 0.98"), "case.toml")
    assert chosen(cured).check.stable


def test_open_slope_is_chosen_for_a_damped_pair():
    """C7: Q of the pair at half the switching frequency is at most one: Ridley 1991 (from memory)."""
    case = replaced(('slope = "40 mV/us" ', "#"))
    found = chosen(case)
    stage = found.check.stage
    on, _ = sensed_slopes(stage.point)
    continuous = ~stage.point.discontinuous
    quality = half_frequency_quality(stage.point.duty, on, found.chosen["slope"])[continuous]
    assert (quality > 0.0).all()
    assert quality.max() <= 1.01
    assert found.chosen["slope"] == choose_slope(stage.point).slope


def test_sensed_slopes_are_the_inductors():
    """On-slope Ri (vL1/L1 + vL2/L2) at the edge by the balance of currents and voltages written by hand, at full load.

    Lighter loads carry less, so their on-slope lies between that and the lossless Ri (Vin/L1 + VCs/L2); the off-slope is
    Ri (Vo + Vd)(1/L1 + 1/L2) but for a thousandth.
    """
    stage = examine_stage(load_case(CASES / "tide_gauge_sepic.toml"))
    on, off = sensed_slopes(stage.point)
    vin = stage.conditions.input_voltage
    full = stage.conditions.load_current == 1.2
    by_hand = Sepic(vout=15.0, load=1.2, winding=0.045, esr=0.004, switch=0.018, drop=0.45, diode=0.015)
    held = stage.converter.stage.Cs.capacitance
    expected = [
        by_hand.slope_at_the_edge(v, 33e-6, c, 1 / 330e3, 0.06) for v, c in zip(vin[full], held[full], strict=True)
    ]
    np.testing.assert_allclose(on[full], expected, rtol=1e-3)
    assert (on[~full] > expected).all()
    assert (on[~full] < 0.06 * 2.0 * vin[~full] / 33e-6).all()
    np.testing.assert_allclose(off, 0.06 * 2.0 * 15.45 / 33e-6, rtol=2e-3)


def test_subharmonic_current_loop_gets_a_slope_proposed():
    with pytest.raises(NoDesignError, match="current loop alone is unstable") as caught:
        chosen(replaced(('"40 mV/us"', '"1 mV/us"')))
    assert any("subharmonic" in o for o in caught.value.obstacles)
    slope = caught.value.nearest["slope"]
    assert chosen(replaced(('"40 mV/us"', f"{slope}"))).check.stable


def test_assessment_names_each_failing_target_and_corner():
    case = replaced(("55 deg", "65 deg"))
    found = examine(case, {"R1": 12e3, "C1": 22e-9, "C2": 1e-10})
    assert any(r.startswith("phase margin") for r in found.reasons)
    assert any("crossover" in r and "is above" in r for r in found.reasons)
    sources = {x.name: x.source for x in found.limits}
    assert sources["phase_margin"] == "case file"
    assert "right-half-plane zero" in sources["crossover_limit"]


def test_baseline_places_rounds_and_keeps_given_parts():
    """The K-factor baseline by itself: preferred values, targets met, and its refusal with obstacles."""
    found = place_and_round(replaced(('network = "type II" ', 'network = "type II"\nC2 = "2.2 nF"\n#')))
    assert found.check.targets_met
    assert found.chosen.keys() == {"R1", "C1"}
    assert found.check.parts["R1"] in between("E96", 1e2, 1e6)
    with pytest.raises(NoDesignError, match="no choice of parts") as caught:
        place_and_round(replaced(("55 deg", "88 deg")))
    assert any("right-half-plane zero" in o for o in caught.value.obstacles)


def test_ends_that_differ_by_rounding_alone_are_picked_in_their_order():
    """Three temperatures at which nothing changes: whatever their last digits say, the same of them are picked."""
    exact = np.repeat([70.0, 65.0, 80.0, 75.0], 3)
    picked = []
    for seed in range(8):
        reading = exact * (1.0 + 2e-13 * np.random.default_rng(seed).standard_normal((5, 12)))
        reading[1, 6:] = np.nan
        names = ("phase_margin_deg", "gain_margin_db", "modulus_margin", "crossover_hz", "largest_multiplier")
        picked.append(worst_ends(SimpleNamespace(**dict(zip(names, reading, strict=True))), 4).tolist())
    assert picked == [[0, 3, 4, 5, 6, 7, 8, 9]] * 8
