"""What the verdict calls a mode, and where the loop and the current loop alone disagree.

Growths and frequencies of a constant-power load follow from its conductance -P/V^2 by hand (the incremental conductance of P/V).
"""

from __future__ import annotations

import numpy as np
import pytest
from modes import all_modes
from stages import BOOST, BUCK, converter, one_inductor, trap

from loopdesign.compensation.compensator import Divider, NetworkParts, TransconductanceAmplifier
from loopdesign.compensation.netlist import compensator_netlist
from loopdesign.models.switched import linearise
from loopdesign.models.verdict import LEFT_TO_THE_LOOP, Mode, verdicts, worst_modes
from loopdesign.network.modulator import PeakCurrentMode
from loopdesign.orbit.operating_point import operating_point

FS = 300e3
L, C, VOUT, POWER = 47e-6, 220e-6, 10.0, 20.0


def buck(load, *, modulator=None, current=POWER / VOUT):
    """Lossless buck of 25 V to 10 V."""
    return converter(BUCK, one_inductor(L, C), 25.0, VOUT, current, FS, load=load, modulator=modulator)


def closed(conv, R1=1e3, C1=10e-9):
    """Open and closed switched models with a type II loop around 10 V from 1.2 V."""
    amplifier, parts = (
        TransconductanceAmplifier(gm=1e-3, output_resistance=2e6),
        NetworkParts(network="type II", R1=R1, C1=C1, C2=1e-12),
    )
    divider = Divider(upper=10e3 * (float(conv.output_voltage[0]) / 1.2 - 1.0), lower=10e3)
    point = operating_point(conv)
    whole = operating_point(conv.closed(compensator_netlist(amplifier, divider, parts)), point.sequence)
    return linearise(point), linearise(whole)


def test_power_load_lets_the_output_filter_ring_up():
    """L C s^2 - L P/V^2 s + 1 = 0: growth P/(2 C V^2) at very nearly 1/(2 pi sqrt(L C)); the voltage loop is there to hold it."""
    model = linearise(operating_point(buck("power")))
    worst = worst_modes(model)[0]
    conductance = POWER / VOUT**2
    assert worst.name == "output resonance"
    assert not worst.stable
    assert not worst.beyond_the_loop
    assert worst.growth_per_s == pytest.approx(conductance / (2 * C), rel=2e-3)
    turn = np.sqrt(1 / (L * C) - (conductance / (2 * C)) ** 2)
    assert worst.frequency_hz == pytest.approx(turn / (2 * np.pi), rel=1e-4)


def test_resistive_load_lets_it_die():
    """The same with the sign of the conductance turned: decay at the same rate, under the same name."""
    worst = worst_modes(linearise(operating_point(buck("resistive"))))[0]
    assert (worst.name, worst.stable, worst.beyond_the_loop) == ("output resonance", True, False)
    assert worst.growth_per_s == pytest.approx(-POWER / VOUT**2 / (2 * C), rel=2e-3)


def test_power_load_drifts_with_a_current_loop():
    """C9: with the inductor current held the output is one capacitor and a negative conductance: growth (P/V^2 - go)/C.

    go = (T/L)(D' Se/Sn + 1/2 - D) is what the peak current gives way with the output (V. Vorperian 1990, from memory).
    """
    sense, D = 0.1, VOUT / 25.0
    rise = sense * (25.0 - VOUT) / L
    model = linearise(operating_point(buck("power", modulator=PeakCurrentMode(sense_gain=sense, slope=0.5 * rise))))
    go = ((1 - D) * 0.5 + 0.5 - D) / (L * FS)
    worst = worst_modes(model)[0]
    assert (worst.name, worst.stable, worst.beyond_the_loop, worst.frequency_hz) == ("slow drift", False, False, 0.0)
    assert worst.growth_per_s == pytest.approx((POWER / VOUT**2 - go) / C, rel=2e-3)
    light = linearise(
        operating_point(buck("power", modulator=PeakCurrentMode(sense_gain=sense, slope=2.0 * rise), current=0.4))
    )
    settled = worst_modes(light)[0]
    assert (settled.name, settled.stable) == ("slow settling", True)


