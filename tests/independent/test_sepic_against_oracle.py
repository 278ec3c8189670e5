"""The program's answers about the SEPIC against hand-derived equations simulated cycle by cycle.

Expected values come from ``cyclesim``: multipliers from the differentiated one-cycle map, responses from an injected sinusoid.
Both sides are exact for the same circuit, so the tolerances only leave room for differentiation and for printed digits.
"""

from __future__ import annotations

import math

import pytest
from cyclesim import Converter, cycle_means, operating_point, response, worst
from oraclecases import ask, ask_response, corner, reference, trap

LOAD = 1.25
MULTIPLIER_TOLERANCE = 1e-5


def _light():
    """Return the damped case at a load and line where the diode current reaches zero."""
    return trap(damper=True, specification={"input_voltage": [20.0], "output_current": [0.05]})


def _subharmonic(*, damper=False, coupling=0.0):
    spec = {"input_voltage": [10.0], "output_current": [LOAD]}
    return trap(damper=damper, coupling=coupling, specification=spec, modulator={"slope": 0.0})


def _compare_with_check(case, answer, input_voltage, load_current):
    """Hold one corner of a check against the simulation; returns the simulated operating point and the corner."""
    conv = Converter(case, closed=True, input_voltage=input_voltage, load_current=load_current)
    orbit = operating_point(conv)
    size, frequency, growth, _ = worst(conv, orbit)
    held = Converter(case, input_voltage=input_voltage, load_current=load_current)
    held_size = worst(held, operating_point(held))[0]
    found = corner(answer, input_voltage, load_current)
    fs = 1.0 / conv.p.period
    assert found["mode"] == orbit.mode
    assert found["duty"] == pytest.approx(orbit.duty, rel=1e-6)
    assert found["stable"] is bool(size < 1.0)
    assert found["current_loop_stable"] is bool(held_size < 1.0)
    assert found["largest_multiplier"] == pytest.approx(size, rel=MULTIPLIER_TOLERANCE)
    mode = found["worst_mode"]
    assert mode["growth_per_s"] == pytest.approx(growth, rel=1e-4, abs=MULTIPLIER_TOLERANCE * fs)
    assert mode["frequency_hz"] == pytest.approx(frequency, rel=1e-4, abs=1e-6 * fs)
    return orbit, found


def test_undamped_sepic_is_unstable_at_low_line_and_stable_at_high_line(tmp_path):
    case = trap()
    answer = ask("check", case, tmp_path)
    verdicts = {vin: _compare_with_check(case, answer, vin, LOAD)[1]["stable"] for vin in (6.0, 13.0, 30.0)}
    assert verdicts[6.0] is False
    assert verdicts[30.0] is True
    assert answer["verdict"]["stable"] is False
    low = corner(answer, 6.0, LOAD)
    assert low["current_loop_stable"] is False
    # the resonance of Cs with L1 + L2, 1 / (2 pi sqrt(Cs (L1 + L2))) = 12.0 kHz (closed form)
    assert low["worst_mode"]["frequency_hz"] == pytest.approx(1.0 / (2 * math.pi * math.sqrt(4e-6 * 44e-6)), rel=0.03)


@pytest.mark.parametrize("cure", [{"damper": True}, {"coupling": 0.98}], ids=["damper", "coupled"])
def test_damper_or_coupling_cures_every_line(cure, tmp_path):
    case = trap(**cure)
    answer = ask("check", case, tmp_path)
    for vin in (6.0, 13.0, 30.0):
        _, found = _compare_with_check(case, answer, vin, LOAD)
        assert found["stable"] is True
        assert found["current_loop_stable"] is True
    assert answer["verdict"]["stable"] is True


def test_discontinuous_closed_loop_multiplier(tmp_path):
    case = _light()
    orbit, found = _compare_with_check(case, ask("check", case, tmp_path), 20.0, 0.05)
    assert orbit.mode == "DCM"
    assert found["stable"] is True


@pytest.mark.parametrize("cure", [{"damper": True}, {"coupling": 0.98}], ids=["damper", "coupled"])
def test_missing_slope_beyond_half_duty_is_subharmonic(cure, tmp_path):
    case = _subharmonic(**cure)
    answer = ask("check", case, tmp_path)
    orbit, found = _compare_with_check(case, answer, 10.0, LOAD)
    assert orbit.duty > 0.5
    assert found["stable"] is False
    assert found["current_loop_stable"] is False
    assert found["worst_mode"]["frequency_hz"] == pytest.approx(150e3, rel=1e-6)
    assert "subharmonic" in found["worst_mode"]["name"]
    assert answer["verdict"]["stable"] is False


