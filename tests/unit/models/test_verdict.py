"""The verdict: multipliers read as modes, and the loop that looks stable on a Bode plot and is not."""

from __future__ import annotations

import numpy as np
import pytest
from modes import all_modes
from stages import BOOST, converter, one_inductor, trap

from loopdesign.analysis.check import loop_margins
from loopdesign.compensation.compensator import Divider, NetworkParts, TransconductanceAmplifier
from loopdesign.compensation.netlist import compensator_netlist
from loopdesign.models.switched import linearise
from loopdesign.models.verdict import participation, verdicts, worst_modes
from loopdesign.network.modulator import PeakCurrentMode
from loopdesign.orbit.operating_point import operating_point

FS = 300e3
LINE = np.array([6.0, 8.0, 10.0, 13.0, 20.0, 30.0])
RESONANCE = 1 / (2 * np.pi * np.sqrt(4e-6 * 44e-6))
CURES = [{"damper": (2.2, 22e-6)}, {"coupling": 0.98}]


def judge(conv, *, R1=2e3, C1=47e-9):
    """Close the loop with a type II network; return margins and verdicts of every item."""
    amplifier = TransconductanceAmplifier(gm=1e-3, output_resistance=2e6)
    parts = NetworkParts(network="type II", R1=R1, C1=C1, C2=220e-12)
    closed = conv.closed(compensator_netlist(amplifier, Divider(upper=115e3, lower=10e3), parts))
    point = operating_point(conv)
    inner, loop = linearise(point), linearise(operating_point(closed, point.sequence))
    return loop_margins(loop), verdicts(inner, loop)


def test_phase_margin_is_no_proof():
    """At low line the plot shows over 45 degrees and a single smooth crossover, and the converter oscillates."""
    margins, judged = judge(trap(LINE))
    low, high = judged[0], judged[-1]
    assert margins[0].phase_margin_deg > 45.0
    assert margins[0].gain_margin_db > 10.0
    assert margins[0].modulus_margin > 0.5
    assert not low.stable
    assert not low.current_loop_stable
    assert low.worst_mode.name == low.current_loop_worst_mode.name == "coupling resonance"
    assert low.worst_mode.frequency_hz == pytest.approx(RESONANCE, rel=0.03)
    assert low.worst_mode.growth_per_s > 0.0
    assert low.largest_multiplier > 1.0
    assert high.stable
    assert high.current_loop_stable
    # once stable with rising line, stable for good
    stable = [v.stable for v in judged]
    assert stable == sorted(stable)


@pytest.mark.parametrize("cure", CURES, ids=["damper", "coupled"])
def test_cures(cure):
    """An R-C damper across the coupling capacitor, or coupling the inductors, at every line (common practice)."""
    margins, judged = judge(trap(np.linspace(6.0, 30.0, 13), **cure))
    assert all(v.stable and v.current_loop_stable for v in judged)
    assert min(m.phase_margin_deg for m in margins) > 40.0


@pytest.mark.parametrize("cure", CURES, ids=["damper", "coupled"])
@pytest.mark.parametrize("current", [0.1, 0.5])
def test_cures_hold_at_lighter_load(cure, current):
    _, judged = judge(trap(LINE, current=current, **cure))
    assert all(v.stable and v.current_loop_stable for v in judged)


def test_growth_and_frequency_are_those_of_the_multiplier():
    """An orbit's perturbation grows by |m| each period: growth ln|m| / T, frequency arg(m) / (2 pi T)."""
    model = linearise(operating_point(trap(6.0)))
    worst = worst_modes(model)[0]
    assert np.exp(worst.growth_per_s / FS) == pytest.approx(abs(worst.multiplier), rel=1e-12)
    assert worst.frequency_hz == pytest.approx(abs(np.angle(worst.multiplier)) * FS / (2 * np.pi), rel=1e-12)
    modes = all_modes(model)
    sizes = [abs(m.multiplier) for m in modes]
    assert sizes == sorted(sizes, reverse=True)
    assert modes[0].multiplier.imag >= 0.0
    assert sum(2 if m.multiplier.imag > 0 else 1 for m in modes) == 4
    assert modes[0].stable is False


def test_subharmonic():
    """C1: a boost above half duty without a ramp (R. W. Erickson, D. Maksimovic, 2020, section 18.2)."""
    stage = one_inductor(50e-6, 2e-3)
    for slope, stable in ((0.0, False), (0.5 * 0.1 * 30.0 / 50e-6, True)):
        conv = converter(BOOST, stage, 20.0, 50.0, 5.0, 100e3, modulator=PeakCurrentMode(sense_gain=0.1, slope=slope))
        worst = worst_modes(linearise(operating_point(conv)))[0]
        assert worst.stable is stable
        if not stable:
            assert worst.name == "subharmonic"
            assert worst.frequency_hz == pytest.approx(50e3)
            assert worst.growth_per_s == pytest.approx(np.log(1.5) * 100e3, rel=0.02)


def test_shares_of_states_in_a_mode():
    model = linearise(operating_point(trap(6.0)))
    k = int(np.argmax(np.abs(model.multipliers[0])))
    share = participation(model, 0, k)
    assert share.sum() == pytest.approx(1.0)
    assert share[model.point.network.states.index("v(Cs)")] > 0.3


def test_states_that_are_lost_within_a_period():
    """In discontinuous conduction one inductor current starts every period anew: a multiplier of nothing."""
    modes = all_modes(linearise(operating_point(trap(20.0, damper=(2.2, 22e-6), current=0.05))))
    assert modes[-1].name == "dies out within one period"
    assert abs(modes[-1].multiplier) < 1e-9
    assert modes[0].stable


def test_without_a_loop_the_current_loop_is_judged():
    model = linearise(operating_point(trap(np.array([6.0, 30.0]))))
    judged = verdicts(model, None)
    assert [v.stable for v in judged] == [False, True]
    assert all(v.stable == v.current_loop_stable for v in judged)
    assert all(v.worst_mode == v.current_loop_worst_mode for v in judged)


def test_synchronous_rectifier_keeps_its_resonance():
    """No discontinuous conduction comes to the rescue: the undamped stage is unstable at low line and light load too."""
    assert not worst_modes(linearise(operating_point(trap(6.0, current=0.05, synchronous=True))))[0].stable
