"""Margins of switched converters read from a few samples and the multipliers, against dense scans of the exact loop gain."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from stages import BOOST, converter, one_inductor, trap

from loopdesign.compensation.compensator import Divider, NetworkParts, TransconductanceAmplifier
from loopdesign.compensation.netlist import compensator_netlist
from loopdesign.margins.closed_loop import closed_loop_headlines, closed_loop_margins
from loopdesign.margins.curve import sampled_curve
from loopdesign.margins.margins import margins_from_grid
from loopdesign.models.switched import linearise, loop_gain
from loopdesign.network.modulator import PeakCurrentMode
from loopdesign.orbit.operating_point import operating_point

from sharploops import dense_scan  # isort: skip

FS = 300e3
LOW = 3e-5 * FS
ASKED = {"switching_hz": FS, "low_hz": LOW, "lowest_hz": 1e-9 * FS}


def close(conv, *, gm=1e-3, output_resistance=2e6, R1=6.8e3, C1=22e-9, C2=220e-12):
    amplifier = TransconductanceAmplifier(gm=gm, output_resistance=output_resistance)
    parts = NetworkParts(network="type II", R1=R1, C1=C1, C2=C2)
    return conv.closed(compensator_netlist(amplifier, Divider(upper=115e3, lower=10e3), parts))


def random_stage(rng):
    """SEPIC with its resonance damped, undamped or coupled away, or a boost; both modes of conduction."""
    if rng.random() < 0.25:
        stage = one_inductor(22e-6, 100e-6, esr=0.01, winding=0.03, switch=0.02, diode=0.02, drop=0.5)
        modulator = PeakCurrentMode(sense_gain=0.05, slope=1.5e4)
        return converter(BOOST, stage, rng.uniform(6.0, 12.0), 15.0, rng.uniform(0.05, 1.2), FS, modulator=modulator)
    damper = (2.2, 22e-6) if rng.random() < 0.3 else None
    return trap(
        rng.uniform(8.0, 30.0), damper=damper, current=rng.uniform(0.05, 1.2), coupling=rng.choice([0.0, 0.0, 0.9])
    )


def random_loops(seed):
    """Plant and closed loop with random parts around a random stage."""
    rng = np.random.default_rng(seed)
    opened = random_stage(rng)
    closed = close(
        opened,
        gm=10.0 ** rng.uniform(-4.0, -2.5),
        R1=10.0 ** rng.uniform(3.0, 5.0),
        C1=10.0 ** rng.uniform(-9.0, -7.0),
        C2=10.0 ** rng.uniform(-11.5, -9.0),
    )
    return linearise(operating_point(opened)), linearise(operating_point(closed))


def scan_of(plant, closed):
    """Frequencies clustered round the multipliers of the closed loop and of the plant alone."""
    multipliers = np.concatenate([plant.multipliers[0], closed.multipliers[0]])
    roots = np.log(multipliers[np.abs(multipliers) > 1e-9]) * FS / (2.0 * np.pi)
    return dense_scan((roots.imag, np.abs(roots.real)), LOW, 0.5 * FS, even=30_000, cluster=600)


def number(value):
    return np.nan if value is None else value


@pytest.mark.parametrize("seed", range(24))
def test_random_converters(seed):
    plant, closed = random_loops(seed)
    hz = scan_of(plant, closed)
    values = loop_gain(closed, hz)
    (scan,) = margins_from_grid(hz, values)

    def response(frequencies):
        return loop_gain(closed, frequencies)

    (exact,) = closed_loop_margins(response, closed.multipliers, **ASKED)
    batch = closed_loop_headlines(response, closed.multipliers, **ASKED)
    if scan.crossover_hz is not None:
        assert_allclose(exact.crossovers_hz, scan.crossovers_hz, rtol=1e-4)
        assert_allclose(exact.phase_crossings_hz, scan.phase_crossings_hz, rtol=1e-4)
        assert_allclose(exact.gain_margins_db, scan.gain_margins_db, atol=0.02)
        assert exact.modulus_margin <= np.abs(1.0 + values).min() * (1.0 + 1e-6)
    assert_allclose(np.abs(response(np.array([exact.crossovers_hz]))), 1.0, rtol=1e-8)
    assert_allclose(np.abs(1.0 + response(np.array([[exact.modulus_margin_hz]]))), exact.modulus_margin, rtol=1e-6)
    assert_allclose(batch.phase_margin_deg[0], number(exact.phase_margin_deg), atol=0.01)
    assert_allclose(batch.gain_margin_db[0], number(exact.gain_margin_db), atol=0.002)
    for name in ("crossover_hz", "lowest_crossover_hz", "modulus_margin"):
        assert_allclose(getattr(batch, name)[0], number(getattr(exact, name)), rtol=1e-4)


@pytest.mark.parametrize("seed", range(100, 112))
def test_fifty_samples_know_the_whole_loop(seed):
    """Everywhere, in clusters round every resonance too, within 1e-6 of |1 + T|; asked together or item by item."""
    plant, closed = random_loops(seed)
    hz = scan_of(plant, closed)
    curve = sampled_curve(lambda f: loop_gain(closed, f), closed.multipliers, switching_hz=FS, low_hz=LOW)
    assert len(curve.angles) < 50
    expected = 1.0 + loop_gain(closed, hz)
    assert_allclose(1.0 + curve.on(hz), expected, rtol=1e-6)
    assert_allclose(1.0 + curve(hz[None]), expected, rtol=1e-6)


def counted(response):
    """The response, and a list of how many frequencies each call asked for."""
    asked = []

    def count(frequencies):
        asked.append(frequencies.size)
        return response(frequencies)

    return count, asked


@pytest.mark.parametrize("output_resistance", [2e6, 1e9, 1e12])
def test_a_loop_that_never_comes_down_to_one(output_resistance):
    """Bounded work, no crossover, and the reason: the amplifier's gain at half the clock is far too high."""
    conv = trap(13.0, damper=(2.2, 22e-6))
    model = linearise(
        operating_point(close(conv, gm=0.1, output_resistance=output_resistance, R1=1e6, C1=1e-9, C2=1e-13))
    )
    response, asked = counted(lambda f: loop_gain(model, f))
    assert abs(response(np.array([[0.5 * FS]]))) > 1.2
    (margins,) = closed_loop_margins(response, model.multipliers, **ASKED)
    assert sum(asked) < 5000
    assert margins.crossovers_hz == ()
    assert margins.crossover_hz is margins.lowest_crossover_hz is margins.phase_margin_deg is None
    assert margins.reasons["crossover_hz"] == "the loop gain stays above one from 300 µHz to 150 kHz"
    assert margins.reasons["phase_margin_deg"] == margins.reasons["crossover_hz"]
    batch = closed_loop_headlines(response, model.multipliers, **ASKED)
    assert np.isnan([batch.crossover_hz[0], batch.lowest_crossover_hz[0], batch.phase_margin_deg[0]]).all()


def test_a_slow_integrator_is_found_far_below_the_band():
    """A loop that crosses at a few millihertz: |T| falls as 1/f there, so the crossover follows from one value of T."""
    conv = trap(13.0, damper=(2.2, 22e-6))
    model = linearise(operating_point(close(conv, gm=1e-6, output_resistance=1e12, R1=100.0, C1=1e-4, C2=1e-9)))
    (margins,) = closed_loop_margins(lambda f: loop_gain(model, f), model.multipliers, **ASKED)
    far_below = 1e-6 * FS
    expected = far_below * abs(loop_gain(model, np.array([far_below]))[0, 0])
    assert expected < LOW
    assert_allclose(margins.crossovers_hz, [expected], rtol=1e-3)
    assert_allclose(margins.phase_margin_deg, 90.0, atol=1.0)
    batch = closed_loop_headlines(lambda f: loop_gain(model, f), model.multipliers, **ASKED)
    assert_allclose([batch.crossover_hz[0], batch.lowest_crossover_hz[0]], margins.crossover_hz, rtol=1e-5)