def test_stable_loop_around_an_unstable_current_loop():
    """A power load drifts with the control held and comes to rest with the voltage loop closed: the two verdicts differ."""
    sense = 0.1
    conv = buck("power", modulator=PeakCurrentMode(sense_gain=sense, slope=0.5 * sense * 15.0 / L))
    inner, loop = closed(conv, R1=10e3, C1=22e-9)
    (judged,) = verdicts(inner, loop)
    assert judged.stable
    assert not judged.current_loop_stable
    assert judged.current_loop_worst_mode.name == "slow drift"
    assert not judged.current_loop_worst_mode.beyond_the_loop
    assert judged.worst_mode.stable
    assert judged.largest_multiplier == pytest.approx(np.abs(loop.multipliers).max())
    assert abs(judged.current_loop_worst_mode.multiplier) == pytest.approx(np.abs(inner.multipliers).max())


def test_unstable_loop_around_a_stable_current_loop():
    """An integrator without its zero before a capacitor: 180 degrees, and what the sampling adds makes it grow.

    It rings where |T| = gm b/(w C1) / (Ri w C) = 1, far above both corners. Ten times the gain with its zero oscillates at half
    the switching frequency instead.
    """
    sense = 0.1
    conv = buck("resistive", modulator=PeakCurrentMode(sense_gain=sense, slope=0.5 * sense * 15.0 / L))
    for R1, name in ((100.0, "voltage loop"), (300e3, "subharmonic")):
        inner, loop = closed(conv, R1=R1, C1=1e-9)
        (judged,) = verdicts(inner, loop)
        assert not judged.stable
        assert judged.current_loop_stable
        assert judged.worst_mode.name == name
        assert judged.worst_mode.growth_per_s > 0.0 > judged.current_loop_worst_mode.growth_per_s
    slow = verdicts(*closed(conv, R1=100.0, C1=1e-9))[0].worst_mode
    crossover = np.sqrt(1e-3 * 1.2 / VOUT / (1e-9 * sense * C)) / (2 * np.pi)
    assert slow.frequency_hz == pytest.approx(crossover, rel=0.01)


def test_every_item_has_its_own_pair_of_verdicts():
    """Undamped SEPIC at low and at high line, in either order."""
    for vin in ([6.0, 30.0], [30.0, 6.0]):
        inner, loop = closed(trap(np.array(vin)), R1=2e3, C1=47e-9)
        judged = verdicts(inner, loop)
        assert [v.stable for v in judged] == [v.current_loop_stable for v in judged] == [x == 30.0 for x in vin]
        for item, v in enumerate(judged):
            assert v.largest_multiplier == pytest.approx(np.abs(loop.multipliers[item]).max())


def test_oscillating_modes_of_a_closed_loop_are_the_voltage_loop():
    """A loop whose crossover rings is named so only once closed: with the control held there is no such mode."""
    conv = buck("resistive", modulator=PeakCurrentMode(sense_gain=0.1, slope=0.5 * 0.1 * 15.0 / L))
    inner, loop = closed(conv, R1=60e3, C1=1e-9)
    assert "voltage loop" in {m.name for m in all_modes(loop)}
    assert "voltage loop" not in {m.name for m in all_modes(inner)}
    assert "output resonance" not in {m.name for m in all_modes(loop)}


def test_no_ramp_above_half_duty_is_beyond_the_loop():
    """C1: a boost at D = 0.6 without a ramp multiplies by -1.5: subharmonic at half the switching frequency."""
    conv = converter(
        BOOST, one_inductor(50e-6, 2e-3), 20.0, 50.0, 5.0, FS, modulator=PeakCurrentMode(sense_gain=0.1, slope=0.0)
    )
    worst = worst_modes(linearise(operating_point(conv)))[0]
    assert (worst.name, worst.beyond_the_loop) == ("subharmonic", True)
    assert worst.multiplier.real == pytest.approx(-1.5, rel=5e-3)
    assert worst.frequency_hz == pytest.approx(FS / 2)


@pytest.mark.parametrize(
    "name", ["slow drift", "output resonance", "subharmonic", "coupling resonance", "voltage loop"]
)
@pytest.mark.parametrize(("size", "stable"), [(0.999, True), (1.0, False), (1.001, False)])
def test_what_a_voltage_loop_cannot_hold(name, size, stable):
    """A multiplier of one does not decay. A growing mode is beyond the loop unless it lies below the crossover."""
    mode = Mode(multiplier=complex(size), frequency_hz=0.0, growth_per_s=0.0, name=name)
    assert mode.stable is stable
    assert mode.beyond_the_loop is (not stable and name not in LEFT_TO_THE_LOOP)
    assert set(LEFT_TO_THE_LOOP) == {"slow drift", "output resonance"}
