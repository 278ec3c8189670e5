"""Compensation networks: closed form against the netlist, limits, scaling, features, refusals."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from loopdesign.compensation.compensator import (
    Divider,
    NetworkParts,
    OperationalAmplifier,
    ShuntOptocoupler,
    TransconductanceAmplifier,
)
from loopdesign.compensation.features import network_features
from loopdesign.compensation.netlist import compensator_netlist
from loopdesign.compensation.response import (
    bilinear_response,
    compensator_response,
    network_admittance,
    parted_response,
)
from loopdesign.network.circuit import derive
from loopdesign.network.elements import Resistor, VoltageSource

OTA = TransconductanceAmplifier(gm=1e-3, output_resistance=2e6)
OPAMP = OperationalAmplifier(dc_gain=1e4, gain_bandwidth=5e6)
OPTO = ShuntOptocoupler(
    transfer_ratio=0.8, bandwidth=30e3, pull_up=4.7e3, led_resistance=1.5e3, dc_gain=600.0, gain_bandwidth=2e6
)
SUPPLIED = replace(OPTO, fed_from_output=False)
DIVIDER = Divider(upper=115e3, lower=10e3)
LEAD_DIVIDER = Divider(upper=115e3, lower=10e3, feedforward=22e-12)
TYPE1 = NetworkParts(network="type I", C1=10e-9)
TYPE1_RESISTOR = NetworkParts(network="type I", C1=10e-9, R1=1e3)
TYPE2 = NetworkParts(network="type II", R1=12e3, C1=10e-9, C2=150e-12)
TYPE2_BARE = NetworkParts(network="type II", R1=12e3, C1=10e-9)
TYPE2_MERGED = NetworkParts(network="type II", R1=0.0, C1=10e-9, C2=150e-12)
TYPE3 = NetworkParts(network="type III", R1=12e3, C1=10e-9, C2=150e-12, R2=3.3e3, C3=220e-12)
TYPE3_PLAIN = NetworkParts(network="type III", R1=12e3, C1=10e-9, C2=150e-12, R2=0.0, C3=220e-12)

AMPLIFIERS = {
    "transconductance": OTA,
    "transconductance, ideal output": TransconductanceAmplifier(gm=1e-3),
    "operational": OPAMP,
    "operational, no pole": OperationalAmplifier(dc_gain=1e4),
    "operational, integrating": OperationalAmplifier(gain_bandwidth=5e6),
    "shunt optocoupler": OPTO,
    "shunt optocoupler, no pole": ShuntOptocoupler(
        transfer_ratio=0.8, bandwidth=np.inf, pull_up=4.7e3, led_resistance=1.5e3, dc_gain=600.0, gain_bandwidth=2e6
    ),
    "shunt optocoupler, own supply": SUPPLIED,
    "shunt optocoupler, own supply, no pole": replace(SUPPLIED, bandwidth=np.inf),
}
NETWORKS = {
    "I": TYPE1, "I with R1": TYPE1_RESISTOR, "II": TYPE2, "II without C2": TYPE2_BARE, "II without R1": TYPE2_MERGED,
    "III": TYPE3, "III without R2": TYPE3_PLAIN,
}  # fmt: skip
F = np.geomspace(1.0, 3e6, 41)


def netlist_response(amplifier, divider, parts, frequencies_hz):
    """Response of the netlist by its state space: an independent road to the closed form."""
    period = 3e-6
    drive = (VoltageSource(name="drive", a="drive", b="0"), Resistor(name="r", a="drive", b="sense", resistance=10.0))
    elements = (*drive, *compensator_netlist(amplifier, divider, parts))
    network = derive(elements, [frozenset()], ["v(control)", "v(sense)"], period=period)
    c, column = network.configurations[0], [network.input_index("drive")]
    identity = np.eye(c.A.shape[-1])
    both = [
        c.C @ np.linalg.solve(2j * np.pi * f * period * identity - c.A, c.B[..., column]) + c.D[..., column]
        for f in frequencies_hz
    ]
    return np.stack([-y[:, 0, 0] / y[:, 1, 0] for y in both], axis=-1)


@pytest.mark.parametrize("divider", [DIVIDER, LEAD_DIVIDER, Divider(upper=20e3)], ids=["plain", "lead", "no lower"])
@pytest.mark.parametrize("parts", NETWORKS.values(), ids=NETWORKS)
@pytest.mark.parametrize("amplifier", AMPLIFIERS.values(), ids=AMPLIFIERS)
def test_closed_form_is_the_netlist(amplifier, parts, divider):
    expected = netlist_response(amplifier, divider, parts, F)[0]
    # 1e-7: the integrator's tiny pole beside megahertz corners costs the state space digits, not the closed form.
    assert_allclose(compensator_response(amplifier, divider, parts, F), expected, rtol=1e-7)


@pytest.mark.parametrize("parts", [TYPE2, TYPE2_BARE, TYPE2_MERGED, TYPE3], ids=["II", "no C2", "no R1", "III"])
@pytest.mark.parametrize("amplifier", AMPLIFIERS.values(), ids=AMPLIFIERS)
def test_response_is_bilinear_in_c2(amplifier, parts):
    """One set of coefficients gives the closed form for every C2, the absent one and a hundred times it as well."""
    n0, n1, d0, d1 = bilinear_response(amplifier, LEAD_DIVIDER, parts, F)
    for farads in (parts.C2, 0.0, 15e-9):
        expected = compensator_response(amplifier, LEAD_DIVIDER, replace(parts, C2=farads), F)
        assert_allclose((n0 + n1 * farads) / (d0 + d1 * farads), expected, rtol=1e-12)


@pytest.mark.parametrize("parts", [TYPE2, TYPE2_BARE, TYPE3], ids=["II", "no C2", "III"])
@pytest.mark.parametrize("amplifier", AMPLIFIERS.values(), ids=AMPLIFIERS)
def test_response_is_bilinear_in_r1(amplifier, parts):
    n0, n1, d0, d1 = bilinear_response(amplifier, LEAD_DIVIDER, parts, F, of="R1")
    for ohms in (parts.R1, 0.0, 470e3):
        expected = compensator_response(amplifier, LEAD_DIVIDER, replace(parts, R1=ohms), F)
        assert_allclose((n0 + n1 * ohms) / (d0 + d1 * ohms), expected, rtol=1e-12)


@pytest.mark.parametrize("parts", [TYPE3, TYPE3_PLAIN], ids=["III", "no R2"])
@pytest.mark.parametrize("amplifier", AMPLIFIERS.values(), ids=AMPLIFIERS)
def test_response_is_bilinear_in_c3(amplifier, parts):
    n0, n1, d0, d1 = bilinear_response(amplifier, LEAD_DIVIDER, parts, F, of="C3")
    for farads in (parts.C3, 0.0, 15e-9):
        expected = compensator_response(amplifier, LEAD_DIVIDER, replace(parts, C3=farads), F)
        assert_allclose((n0 + n1 * farads) / (d0 + d1 * farads), expected, rtol=1e-11)


@pytest.mark.parametrize("amplifier", AMPLIFIERS.values(), ids=AMPLIFIERS)
def test_response_is_bilinear_in_r2(amplifier):
    n0, n1, d0, d1 = bilinear_response(amplifier, LEAD_DIVIDER, TYPE3, F, of="R2")
    for ohms in (TYPE3.R2, 0.0, 47e3):
        expected = compensator_response(amplifier, LEAD_DIVIDER, replace(TYPE3, R2=ohms), F)
        assert_allclose((n0 + n1 * ohms) / (d0 + d1 * ohms), expected, rtol=1e-11)


@pytest.mark.parametrize("parts", [TYPE2, TYPE2_BARE, TYPE3, TYPE3_PLAIN], ids=["II", "no C2", "III", "no R2"])
@pytest.mark.parametrize("amplifier", AMPLIFIERS.values(), ids=AMPLIFIERS)
def test_network_and_what_lies_across_the_upper_resistor_part(amplifier, parts):
    direct, above, held, per = parted_response(amplifier, LEAD_DIVIDER, (parts.R2, parts.C3), F)
    response = direct + above / (held + per * network_admittance(parts.R1, parts.C1, parts.C2, F))
    assert_allclose(response, compensator_response(amplifier, LEAD_DIVIDER, parts, F), rtol=1e-12)


def test_closed_form_is_the_netlist_over_a_batch():
    r1, gm = np.array([5e3, 12e3, 30e3]), np.array([0.4e-3, 1e-3, 1.5e-3])
    amplifier = TransconductanceAmplifier(gm=gm, output_resistance=2e6)
    parts = NetworkParts(network="type II", R1=r1, C1=10e-9, C2=np.array([100e-12, 150e-12, 47e-12]))
    response = compensator_response(amplifier, DIVIDER, parts, F)
    assert response.shape == (3, len(F))
    assert_allclose(response, netlist_response(amplifier, DIVIDER, parts, F), rtol=1e-7)
    own = compensator_response(amplifier, DIVIDER, parts, np.outer([1.0, 2.0, 3.0], F))
    one = NetworkParts(network="type II", R1=30e3, C1=10e-9, C2=47e-12)
    single = compensator_response(TransconductanceAmplifier(gm=1.5e-3, output_resistance=2e6), DIVIDER, one, 3 * F)
    assert_allclose(own[2], single, rtol=1e-14)


def test_dc_gain_of_each_amplifier():
    ratio = 10e3 / 125e3
    assert_allclose(DIVIDER.ratio, ratio, rtol=1e-15)
    assert_allclose(compensator_response(OTA, DIVIDER, TYPE2, [0.0]), ratio * 1e-3 * 2e6, rtol=1e-14)
    assert_allclose(compensator_response(OPAMP, DIVIDER, TYPE2, [0.0]), ratio * 1e4, rtol=1e-14)
    expected = 0.8 * 4.7e3 / 1.5e3 * (1 + ratio * 600.0)
    assert_allclose(compensator_response(OPTO, DIVIDER, TYPE2, [0.0]), expected, rtol=1e-14)


def test_optocoupler_keeps_its_direct_path():
    """Far above the regulator's own crossover only the path straight to the light source is left: CTR Rp/Rl on one pole."""
    f = 1e9
    expected = 0.8 * 4.7e3 / 1.5e3 / (1 + 1j * f / 30e3)
    assert_allclose(compensator_response(OPTO, DIVIDER, TYPE2, [f])[0], expected, rtol=2e-3)


