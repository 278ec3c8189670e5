"""Every other topology against hand-derived equations simulated cycle by cycle, through the command line only."""

from __future__ import annotations

import pytest
from cyclesim import Converter, operating_point, response, worst
from oraclecases import ask, ask_response, corner
from topologycases import CASES, VOLTAGE_MODE

OTHERS = sorted(set(CASES) - {"sepic"})
EVERY_RUN = {"boost", "cuk", "flyback"}
"""Topologies whose closed loop is simulated in every run; nightly all of them."""


def _agree(found, expected):
    for one, other in zip(found, expected, strict=True):
        assert abs(one / other - 1.0) < 2e-5


@pytest.mark.parametrize("topology", OTHERS)
def test_check_meets_the_cycle_map(topology, tmp_path):
    case = CASES[topology]
    vin = case["specification"]["input_voltage"][0]
    answer = ask("check", case, tmp_path)
    for io, mode in zip(case["specification"]["output_current"], ("DCM", "CCM"), strict=True):
        conv = Converter(case, closed=True, input_voltage=vin, load_current=io)
        orbit = operating_point(conv)
        size, frequency, growth, _ = worst(conv, orbit)
        found = corner(answer, vin, io)
        fs = 1.0 / conv.p.period
        assert found["mode"] == orbit.mode == mode
        assert found["duty"] == pytest.approx(orbit.duty, rel=1e-6)
        assert found["stable"] is bool(size < 1.0)
        assert found["largest_multiplier"] == pytest.approx(size, rel=1e-5)
        assert found["worst_mode"]["growth_per_s"] == pytest.approx(growth, rel=1e-4, abs=1e-5 * fs)
        assert found["worst_mode"]["frequency_hz"] == pytest.approx(frequency, rel=1e-4, abs=1e-6 * fs)


@pytest.mark.parametrize("index", [0, 1], ids=["DCM", "CCM"])
@pytest.mark.parametrize("scheme", ["peak current", pytest.param("voltage", marks=pytest.mark.nightly)])
@pytest.mark.parametrize("topology", OTHERS)
def test_plant_meets_injection(topology, scheme, index, tmp_path):
    case = CASES[topology] if scheme == "peak current" else CASES[topology] | {"modulator": VOLTAGE_MODE}
    fs = case["converter"]["switching_frequency"]
    point = {
        "input_voltage": case["specification"]["input_voltage"][0],
        "load_current": case["specification"]["output_current"][index],
    }
    frequencies = [fs / 500, fs / 50, fs / 5, fs * 0.45]
    found = ask_response(case, tmp_path, "plant", frequencies, **point)
    _agree(found, [response(case, f, inject="control", **point) for f in frequencies])


@pytest.mark.slow
@pytest.mark.parametrize(
    "topology", [pytest.param(t, marks=() if t in EVERY_RUN else pytest.mark.nightly) for t in OTHERS]
)
def test_loop_line_and_impedances_meet_injection(topology, tmp_path):
    case = CASES[topology]
    fs = case["converter"]["switching_frequency"]
    point = {
        "input_voltage": case["specification"]["input_voltage"][0],
        "load_current": case["specification"]["output_current"][1],
    }
    frequencies = [fs / 200, fs / 20]
    for quantity, inject, measure in (
        ("loop", "loop", "loop"),
        ("line", "line", "output"),
        ("output-impedance", "load", "output"),
        ("input-impedance", "line", "input impedance"),
    ):
        found = ask_response(case, tmp_path, quantity, frequencies, **point)
        _agree(found, [response(case, f, inject=inject, measure=measure, closed=True, **point) for f in frequencies])
