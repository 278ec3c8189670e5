"""Placement delivers what was asked, in the exact response, and says when a network cannot."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from loopdesign.compensation.compensator import (
    Divider,
    OperationalAmplifier,
    ShuntOptocoupler,
    TransconductanceAmplifier,
)
from loopdesign.compensation.features import network_features
from loopdesign.compensation.response import compensator_response
from loopdesign.errors import LoopDesignError
from loopdesign.synthesis.baseline.placement import (
    PlacementError,
    k_factor_type2,
    k_factor_type3,
    parts_for_target,
    place_type1_operational,
    place_type1_transconductance,
    place_type2_operational,
    place_type3_operational,
    place_type3_transconductance,
)

AMPLIFIERS = {
    "ideal transconductance": TransconductanceAmplifier(gm=1e-3),
    "transconductance": TransconductanceAmplifier(gm=0.4e-3, output_resistance=500e3),
    "ideal operational": OperationalAmplifier(),
    "operational": OperationalAmplifier(dc_gain=1e4, gain_bandwidth=3e6),
}
DIVIDER = Divider(upper=115e3, lower=10e3)
OPTO = ShuntOptocoupler(
    transfer_ratio=0.8, bandwidth=40e3, pull_up=2.2e3, led_resistance=2.2e3, dc_gain=1e3, gain_bandwidth=2e6
)


def reached(amplifier, divider, parts, crossover_hz, plant_gain):
    """Magnitude and phase margin of the exact loop at the wanted crossover."""
    loop = plant_gain * compensator_response(amplifier, divider, parts, [crossover_hz])[0]
    return abs(loop), np.degrees(np.angle(-loop))


@settings(max_examples=60, deadline=None)
@given(
    name=st.sampled_from(sorted(AMPLIFIERS)),
    network=st.sampled_from(["type II", "type III"]),
    boost=st.floats(min_value=3.0, max_value=85.0),
    margin=st.floats(min_value=30.0, max_value=80.0),
    size_db=st.floats(min_value=-15.0, max_value=25.0),
    crossover_hz=st.floats(min_value=500.0, max_value=15e3),
    feedforward=st.sampled_from([0.0, 1e-12]),
)
def test_k_factor_delivers_crossover_and_margin(name, network, boost, margin, size_db, crossover_hz, feedforward):
    """A plant with phase margin - 90 - boost needs exactly that boost."""
    amplifier, divider = AMPLIFIERS[name], Divider(upper=115e3, lower=10e3, feedforward=feedforward)
    plant = 10 ** (size_db / 20) * np.exp(1j * np.radians(margin - 90.0 - boost))
    try:
        parts = parts_for_target(
            amplifier, divider, network, crossover_hz=crossover_hz, plant_gain=plant, phase_margin_deg=margin
        )
    except PlacementError as error:
        # A finite gain-bandwidth takes phase and a finite output resistance gives some, so that near the ends of the
        # range the network runs out.
        assert "ideal" not in name, error  # noqa: PT017
        assert boost < 15 or (network == "type II" and boost > 70), error  # noqa: PT017
        return
    assert parts.network == network
    assert_allclose(reached(amplifier, divider, parts, crossover_hz, plant), [1.0, margin], rtol=1e-9)


@pytest.mark.parametrize("boost", [100.0, 130.0, 150.0])
def test_type3_reaches_beyond_type2(boost):
    plant = 0.3 * np.exp(1j * np.radians(60.0 - 90.0 - boost))
    for amplifier in (AMPLIFIERS["operational"], AMPLIFIERS["ideal operational"], AMPLIFIERS["transconductance"]):
        task = {"crossover_hz": 5e3, "plant_gain": plant, "phase_margin_deg": 60.0}
        # The divider of 12.5 gives a lead of 58 degrees at most, the rest has to come from less than 90 of the other pair.
        if boost == 150.0 and isinstance(amplifier, TransconductanceAmplifier):
            with pytest.raises(PlacementError, match="a type III network gives less than 14"):
                parts_for_target(amplifier, DIVIDER, "type III", **task)
            continue
        parts = parts_for_target(amplifier, DIVIDER, "type III", **task)
        assert_allclose(reached(amplifier, DIVIDER, parts, 5e3, plant), [1.0, 60.0], rtol=1e-9)
        with pytest.raises(PlacementError, match=r"boost are needed and a type II network gives less than 90\.0"):
            parts_for_target(amplifier, DIVIDER, "type II", **task)


def test_k_factor_places_symmetrically():
    plant = 0.1 * np.exp(-1j * np.radians(80.0))
    parts = parts_for_target(
        AMPLIFIERS["ideal operational"], DIVIDER, "type II", crossover_hz=4e3, plant_gain=plant, phase_margin_deg=70.0
    )
    features = network_features(AMPLIFIERS["ideal operational"], DIVIDER, parts)
    k = np.tan(np.radians(60.0 / 2 + 45.0))  # the boost is 70 - 90 + 80
    assert_allclose([features["zero"], features["high-frequency pole"]], [4e3 / k, 4e3 * k], rtol=1e-9)


@pytest.mark.parametrize("network", ["type II", "type III"])
@pytest.mark.parametrize("name", sorted(AMPLIFIERS))
def test_zero_and_pole_with_one_left_free(name, network):
    amplifier = AMPLIFIERS[name]
    plant = 0.4 * np.exp(-1j * np.radians(75.0 if network == "type II" else 120.0))
    task = {"crossover_hz": 4e3, "plant_gain": plant, "phase_margin_deg": 50.0, "method": "zero and pole"}
    by_zero = parts_for_target(amplifier, DIVIDER, network, dominant_pole_hz=800.0, **task)
    assert_allclose(reached(amplifier, DIVIDER, by_zero, 4e3, plant), [1.0, 50.0], rtol=1e-9)
    assert_allclose(network_features(amplifier, DIVIDER, by_zero)["zero"], 800.0, rtol=1e-9)
    by_pole = parts_for_target(amplifier, DIVIDER, network, pole_hz=30e3, **task)
    assert_allclose(reached(amplifier, DIVIDER, by_pole, 4e3, plant), [1.0, 50.0], rtol=1e-9)
    ideal = network_features(OperationalAmplifier(), DIVIDER, by_pole)
    assert_allclose(ideal["high-frequency pole"], 30e3, rtol=1e-9)


def test_zero_and_pole_both_given_take_the_margin_that_comes():
    amplifier, plant = AMPLIFIERS["ideal transconductance"], 0.4 * np.exp(-1j * np.radians(75.0))
    task = {"crossover_hz": 4e3, "plant_gain": plant, "method": "zero and pole"}
    parts = parts_for_target(
        amplifier, DIVIDER, "type II", phase_margin_deg=50.0, dominant_pole_hz=800.0, pole_hz=40e3, **task
    )
    magnitude, margin = reached(amplifier, DIVIDER, parts, 4e3, plant)
    assert_allclose(magnitude, 1.0, rtol=1e-9)
    assert_allclose(margin, 180 - 75 - 90 + np.degrees(np.arctan(5.0) - np.arctan(0.1)), rtol=1e-9)
    with pytest.raises(PlacementError, match=r"a type II network gives less than 73\.0"):
        parts_for_target(
            amplifier, DIVIDER, "type II", phase_margin_deg=89.0, dominant_pole_hz=800.0, pole_hz=40e3, **task
        )


def test_zero_and_pole_out_of_reach():
    task = {"crossover_hz": 4e3, "plant_gain": 0.4j, "phase_margin_deg": 50.0, "method": "zero and pole"}
    amplifier = AMPLIFIERS["ideal operational"]
    with pytest.raises(PlacementError, match="only adds phase"):
        parts_for_target(amplifier, DIVIDER, "type II", dominant_pole_hz=800.0, **task)
    task["plant_gain"] = 0.4 * np.exp(-1j * np.radians(120.0))  # a boost of 80 degrees
    with pytest.raises(
        PlacementError, match=r"80\.0 degrees of phase boost are needed and a type II network gives less than 63\.4"
    ):
        parts_for_target(amplifier, DIVIDER, "type II", dominant_pole_hz=2e3, **task)
    with pytest.raises(PlacementError, match=r"gives less than 63\.4"):
        parts_for_target(amplifier, DIVIDER, "type II", pole_hz=8e3, **task)
    with pytest.raises(ValueError, match="needs dominant_pole_hz, pole_hz or both"):
        parts_for_target(amplifier, DIVIDER, "type II", **task)


@pytest.mark.parametrize("name", sorted(AMPLIFIERS))
def test_type1_sets_the_gain_and_takes_the_phase(name):
    plant = 3.0 * np.exp(-1j * np.radians(20.0))
    parts = parts_for_target(
        AMPLIFIERS[name], DIVIDER, "type I", crossover_hz=500.0, plant_gain=plant, phase_margin_deg=60.0
    )
    magnitude, margin = reached(AMPLIFIERS[name], DIVIDER, parts, 500.0, plant)
    assert_allclose(magnitude, 1.0, rtol=1e-9)
    assert_allclose(margin, 70.0, atol=3.0)  # 180 - 90 - 20, and what a finite amplifier does
    assert parts.R1 == parts.C2 == 0.0
    with pytest.raises(PlacementError, match="type I network gives less than"):
        parts_for_target(
            AMPLIFIERS[name], DIVIDER, "type I", crossover_hz=500.0, plant_gain=plant, phase_margin_deg=80.0
        )


@pytest.mark.parametrize("fed_from_output", [True, False])
@pytest.mark.parametrize("network", ["type II", "type III"])
def test_optocoupler_target(network, fed_from_output):
    plant, opto = 0.2 * np.exp(-1j * np.radians(100.0)), replace(OPTO, fed_from_output=fed_from_output)
    parts = parts_for_target(opto, DIVIDER, network, crossover_hz=3e3, plant_gain=plant, phase_margin_deg=60.0)
    assert_allclose(reached(opto, DIVIDER, parts, 3e3, plant), [1.0, 60.0], rtol=1e-9)


def test_ideal_integrators():
    f = [2e3]
    parts = place_type1_operational(2e3, 4.0, 115e3)
    assert_allclose(compensator_response(OperationalAmplifier(), DIVIDER, parts, f), [-4j], rtol=1e-12, atol=1e-12)
    parts = place_type1_transconductance(2e3, 4.0, 1e-3, DIVIDER.ratio)
    response = compensator_response(TransconductanceAmplifier(gm=1e-3), DIVIDER, parts, f)
    assert_allclose(response, [-4j], rtol=1e-12, atol=1e-12)


def test_different_zeros_and_poles_of_type3():
    """Zeros 300 and 900 Hz, poles 30 and 70 kHz, on the dc-normalised product by hand."""
    zeros, poles, f = (300.0, 900.0), (30e3, 70e3), np.geomspace(10, 1e6, 31)
    shape = (
        np.prod([1 + 1j * f / z for z in zeros], axis=0) / np.prod([1 + 1j * f / p for p in poles], axis=0) / (1j * f)
    )
    at = np.abs(np.prod([1 + 5e3j / z for z in zeros]) / np.prod([1 + 5e3j / p for p in poles]) / 5e3)
    parts = place_type3_operational(5e3, 2.5, zeros, poles, 115e3)
    assert_allclose(compensator_response(OperationalAmplifier(), DIVIDER, parts, f), 2.5 * shape / at, rtol=1e-12)
    poles = (30e3, 900.0 * 12.0)
    shape = (
        np.prod([1 + 1j * f / z for z in zeros], axis=0) / np.prod([1 + 1j * f / p for p in poles], axis=0) / (1j * f)
    )
    at = np.abs(np.prod([1 + 5e3j / z for z in zeros]) / np.prod([1 + 5e3j / p for p in poles]) / 5e3)
    parts = place_type3_transconductance(5e3, 2.5, zeros, poles, 1e-3, DIVIDER)
    response = compensator_response(TransconductanceAmplifier(gm=1e-3), DIVIDER, parts, f)
    assert_allclose(response, 2.5 * shape / at, rtol=1e-12)
    with pytest.raises(ValueError, match=r"13 times the lead zero; this divider allows less than 12.5"):
        place_type3_transconductance(5e3, 2.5, zeros, (30e3, 900.0 * 13.0), 1e-3, DIVIDER)


def test_an_infinite_pole_leaves_its_capacitor_out():
    parts = place_type2_operational(5e3, 2.5, 500.0, np.inf, 115e3)
    assert parts.C2 == 0.0
    assert_allclose(abs(compensator_response(OperationalAmplifier(), DIVIDER, parts, [5e3])), 2.5, rtol=1e-12)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: k_factor_type2(90.0), "90.0 degrees of phase boost are needed and a type II network gives less than 90.0"),
        (lambda: k_factor_type3(180.0), "type III network gives less than 180.0"),
        (lambda: k_factor_type2(-5.0), "only adds phase, and 5.0 degrees less"),
        (lambda: place_type2_operational(1e3, 1.0, 2e3, 1e3, 1e4), "the pole must lie above the zero"),
        (
            lambda: parts_for_target(
                OperationalAmplifier(dc_gain=100.0, gain_bandwidth=1e4), DIVIDER, "type II",
                crossover_hz=10e3, plant_gain=0.01 * np.exp(-0.9j), phase_margin_deg=70.0,
            ),
            r"31\.6 degrees of phase boost are needed, 9\d\.\d or more with the lag of the error amplifier",
        ),
        (
            lambda: parts_for_target(
                OperationalAmplifier(dc_gain=100.0, gain_bandwidth=1e4), DIVIDER, "type I",
                crossover_hz=10e3, plant_gain=0.01 + 0j, phase_margin_deg=30.0,
            ),
            r"the error amplifier does not have the gain of 100 that is needed at 10.0 kHz; lower the crossover",
        ),
        (
            lambda: parts_for_target(
                TransconductanceAmplifier(gm=1e-3), Divider(upper=1e3), "type III",
                crossover_hz=10e3, plant_gain=-1j, phase_margin_deg=50.0,
            ),
            "needs a lower divider resistor",
        ),
    ],
)  # fmt: skip
def test_refusals(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_the_error_tells_what_was_needed():
    with pytest.raises(PlacementError, match="boost") as caught:
        k_factor_type2(100.0)
    assert isinstance(caught.value, LoopDesignError)
    assert caught.value.exit_status == 3
    assert (caught.value.boost_deg, caught.value.largest_boost_deg) == (100.0, 90.0)