def test_own_supply_leaves_no_direct_path():
    """What is left is the regulator's response times that of the optocoupler, by hand: no 1 beside it."""
    regulator = OperationalAmplifier(dc_gain=600.0, gain_bandwidth=2e6)
    expected = 0.8 * 4.7e3 / 1.5e3 / (1 + 1j * F / 30e3) * compensator_response(regulator, DIVIDER, TYPE3, F)
    assert_allclose(compensator_response(SUPPLIED, DIVIDER, TYPE3, F), expected, rtol=1e-13)
    # the difference of the two feeds is the direct path alone
    both = compensator_response(OPTO, DIVIDER, TYPE3, F) - compensator_response(SUPPLIED, DIVIDER, TYPE3, F)
    assert_allclose(both, 0.8 * 4.7e3 / 1.5e3 / (1 + 1j * F / 30e3), rtol=1e-8)


def test_features_with_a_supply_of_its_own_are_those_of_the_regulator():
    ideal = ShuntOptocoupler(
        transfer_ratio=0.8, bandwidth=30e3, pull_up=4.7e3, led_resistance=1.5e3, dc_gain=1e9, fed_from_output=False
    )
    features = network_features(ideal, DIVIDER, TYPE3)
    dc = compensator_response(ideal, DIVIDER, TYPE3, [0.0])[0]
    value = from_features(
        features, dc, ["zero", "lead zero"],
        ["low-frequency pole", "high-frequency pole", "lead pole", "optocoupler pole"],
    )  # fmt: skip
    assert_allclose(value, compensator_response(ideal, DIVIDER, TYPE3, F), rtol=1e-6)


