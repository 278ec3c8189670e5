"""Names of poles and zeros: by which states carry a mode and where it lies, each rule on both sides of where it changes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from stages import BUCK, averaged_at, converter, one_inductor

from loopdesign.models.insight import (
    Feature,
    _left_zero_name,
    _pole_features,
    _pole_name,
    _without_cancelled,
    _zero_features,
    plants,
    quality,
    zeros_hz,
)
from loopdesign.network.topologies import TOPOLOGIES
from loopdesign.orbit.operating_point import operating_point

NAMES = [
    # share of each state in the mode, frequency over the switching frequency, whether a pair; what it is called
    ({"v(Cs)": 0.31, "i(L1)": 0.69}, 0.05, True, "coupling-capacitor resonance"),
    ({"v(Cs)": 0.16, "v(Cd)": 0.15, "i(L1)": 0.69}, 0.05, True, "coupling-capacitor resonance"),
    ({"v(Cs)": 0.29, "v(Co)": 0.71}, 0.05, True, "output resonance"),
    ({"v(Cs)": 0.2, "v(Cd)": 0.31, "i(L1)": 0.49}, 0.05, False, "coupling damper pole"),
    ({"v(Cd)": 0.49, "v(Co)": 0.51}, 0.05, False, "output pole"),
    ({"i(Lf)": 0.31, "v(Co)": 0.69}, 0.05, True, "input filter resonance"),
    ({"v(Cf)": 0.31, "v(Co)": 0.69}, 0.05, False, "input filter pole"),
    ({"v(Cfd)": 0.31, "v(Co)": 0.69}, 0.05, False, "input filter pole"),
    ({"i(Ls)": 0.31, "v(Co)": 0.69}, 0.05, True, "input filter resonance"),
    ({"i(Lf)": 0.29, "v(Cf)": 0.29, "v(Co)": 0.42}, 0.05, True, "output resonance"),
    ({"duty": 0.21, "i(L1)": 0.79}, 0.06, True, "half-switching-frequency pair"),
    ({"duty": 0.21, "i(L1)": 0.79}, 0.06, False, "sampling pole"),
    ({"duty": 0.21, "i(L1)": 0.79}, 0.04, False, "output pole"),
    ({"duty": 0.19, "v(Co)": 0.81}, 0.06, True, "output resonance"),
    ({"rise": 0.26, "charge": 0.25, "v(Co)": 0.49}, 0.3, False, "discontinuous-conduction pole"),
    ({"rise": 0.49, "v(Co)": 0.51}, 0.1, False, "output pole"),
    ({"v(Co1)": 0.3, "v(Co2)": 0.21, "i(L1)": 0.49}, 0.6, False, "output bank pole"),
    ({"v(Co1)": 0.3, "v(Co2)": 0.21, "i(L1)": 0.49}, 0.6, True, "output resonance"),
    ({"v(Co1)": 0.3, "v(Co2)": 0.21, "i(L1)": 0.49}, 0.4, False, "current-loop pole"),
    ({"v(Co1)": 0.3, "v(Co2)": 0.19, "i(L1)": 0.51}, 0.6, False, "current-loop pole"),
    ({"v(Co)": 0.29, "i(L1)": 0.71}, 0.19, False, "output pole"),
    ({"v(Co)": 0.29, "i(L1)": 0.71}, 0.21, False, "current-loop pole"),
    ({"v(Co)": 0.31, "i(L1)": 0.69}, 0.01, True, "output resonance"),
    ({"v(Co)": 0.29, "i(L1)": 0.71}, 0.01, True, "resonance"),
]


@pytest.mark.parametrize(("share", "relative", "pair", "name"), NAMES)
def test_name_of_a_pole(share, relative, pair, name):
    assert sum(share.values()) == pytest.approx(1.0)
    assert _pole_name(share, relative, pair) == name


def test_poles_become_features():
    """One of each pair, its frequency the root's size over 2 pi, Q half the size over the decay; right-half-plane by the sign."""
    period, turn = 1e-5, 2 * np.pi * 0.02
    pair = turn * complex(-0.3, np.sqrt(1 - 0.09))
    modes = [
        (pair, {"v(Co)": 1.0}), (pair.conjugate(), {"v(Co)": 1.0}), (complex(turn), {"v(Co)": 1.0}),
        (complex(-30 * turn), {"v(Co)": 1.0}),
    ]  # fmt: skip
    found = _pole_features(modes, period)
    assert [(f.name, f.kind, f.right_half_plane) for f in found] == [
        ("output resonance", "pole pair", False),
        ("output pole", "pole", True),
        ("output bank pole", "pole", False),
    ]
    assert [f.frequency_hz for f in found] == pytest.approx([2e3, 2e3, 60e3])
    assert found[0].quality == pytest.approx(1 / 0.6)
    assert found[1].quality is None