POINTS = {
    "continuous, damped": (trap(damper=True), 13.0, LOAD),
    "continuous, undamped and unstable": (trap(), 6.0, LOAD),
    "continuous, coupled": (trap(coupling=0.98), 13.0, LOAD),
    "discontinuous": (_light(), 20.0, 0.05),
    "continuous, voltage mode": (trap(damper=True) | {
        "modulator": {"scheme": "voltage", "ramp": 1.5, "max_duty": 0.97}}, 13.0, LOAD),
    "discontinuous, voltage mode": (_light() | {
        "modulator": {"scheme": "voltage", "ramp": 1.5, "max_duty": 0.97}}, 20.0, 0.05),
}  # fmt: skip
BANK = [{"capacitance": 22e-6, "esr": 4e-3}, {"capacitance": 150e-6, "esr": 0.06}]
VARIANTS = {
    "current sink": (trap(damper=True, specification={"load": "current"}), 13.0, LOAD),
    "power": (trap(damper=True, specification={"load": "power"}), 13.0, LOAD),
    "synchronous with reversed current": (trap(damper=True, converter={"rectifier": "synchronous"}), 20.0, 0.05),
    "bank of two": (trap(damper=True, stage={"Co": BANK}), 13.0, LOAD),
    "without C2": (trap(damper=True, compensation={"C2": "none"}), 13.0, LOAD),
}  # fmt: skip
POINTS |= VARIANTS
# whole cycles: 600, 100, 25, 10 and 20; an unstable orbit can be followed over the shorter runs only
FREQUENCIES = [300e3 / 600, 300e3 / 100, 300e3 / 25, 300e3 / 10, 300e3 * 0.45]


def _agree(found, expected):
    for one, other in zip(found, expected, strict=True):
        assert abs(one / other - 1.0) < 2e-5


@pytest.mark.parametrize("name", VARIANTS)
def test_multipliers_of_other_loads_and_parts(name, tmp_path):
    case, vin, io = VARIANTS[name]
    spec = case["specification"] | {"input_voltage": [vin], "output_current": [io]}
    case = case | {"specification": spec}
    orbit, _ = _compare_with_check(case, ask("check", case, tmp_path), vin, io)
    assert orbit.mode == "CCM"


NIGHTLY = {"continuous, voltage mode", "current sink", "power", "bank of two", "without C2"}
"""Points whose multipliers are held in every run, and whose plant is simulated nightly."""


@pytest.mark.parametrize("name", [pytest.param(p, marks=pytest.mark.nightly if p in NIGHTLY else ()) for p in POINTS])
def test_plant_meets_injection(name, tmp_path):
    case, vin, io = POINTS[name]
    point = {"input_voltage": vin, "load_current": io}
    found = ask_response(case, tmp_path, "plant", FREQUENCIES, **point)
    _agree(found, [response(case, f, inject="control", **point) for f in FREQUENCIES])


@pytest.mark.parametrize("name", ["continuous, damped", "continuous, undamped and unstable", "discontinuous"])
def test_loop_meets_injection(name, tmp_path):
    case, vin, io = POINTS[name]
    point = {"input_voltage": vin, "load_current": io}
    frequencies = FREQUENCIES[1:] if "unstable" in name else FREQUENCIES
    found = ask_response(case, tmp_path, "loop", frequencies, **point)
    _agree(found, [response(case, f, inject="loop", measure="loop", closed=True, **point) for f in frequencies])


INPUTS = {
    "line": ("line", "output"),
    "output-impedance": ("load", "output"),
    "input-impedance": ("line", "input impedance"),
}


@pytest.mark.parametrize(
    ("name", "closed"),
    [("continuous, damped", True), ("continuous, damped", False), ("discontinuous", True)],
    ids=["continuous closed", "continuous open", "discontinuous closed"],
)
@pytest.mark.parametrize("quantity", INPUTS)
def test_line_and_impedances_meet_injection(name, quantity, closed, tmp_path):
    case, vin, io = POINTS[name]
    point = {"input_voltage": vin, "load_current": io}
    inject, measure = INPUTS[quantity]
    frequencies = FREQUENCIES[1:4]
    found = ask_response(case, tmp_path, quantity, frequencies, **point, options=() if closed else ("--open-loop",))
    _agree(found, [response(case, f, inject=inject, measure=measure, closed=closed, **point) for f in frequencies])


def test_load_step_meets_stored_and_stepped_cycles(tmp_path):
    case, rows = reference("sepic_load_step")
    step = case["specification"]["load_step"]
    found = ask("step", case, tmp_path)["corners"][0]
    conv = Converter(case, closed=True)
    orbit = operating_point(conv)
    cycles = dict(enumerate(cycle_means(conv, orbit, cycles=400, isink=step["to"] - step["from"])))
    compared = 0
    for time, value in zip(found["time_s"], found["output_voltage_v"], strict=True):
        k = math.floor(time / conv.p.period)
        if k in cycles:
            assert value == pytest.approx(cycles[k], abs=1e-6)
            compared += 1
        if 0 <= k < len(rows):
            assert value == pytest.approx(rows[k][1], abs=1e-6)
    assert compared > 100
    assert found["stable"] is True
    assert found["peak_deviation_v"] == pytest.approx(orbit.average - min(cycles.values()), abs=1e-6)
