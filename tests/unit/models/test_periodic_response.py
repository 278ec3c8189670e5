"""Digits of the exact response: fifty-digit arithmetic on the same matrices is the judge, down to 1e-9 of the clock.

The judge (mpmath, a general-purpose library) takes the matrices of the intervals and the edges as exact and shares no
formula with the package: it carries the affine map of the whole period, with the integrals by solves, in fifty digits.
"""

from __future__ import annotations

from dataclasses import replace

import mpmath as mp
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from stages import BUCK, converter, one_inductor, trap

from loopdesign.compensation.compensator import Divider, NetworkParts, OperationalAmplifier, TransconductanceAmplifier
from loopdesign.compensation.netlist import compensator_netlist
from loopdesign.models import interval_integrals, periodic_response
from loopdesign.models.switched import linearise, loop_gain
from loopdesign.network.modulator import VoltageMode
from loopdesign.orbit.operating_point import operating_point

FS = 300e3
FREQUENCIES = FS * np.array([1e-9, 1e-7, 1e-5, 3e-4, 1e-2, 0.1, 0.31, 0.5])
DAMPER = (2.2, 22e-6)
DIVIDER = Divider(upper=115e3, lower=10e3)
PROMISED = 1e-6


def close(conv, *, gm=1e-3, output_resistance=2e6, R1=6.8e3, C1=22e-9, C2=220e-12):
    amplifier = TransconductanceAmplifier(gm=gm, output_resistance=output_resistance)
    parts = NetworkParts(network="type II", R1=R1, C1=C1, C2=C2)
    return conv.closed(compensator_netlist(amplifier, DIVIDER, parts))


class Judge:
    """Response of one item of a switched model in fifty digits."""

    def __init__(self, model, item=0):
        mp.mp.dps = 50
        network = model.point.network
        self.network, self.n = network, network.configurations[0].A.shape[-1]
        self.matrices = [
            tuple(mp.matrix(m[item].tolist()) for m in (c.A, c.B, c.C, c.D))
            for c in (network.configurations[k] for k in model.point.sequence.configuration[item])
        ]
        self.lengths = [mp.mpf(float(length)) for length in model.lengths[item]]
        self.exponentials = [
            mp.expm(m[0] * length, method="taylor") if length else mp.eye(self.n)
            for m, length in zip(self.matrices, self.lengths, strict=True)
        ]
        self.edges = [
            (
                mp.matrix([e.row[item].tolist()]), mp.matrix([e.row_input[item].tolist()]),
                mp.matrix(e.jump[item].tolist()), mp.matrix(e.impulse[item].tolist()),
            )
            for e in model.edges
        ]  # fmt: skip

    def __call__(self, hz, source, outputs):
        """Outputs at one frequency: all is affine in the start, ``P z0 + q``, and z0 follows from closing the period."""
        column, rows = self.network.input_index(source), [self.network.output_index(o) for o in outputs]
        jw = 2j * mp.pi * mp.mpf(float(hz)) * mp.mpf(float(self.network.period[0]))
        P, q = mp.eye(self.n), mp.zeros(self.n, 1)
        free, driven = [mp.zeros(1, self.n) for _ in rows], [mp.mpc(0) for _ in rows]
        for k, (A, B, C, D) in enumerate(self.matrices):
            length, b = self.lengths[k], B[:, column]
            if length:
                resolvent = mp.inverse(jw * mp.eye(self.n) - A)
                turned = self.exponentials[k] * mp.exp(-jw * length)
                after = turned * P, turned * q + resolvent * (b - turned * b)
                integral = resolvent * (P - after[0]), resolvent * (q - after[1] + b * length)
                P, q = after
                for r, row in enumerate(rows):
                    free[r] += C[row, :] * integral[0]
                    driven[r] += (C[row, :] * integral[1])[0] + D[row, column] * length
            if k < len(self.edges):
                row, row_input, jump, impulse = self.edges[k]
                shift = -(row * P), -((row * q)[0] + row_input[column])
                for r, output in enumerate(rows):
                    free[r] += impulse[output] * shift[0]
                    driven[r] += impulse[output] * shift[1]
                P, q = P + jump * shift[0], q + jump * shift[1]
        start = mp.lu_solve(mp.eye(self.n) - P, q)
        return [(f * start)[0] + d for f, d in zip(free, driven, strict=True)]

    def loop(self, hz):
        output, sensed = self(hz, "injection", ["v(out)", "v(sense)"])
        return complex(-output / sensed)


def held_against_the_judge(model, *, item=0, responses=(("line", "v(out)"), ("load", "v(out)"), ("line", "i(line)"))):
    judge = Judge(model, item)
    expected = np.array([judge.loop(hz) for hz in FREQUENCIES])
    assert_allclose(loop_gain(model, FREQUENCIES)[item], expected, rtol=PROMISED)
    for source, output in responses:
        expected = np.array([complex(judge(hz, source, [output])[0]) for hz in FREQUENCIES])
        assert_allclose(model.response(FREQUENCIES, source, [output])[item, 0], expected, rtol=PROMISED)