def test_zeros_become_features():
    esr = {"ESR zero of Co1": 3e3, "ESR zero of Co2": 80e3}
    roots = np.array(
        [-2.5e3, -40e3, 9e3, complex(-100, 5e3), complex(-100, -5e3), complex(100, 7e3), complex(100, -7e3)]
    )
    found = _zero_features(roots, esr)
    assert [(f.name, f.kind, round(f.frequency_hz)) for f in found] == [
        ("ESR zero of Co1", "zero", 2500), ("left-half-plane zero", "zero", 40000), ("right-half-plane zero", "zero", 9000),
        ("zero pair of the resonance", "zero pair", 5001), ("right-half-plane zero pair", "zero pair", 7001),
    ]  # fmt: skip
    assert [f.right_half_plane for f in found] == [False, False, True, False, True]


@pytest.mark.parametrize(
    ("ratio", "own"), [(1.0, True), (1.22, True), (1 / 1.22, True), (1.23, False), (1 / 1.23, False)]
)
def test_how_near_a_zero_is_a_capacitors_own(ratio, own):
    """Within a fifth of a neper: a factor of 1.2214 either way."""
    assert _left_zero_name(10e3 * ratio, {"other": 1e3, "own": 10e3}) == ("own" if own else "left-half-plane zero")


@pytest.mark.parametrize(
    ("apart", "dropped"), [(0.0, True), (0.019, True), (-0.019, True), (0.021, False), (-0.021, False)]
)
def test_lag_and_its_zero_cancel_within_two_percent(apart, dropped):
    lag = Feature(name="discontinuous-conduction pole", kind="pole", frequency_hz=50e3)
    zero = Feature(name="left-half-plane zero", kind="zero", frequency_hz=50e3 * (1 + apart))
    other = Feature(name="output pole", kind="pole", frequency_hz=50e3)
    assert _without_cancelled([lag, zero, other]) == ([other] if dropped else [lag, zero, other])
    second = replace(lag, name="discontinuous-conduction pole 2")
    left = _without_cancelled([lag, second, zero])  # one zero cancels one pole
    assert left == ([second] if dropped else [lag, second, zero])


def test_quality_of_nearly_real_roots():
    """A root is real where its imaginary part is rounding of it."""
    assert quality(complex(-1.0, 0.9e-9)) is None
    assert quality(complex(-1.0, 1.1e-9)) == pytest.approx(0.5)


def test_zeros_of_a_bank_are_numbered_by_its_parts():
    """Buck with two capacitors: each keeps its own zero 1/(2 pi ESR C), the branch without impedance shorts the other."""
    buck = one_inductor(50e-6, 100e-6, esr=0.05)
    bank = (replace(buck.Co[0]), replace(buck.Co[0], capacitance=10e-6, esr=0.2))
    conv = converter(BUCK, replace(buck, Co=bank), 24.0, 10.0, 2.0, 200e3)
    plant = plants(conv, operating_point(conv))[0]
    for name, zero in (("ESR zero of Co1", 1 / (2 * np.pi * 5e-6)), ("ESR zero of Co2", 1 / (2 * np.pi * 2e-6))):
        assert plant.named(name).frequency_hz == pytest.approx(zero, rel=1e-6)
    assert plant.rule_of_thumb_hz is None
    assert plant.right_half_plane_zero_hz is None


def test_zeros_far_beyond_are_left_out():
    """A capacitor resistance of a nanoohm puts a zero at 1.6 THz, which is rounding of none; a thousandfold is kept."""
    for esr, count in ((1e-9, 0), (1e-4, 1)):
        model = averaged_at(converter(BUCK, one_inductor(50e-6, 100e-6, esr=esr), 24.0, 10.0, 2.0, 200e3), 10 / 24)
        assert len(zeros_hz(model, 0)) == count


def test_rule_of_thumb_stands_in_continuous_conduction_only():
    """D'^2 R/(2 pi L) of a boost (E2), batch item by batch item; none where conduction is discontinuous."""
    conv = converter(
        TOPOLOGIES["boost"], one_inductor(20e-6, 1e-3), np.array([12.0, 12.0]), 24.0, np.array([4.0, 0.05]), 200e3
    )
    heavy, light = plants(conv, operating_point(conv))
    assert heavy.rule_of_thumb_hz == pytest.approx(0.25 * 6.0 / (2 * np.pi * 20e-6), rel=1e-3)
    assert light.rule_of_thumb_hz is None