def test_ideal_limits():
    """The lower divider resistor drops out of an ideal operational amplifier and scales a transconductance one."""
    a = compensator_response(OperationalAmplifier(), DIVIDER, TYPE3, F)
    b = compensator_response(OperationalAmplifier(), Divider(upper=115e3), TYPE3, F)
    assert_allclose(a, b, rtol=1e-14)
    s = 2j * np.pi * F
    z = 1 / (s * 150e-12 + 1 / (12e3 + 1 / (s * 10e-9)))
    by_hand = 1e-3 * 10e3 / 125e3 * z
    assert_allclose(compensator_response(TransconductanceAmplifier(gm=1e-3), DIVIDER, TYPE2, F), by_hand, rtol=1e-13)


scale = st.floats(min_value=1e-3, max_value=1e3)


@settings(max_examples=40, deadline=None)
@given(k=scale)
def test_impedance_scaling_leaves_an_operational_network_unchanged(k):
    scaled_parts = NetworkParts(
        network="type III", R1=12e3 * k, C1=10e-9 / k, C2=150e-12 / k, R2=3.3e3 * k, C3=220e-12 / k
    )
    scaled_divider = Divider(upper=115e3 * k, lower=10e3 * k, feedforward=22e-12 / k)
    expected = compensator_response(OPAMP, LEAD_DIVIDER, TYPE3, F)
    assert_allclose(compensator_response(OPAMP, scaled_divider, scaled_parts, F), expected, rtol=1e-12)


