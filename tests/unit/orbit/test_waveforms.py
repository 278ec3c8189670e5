"""Figures of the operating point: energy balance, closed forms of triangles, and what coupling does to ripple."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from stages import BOOST, BUCK, SEPIC, converter, one_inductor, trap, two_inductor

from loopdesign.orbit.operating_point import operating_point
from loopdesign.orbit.waveforms import waveforms

DAMPER = (2.2, 22e-6)
FS = 100e3


def sampled(conv):
    waves = waveforms(conv, operating_point(conv))
    return waves, {f.name: f for f in waves.figures()}


def mean_product(waves, a, b):
    """Average over the period of the product of two waveforms."""
    product = waves.values[:, waves.names.index(a)] * waves.values[:, waves.names.index(b)]
    return np.einsum("bs,bs->b", waves.weights, product)


@given(vin=st.floats(6.5, 30.0), current=st.floats(0.02, 1.25), coupling=st.sampled_from([0.0, 0.95]))
def test_energy_balance(vin, current, coupling):
    """Input power is output power and losses, in both conduction modes."""
    conv = trap(vin, damper=DAMPER, current=current, coupling=coupling)
    _, f = sampled(conv)
    drawn = vin * f["i(L1)"].average[0]
    delivered = f["v(out)"].rms[0] ** 2 * current / 15.0
    ohmic = {
        "i(L1)": 0.03,
        "i(L2)": 0.03,
        "i(Cs)": 0.005,
        "i(Co)": 0.01,
        "i(switch)": 0.02,
        "i(diode)": 0.02,
        "i(Cd)": 2.2,
    }
    lost = sum(r * f[name].rms[0] ** 2 for name, r in ohmic.items()) + 0.5 * f["i(diode)"].average[0]
    assert drawn == pytest.approx(delivered + lost, rel=1e-6)


@pytest.mark.parametrize("current", [1.25, 0.05])
def test_balances(current):
    """No capacitor carries dc, the load takes the diode's average, and the output is the target."""
    conv = trap(np.array([8.0, 20.0]), damper=DAMPER, current=current)
    waves, f = sampled(conv)
    for name in ("i(Cs)", "i(Co)", "i(Cd)"):
        assert_allclose(f[name].average, 0.0, atol=1e-8)
    assert_allclose(f["i(diode)"].average, current, rtol=1e-7)
    assert_allclose(f["i(L2)"].average, current, rtol=1e-7)
    assert_allclose(f["v(out)"].average, 15.0, rtol=1e-9)
    assert_allclose(waves.weights.sum(axis=1), 1.0, rtol=1e-12)
    # ideal part of the devices: what a device dissipates is its resistance and drop alone, none while it blocks
    assert_allclose(mean_product(waves, "i(switch)", "v(switch)"), 0.02 * f["i(switch)"].rms ** 2, rtol=1e-9)
    # the diode's voltage counts positive while it blocks
    burnt = 0.5 * f["i(diode)"].average + 0.02 * f["i(diode)"].rms ** 2
    assert_allclose(mean_product(waves, "i(diode)", "v(diode)"), -burnt, rtol=1e-9)


def stiff(vin=18.0, vout=12.0, current=2.0, *, L1=100e-6, L2=50e-6, k=0.0):
    return converter(SEPIC, two_inductor(L1, L2, 2e-3, 2e-3, coupling=k), vin, vout, current, FS)


