"""Margin reading against printed examples and relations.

Sources: K. Ogata, "Modern Control Engineering", 5th ed., 2010 (OGA, lead-compensation example, the compensator from memory);
R. W. Erickson, D. Maksimovic, "Fundamentals of Power Electronics", 3rd ed., 2020 (EM3).
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.signal import lti, step

from loopdesign.analysis.transient.estimate import step_response
from loopdesign.margins.margins import find_margins, headline_margins, margins_from_grid
from loopdesign.network.circuit import derive
from loopdesign.network.elements import Amplifier, Capacitor, Resistor, VoltageSource


def every_route(loop, low_hz, high_hz):
    """Crossover [Hz] and phase margin [degree] by refinement, from a grid, and by the fast path."""
    found = find_margins(loop, low_hz=low_hz, high_hz=high_hz)[0]
    f = np.geomspace(low_hz, high_hz, 4001)
    grid = margins_from_grid(f, loop(f))[0]
    fast = headline_margins(f, loop(f)[np.newaxis])
    assert_allclose([grid.crossover_hz, fast.crossover_hz[0]], found.crossover_hz, rtol=1e-5)
    assert_allclose([grid.phase_margin_deg, fast.phase_margin_deg[0]], found.phase_margin_deg, atol=2e-3)
    return found


@pytest.mark.parametrize(("lead", "crossover_rad", "margin"), [(False, 6.168466, 17.9642), (True, 8.889535, 50.5076)])
def test_lead_compensation_example(lead, crossover_rad, margin):
    """M1: OGA: 40/(s(s+2)) has 17 degrees (printed), with the lead 41.7 (s+4.41)/(s+18.4) (from memory) over the 50 specified.

    Six digits recomputed; the gain margin is infinite in print, here absent with a reason.
    """

    def loop(f):
        s = 2j * np.pi * f
        plant = 4 / (s * (s + 2))
        return plant * (41.7 * (s + 4.41) / (s + 18.4) if lead else 10.0)

    found = every_route(loop, 0.01, 100.0)
    assert_allclose(2 * np.pi * found.crossover_hz, crossover_rad, rtol=1e-7)
    assert_allclose(found.phase_margin_deg, margin, atol=5e-5)
    assert found.gain_margin_db is None
    assert "does not cross -180 degrees" in found.reasons["gain_margin_db"]


@pytest.mark.parametrize(
    ("q", "margin"),
    [(1.0, 51.827), (0.5, 76.345), (4.01376, 14.2), (0.816497, 60.0), (1.189207, 45.0), (1.86121, 30.0)],
)
def test_phase_margin_and_closed_loop_q(q, margin):
    """M2: EM3 9.4.3: T = 1/((s/w0)(1 + s/w2)) closes to a pair with Q = sqrt(w0/w2); Q = 1 is 52 degrees, Q = 0.5 is 76 (printed)."""

    def loop(f):
        s = 1j * f / 1e3
        return 1 / (s * (1 + s * q**2))

    found = every_route(loop, 10.0, 1e5)
    assert_allclose(found.phase_margin_deg, margin, atol=1e-3)
    cosine, sine = np.cos(np.radians(found.phase_margin_deg)), np.sin(np.radians(found.phase_margin_deg))
    assert_allclose(np.sqrt(cosine) / sine, q, rtol=1e-8)


@pytest.mark.parametrize(("q", "printed"), [(1.0, 16.3), (2.0, 44.4)])
def test_overshoot_that_the_phase_margin_foretells(q, printed):
    """M2: EM3 9.4.4: exp(-pi/sqrt(4 Q^2 - 1)) is 16.3 % for Q = 1 and 44.4 % for Q = 2 (printed).

    The margin read from the loop gives Q; the closed loop 1/(1 + s/(Q wc) + s^2/wc^2) is stepped by scipy, and once more from its
    frequency response by the program's own route from responses to steps.
    """

    def loop(f):
        s = 1j * f / 1e3
        return 1 / (s * (1 + s * q**2))

    margin = np.radians(every_route(loop, 1.0, 1e5).phase_margin_deg)
    found_q = np.sqrt(np.cos(margin)) / np.sin(margin)
    assert 100 * np.exp(-np.pi / np.sqrt(4 * found_q**2 - 1)) == pytest.approx(printed, abs=0.05)
    w0 = 2 * np.pi * 1e3  # s/w0 (1 + s q^2/w0) + 1: the pair lies at w0/q
    times = np.linspace(0.0, 2e-3, 801)
    _, stepped = step(lti([1.0], [q**2 / w0**2, 1.0 / w0, 1.0]), T=times)
    assert 100 * (stepped.max() - 1.0) == pytest.approx(printed, abs=0.06)
    f = np.geomspace(1e-2, 1e6, 6000)
    closed = loop(f) / (1 + loop(f))
    assert_allclose(step_response(f, closed, times[1:]), stepped[1:], atol=2e-4)


@pytest.mark.parametrize(("delay", "margin"), [(0.36e-6, 39), (0.86e-6, 21), (1.36e-6, 3)])
def test_delay_costs_phase(delay, margin):
    """M3: EM3 19.3: a delay costs 360 fc td degrees; 52 degrees at 100 kHz become 39, 21, 3 (printed, rounded)."""
    angle = np.radians(52.0)

    def loop(f):
        x = f / 100e3  # an integrator and a pole that leave 52 degrees at 100 kHz, with gain one there
        pole = 1 / np.tan(np.pi / 2 - angle)
        return np.hypot(1, 1 / pole) / (1j * x * (1 + 1j * x / pole)) * np.exp(-2j * np.pi * f * delay)

    found = every_route(loop, 1e3, 1e6)
    assert_allclose(found.crossover_hz, 100e3, rtol=1e-9)
    assert_allclose(found.phase_margin_deg, margin, atol=0.5)
    assert_allclose(found.phase_margin_deg, 52.0 - 360 * 100e3 * delay, atol=1e-7)
    assert found.gain_margin_db > 0


def injected(f, source_ohm, load_ohm):
    """Loop gain read by a voltage injected between two impedances, and the loop gain itself, (F,) each.

    An amplifier of 10,000 with a pole at 10 Hz behind ``source_ohm`` drives ``load_ohm``, whose voltage comes back to it.
    """
    corner = 1.0 / (2 * np.pi * 10.0 * 1e3)
    network = derive(
        (
            VoltageSource(name="injection", a="y", b="x"),
            Resistor(name="load", a="x", b="0", resistance=load_ohm),
            Amplifier(name="input", a="i", b="0", plus="0", minus="x", gain=1e4),
            Resistor(name="R", a="i", b="o", resistance=1e3),
            Capacitor(name="C", a="o", b="0", capacitance=corner),
            Amplifier(name="buffer", a="e", b="0", plus="o", minus="0", gain=1.0),
            Resistor(name="source", a="e", b="y", resistance=source_ohm),
        ),
        (frozenset(),),
        ("v(y)", "v(x)"),
        period=1e-6,
    )
    (c,) = network.configurations
    s = 2j * np.pi * f * 1e-6
    states = np.linalg.solve(s[:, None, None] * np.eye(1) - c.A[0], np.broadcast_to(c.B[0], (len(f), 1, 1)))
    y, x = ((c.C[0] @ states)[:, :, 0] + c.D[0][:, 0]).T
    return -y / x, 1e4 / (1 + 1j * f / 10.0) * load_ohm / (load_ohm + source_ohm)


def test_injection_measurement_error():
    """M4: EM3 9.6: what voltage injection reads is T(1 + Z1/Z2) + Z1/Z2; 50 ohm driving 500 ohm errs by 0.83 dB at high gain.

    The whole circuit as a netlist of the program's. Data are invalid below -20 dB, where Z1/Z2 itself is read.
    """
    f, z = np.geomspace(1, 1e8, 4001), 50 / 500
    read, true = injected(f, 50.0, 500.0)
    assert_allclose(read, true * (1 + z) + z, rtol=1e-9)
    error_db = 20 * np.log10(np.abs(read / true))
    assert_allclose(error_db[0], 0.83, atol=0.005)
    assert_allclose(20 * np.log10(np.abs(read[-1])), -20.0, atol=1e-3)
    # |T| falls as 1/f there, so the crossover is read high by the same tenth, less what Z1/Z2 adds at right angles
    found, exact = (margins_from_grid(f, x)[0].crossover_hz for x in (read, true))
    assert_allclose(found / exact, (1 + z) / np.sqrt(1 - z**2), rtol=1e-4)