@settings(max_examples=40, deadline=None)
@given(k=scale, m=scale)
def test_impedance_scaling_of_a_transconductance_network(k, m):
    """Divider and load scale apart from each other; with the load goes gm."""
    amplifier = TransconductanceAmplifier(gm=1e-3 / k, output_resistance=2e6 * k)
    parts = NetworkParts(network="type III", R1=12e3 * k, C1=10e-9 / k, C2=150e-12 / k, R2=3.3e3 * m, C3=220e-12 / m)
    divider = Divider(upper=115e3 * m, lower=10e3 * m, feedforward=22e-12 / m)
    expected = compensator_response(OTA, LEAD_DIVIDER, TYPE3, F)
    assert_allclose(compensator_response(amplifier, divider, parts, F), expected, rtol=1e-12)


def from_features(features, dc, names_of_zeros, names_of_poles):
    s = 1j * F
    value = np.full(len(F), complex(dc))
    for name in names_of_zeros:
        value *= 1 + s / features[name]
    for name in names_of_poles:
        value /= 1 + s / features[name]
    return value


def test_features_of_a_transconductance_network_factor_it_exactly():
    features = network_features(OTA, LEAD_DIVIDER, TYPE3)
    dc = compensator_response(OTA, LEAD_DIVIDER, TYPE3, [0.0])[0]
    value = from_features(
        features,
        dc,
        ["zero", "lead zero", "second lead zero"],
        ["low-frequency pole", "high-frequency pole", "lead pole", "second lead pole"],
    )
    assert_allclose(value, compensator_response(OTA, LEAD_DIVIDER, TYPE3, F), rtol=1e-12)
    assert_allclose(features["integrator"], 1e-3 * 0.08 / (2 * np.pi * 10.15e-9), rtol=1e-12)