def test_triangles_and_device_stress():
    """B3, R. W. Erickson, D. Maksimovic, 2020, chapters 2 and 6: ripple V D Ts / L peak to peak, switch stress Vg / D'."""
    vin, vout, current = 18.0, 12.0, 2.0
    D = vout / (vin + vout)
    _, f = sampled(stiff())
    for name, L, mean in (("i(L1)", 100e-6, vout * current / vin), ("i(L2)", 50e-6, current)):
        ripple = vin * D / FS / L
        assert f[name].ripple[0] == pytest.approx(ripple, rel=2e-3)
        assert f[name].average[0] == pytest.approx(mean, rel=1e-3)
        assert f[name].rms[0] == pytest.approx(np.sqrt(mean**2 + ripple**2 / 12), rel=1e-3)
        assert f[name].peak[0] == pytest.approx(mean + ripple / 2, rel=2e-3)
        assert f[name].valley[0] == pytest.approx(mean - ripple / 2, rel=2e-3)
    for device in ("v(switch)", "v(diode)"):
        assert f[device].peak[0] == pytest.approx(vin / (1 - D), rel=5e-3)
    total = vout * current / vin + current
    swing = vin * D / FS * (1 / 100e-6 + 1 / 50e-6)
    assert f["i(switch)"].rms[0] == pytest.approx(np.sqrt(D * (total**2 + swing**2 / 12)), rel=1e-3)
    assert f["i(diode)"].rms[0] == pytest.approx(np.sqrt((1 - D) * (total**2 + swing**2 / 12)), rel=1e-3)
    assert f["i(switch)"].unit == "A"
    assert f["v(switch)"].unit == "V"


def test_discontinuous_triangle():
    """Buck in discontinuous conduction: peak (Vg - V) D Ts / L, average the load, rms peak sqrt((D + D2) / 3)."""
    conv = converter(BUCK, one_inductor(10e-6, 5e-3), 12.0, 5.0, 0.3, FS)
    point = operating_point(conv)
    _, f = sampled(conv)
    D, end = float(point.duty[0]), float(point.conduction_end[0])
    peak = 7.0 * D / FS / 10e-6
    assert point.discontinuous[0]
    assert f["i(L1)"].peak[0] == pytest.approx(peak, rel=1e-4)
    assert f["i(L1)"].valley[0] == pytest.approx(0.0, abs=1e-8)
    assert f["i(L1)"].rms[0] == pytest.approx(peak * np.sqrt(end / 3), rel=1e-4)
    assert f["i(L1)"].average[0] == pytest.approx(0.3, rel=1e-6)


def test_output_ripple_of_a_boost():
    """B3: V D Ts / (R C) peak to peak, capacitor alone (the source prints half of it)."""
    _, f = sampled(converter(BOOST, one_inductor(200e-6, 100e-6), 12.0, 30.0, 1.0, FS))
    assert f["v(Co)"].ripple[0] == pytest.approx(1.0 * 0.6 / FS / 100e-6, rel=1e-3)


@pytest.mark.parametrize("k", [0.3, 0.9, 0.999])
def test_coupled_windings_see_more_inductance(k):
    """Equal windings that see equal voltages each see L (1 + k): half the inductance for the same ripple at k near one
    (common practice; exact while the coupling capacitor holds its voltage).
    """
    separate, coupled = (sampled(stiff(L1=L, L2=L, k=c))[1] for L, c in ((100e-6, 0.0), (100e-6 / (1 + k), k)))
    assert coupled["i(L1)"].ripple[0] == pytest.approx(separate["i(L1)"].ripple[0], rel=0.04)
    assert coupled["i(switch)"].peak[0] == pytest.approx(separate["i(switch)"].peak[0], rel=5e-3)


def test_leakage_may_steer_the_ripple():
    """B5: unequal windings: L2 = M, that is k = sqrt(L2 / L1), leaves the input winding without ripple (zero-ripple condition,
    from memory; follows from v1 = v2 = L1 di1 + M di2 = M di1 + L2 di2).
    """
    ratio = 0.5
    _, f = sampled(stiff(L1=100e-6, L2=100e-6 * ratio, k=float(np.sqrt(ratio))))
    assert f["i(L1)"].ripple[0] < 0.02 * f["i(L2)"].ripple[0]


def test_samples_lie_within_the_period():
    waves, _ = sampled(trap(20.0, damper=DAMPER, current=0.05))
    assert (np.diff(waves.time[0]) >= -1e-15).all()
    assert waves.time[0, 0] == 0.0
    assert waves.time[0, -1] == pytest.approx(1.0)