@pytest.mark.parametrize("seed", range(12))
def test_random_networks_to_a_millionth(seed):
    """Output resistance up to 1e12 ohm, a picofarad at a megohm, both modes of conduction, with and without a damper."""
    rng = np.random.default_rng(seed)
    conv = trap(
        rng.uniform(8.0, 30.0),
        damper=DAMPER if seed % 2 else None,
        current=rng.uniform(0.05, 1.2),
        coupling=rng.choice([0.0, 0.5, 0.98]),
    )
    R1, C2 = (1e6, 1e-12) if seed % 3 == 0 else (10.0 ** rng.uniform(3.0, 5.5), 10.0 ** rng.uniform(-12.0, -9.0))
    closed = close(
        conv,
        gm=10.0 ** rng.uniform(-4.0, -2.5),
        output_resistance=(3e5, 2e6, 1e9, 1e12)[seed % 4],
        R1=R1,
        C1=10.0 ** rng.uniform(-11.0, -7.0),
        C2=C2,
    )
    held_against_the_judge(linearise(operating_point(closed)))


def test_an_operational_amplifier_in_voltage_mode():
    """Type III around an amplifier of 100 dB at 10 MHz: poles from hertz to far beyond the clock in one matrix."""
    stage = one_inductor(22e-6, 47e-6, esr=5e-3, winding=0.02, switch=0.02, diode=0.02)
    conv = converter(BUCK, stage, 24.0, 5.0, 2.0, FS, modulator=VoltageMode(ramp=1.5), synchronous=True)
    parts = NetworkParts(network="type III", R1=10e3, C1=4.7e-9, C2=100e-12, R2=470.0, C3=2.2e-9)
    amplifier = OperationalAmplifier(dc_gain=1e5, gain_bandwidth=10e6)
    divider = Divider(upper=31.6e3, lower=10e3)
    closed = conv.closed(compensator_netlist(amplifier, divider, parts))
    held_against_the_judge(linearise(operating_point(closed)))


def test_poles_that_coincide():
    """The amplifier's pole on that of the output capacitor: the on-state matrix has no full set of eigenvectors.

    Beside it in the batch stands an item whose eigenvectors are good.
    """
    current = 1.25
    pole = (15.0 / current + 0.01) * 100e-6
    C1 = np.array([pole / 1e6, 1e-9])
    conv = trap(np.array([13.0, 13.0]), damper=DAMPER, current=current)
    amplifier = TransconductanceAmplifier(gm=1e-3, output_resistance=1e6)
    parts = NetworkParts(network="type I", C1=C1)
    model = linearise(operating_point(conv.closed(compensator_netlist(amplifier, DIVIDER, parts))))
    condition = model.modes[0].condition
    assert condition[0] > interval_integrals.CONDITION_LIMIT > condition[1]
    for item in (0, 1):
        held_against_the_judge(model, item=item)


def test_a_current_sink_at_low_frequency():
    """A state without any decay in one interval costs no digits, however far below the clock."""
    conv = trap(13.0, damper=DAMPER, load="current")
    model = linearise(operating_point(conv))
    judge = Judge(model)
    for source in ("control", "line", "load"):
        expected = [complex(judge(hz, source, ["v(out)"])[0]) for hz in FREQUENCIES]
        assert_allclose(model.response(FREQUENCIES, source, ["v(out)"])[0, 0], expected, rtol=PROMISED)


@given(
    vin=st.floats(7.0, 30.0),
    current=st.floats(0.03, 1.25),
    coupling=st.sampled_from([0.0, 0.95]),
    source=st.sampled_from(["control", "line", "load"]),
)
def test_modal_form_and_series_agree(vin, current, coupling, source):
    model = linearise(operating_point(trap(vin, current=current, coupling=coupling)))
    modal = model.response(FREQUENCIES, source, ["v(out)", "i(line)"])
    with pytest.MonkeyPatch.context() as patch:
        for module in (interval_integrals, periodic_response):
            patch.setattr(module, "CONDITION_LIMIT", 0.0)
        series = model.response(FREQUENCIES, source, ["v(out)", "i(line)"])
    assert_allclose(modal, series, rtol=1e-7, atol=1e-9 * np.abs(series).max())


def test_a_frequency_does_not_depend_on_the_others():
    """Asked alone or among many, within the rounding of one response."""
    model = linearise(operating_point(close(replace(trap(13.0, damper=DAMPER)), output_resistance=1e12)))
    together = loop_gain(model, FREQUENCIES)[0]
    alone = [loop_gain(model, np.array([hz]))[0, 0] for hz in FREQUENCIES]
    assert_allclose(together, alone, rtol=1e-8)