def test_features_of_an_operational_network_factor_it():
    amplifier = OperationalAmplifier(dc_gain=1e9)
    features = network_features(amplifier, DIVIDER, TYPE3)
    dc = compensator_response(amplifier, DIVIDER, TYPE3, [0.0])[0]
    value = from_features(
        features, dc, ["zero", "lead zero"], ["low-frequency pole", "high-frequency pole", "lead pole"]
    )
    # The features take the amplifier as ideal but for its dc gain: what is left is of the order of 1/gain.
    assert_allclose(value, compensator_response(amplifier, DIVIDER, TYPE3, F), rtol=1e-6)
    assert network_features(OPAMP, DIVIDER, TYPE3)["amplifier bandwidth"] == 5e6


def test_features_of_an_optocoupler_network_factor_it():
    ideal = ShuntOptocoupler(transfer_ratio=0.8, bandwidth=30e3, pull_up=4.7e3, led_resistance=1.5e3, dc_gain=1e9)
    features = network_features(ideal, DIVIDER, TYPE2)
    dc = compensator_response(ideal, DIVIDER, TYPE2, [0.0])[0]
    value = from_features(
        features,
        dc,
        ["zero", "second zero"],
        ["low-frequency pole", "high-frequency pole", "optocoupler pole"],
    )
    assert_allclose(value, compensator_response(ideal, DIVIDER, TYPE2, F), rtol=1e-6)


def test_features_name_only_what_is_there():
    assert set(network_features(OTA, DIVIDER, TYPE1)) == {"integrator", "low-frequency pole"}
    assert set(network_features(OTA, LEAD_DIVIDER, TYPE2_BARE)) == {
        "integrator", "low-frequency pole", "zero", "lead zero", "lead pole"
    }  # fmt: skip
    assert "zero" not in network_features(OPTO, LEAD_DIVIDER, TYPE3)
    batch = network_features(OTA, DIVIDER, NetworkParts(network="type II", R1=np.array([1e3, 2e3]), C1=1e-9, C2=1e-12))
    assert batch["zero"].shape == (2,)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: TransconductanceAmplifier(gm=0.0), "gm must be positive"),
        (lambda: OperationalAmplifier(dc_gain=-1.0), "dc_gain must be positive"),
        (
            lambda: ShuntOptocoupler(transfer_ratio=1, bandwidth=1, pull_up=-1, led_resistance=1),
            "pull_up must be positive",
        ),
        (lambda: Divider(upper=np.array([1e3, -1.0])), "upper must be positive"),
        (lambda: Divider(upper=1e3, feedforward=-1e-12), "feedforward must be zero or positive"),
        (lambda: NetworkParts(network="type II", C1=0.0), "C1 must be positive"),
        (lambda: NetworkParts(network="type II", C1=1e-9, R1=np.nan), "R1 must be zero or positive"),
        (lambda: NetworkParts(network="type I", C1=1e-9, C2=1e-12), "a type I network has no C2"),
        (lambda: NetworkParts(network="type II", C1=1e-9, R2=1.0, C3=1e-12), "a type II network has no R2, C3"),
        (lambda: NetworkParts(network="type IV", C1=1e-9), "network must be one of type I, type II, type III"),
    ],
)
def test_refusals(make, message):
    with pytest.raises(ValueError, match=message):
        make()


def test_netlist_refuses_a_part_fitted_here_and_there():
    parts = NetworkParts(network="type II", R1=1e3, C1=1e-9, C2=np.array([0.0, 1e-12]))
    assert compensator_response(OTA, DIVIDER, parts, F).shape == (2, len(F))
    with pytest.raises(ValueError, match="C2 is fitted in some items of the batch only"):
        compensator_netlist(OTA, DIVIDER, parts)


def test_netlist_refuses_an_amplifier_of_infinite_gain():
    with pytest.raises(ValueError, match="finite dc gain or a finite gain-bandwidth"):
        compensator_netlist(OperationalAmplifier(), DIVIDER, TYPE2)
