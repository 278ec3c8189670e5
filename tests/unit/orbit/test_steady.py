"""The periodic operating point: duty, conduction mode, loads, limits, against closed forms and independent routes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.linalg
from byhand import Sepic
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from stages import BOOST, BUCK, BUCK_BOOST, SEPIC, converter, one_inductor, scaled, trap, two_inductor

from loopdesign.errors import ConvergenceError, UnreachableOutputError
from loopdesign.network.topologies.base import CapacitorValue
from loopdesign.orbit.augmented import Stepper
from loopdesign.orbit.operating_point import operating_point
from loopdesign.orbit.periodic import _linearise, solve
from loopdesign.orbit.problem import pose
from loopdesign.orbit.search.duty import averaged_output
from loopdesign.orbit.search.reach import continuous, exact_output, ordinary, scan_duty

FS = 100e3


def stiff_sepic(vin, vout=12.0, current=2.0, *, k=0.0, L=50e-6, L2=None, synchronous=False):
    """Lossless SEPIC whose capacitors hardly ripple."""
    stage = two_inductor(L, L if L2 is None else L2, 2e-3, 5e-3, coupling=k)
    return converter(SEPIC, stage, vin, vout, current, FS, synchronous=synchronous)


def step_by_expm(point, item=0):
    """Propagate the start through one period with scipy's exponential of the network's own matrices."""
    x, u = point.start[item], point.inputs[item]
    n = len(x)
    for k, length in zip(point.sequence.configuration[item], point.lengths[item], strict=True):
        c = point.network.configurations[k]
        M = np.zeros((n + 1, n + 1))
        M[:n, :n], M[:n, n] = c.A[item], c.B[item] @ u
        x = (scipy.linalg.expm(M * length) @ np.append(x, 1.0))[:n]
    return x


@pytest.mark.parametrize("vin", [5.0, 9.0, 12.0, 20.0, 36.0])
def test_sepic_duty(vin):
    """D = V / (V + Vin), outputs above and below the input (common practice); capacitor ripple moves it by parts in 1e5."""
    point = operating_point(stiff_sepic(vin))
    assert not point.discontinuous[0]
    assert point.duty[0] == pytest.approx(12.0 / (12.0 + vin), rel=1e-4)
    assert SEPIC.lossless_duty(vin, 12.0, 1.0) == pytest.approx(12.0 / (12.0 + vin))


@pytest.mark.parametrize(("topology", "vout"), [(BUCK, 5.0), (BOOST, 30.0), (BUCK_BOOST, 5.0), (BUCK_BOOST, 30.0)])
def test_duty_of_the_canonical_stages(topology, vout):
    """B3: lossless duty of buck, boost, buck-boost (R. W. Erickson, D. Maksimovic, 2020, chapter 2)."""
    point = operating_point(converter(topology, one_inductor(50e-6, 2e-3), 12.0, vout, 3.0, FS))
    assert point.duty[0] == pytest.approx(topology.lossless_duty(12.0, vout, 1.0), rel=1e-4)


BOUNDARY = {
    "buck": (BUCK, 0.6, lambda K, D: 2 / (1 + np.sqrt(1 + 4 * K / D**2))),
    "boost": (BOOST, 0.4, lambda K, D: (1 + np.sqrt(1 + 4 * D**2 / K)) / 2),
    "buck-boost": (BUCK_BOOST, 0.4, lambda K, D: D / np.sqrt(K)),
}


@pytest.mark.parametrize("name", BOUNDARY)
@pytest.mark.parametrize("share", [0.1, 0.5])
def test_discontinuous_conversion_ratio(name, share):
    """E9: R. W. Erickson, D. Maksimovic, 2020, Tables 5.1-5.2; K = 2 L / (R Ts), capacitors stiff."""
    topology, D, ratio = BOUNDARY[name]
    Kcrit = {"buck": 1 - D, "boost": D * (1 - D) ** 2, "buck-boost": (1 - D) ** 2}[name]
    K, L = share * Kcrit, 20e-6
    R = 2 * L * FS / K
    vout = 12.0 * ratio(K, D)
    point = operating_point(converter(topology, one_inductor(L, 50e-3 / R), 12.0, vout, vout / R, FS))
    assert point.discontinuous[0]
    assert point.duty[0] == pytest.approx(D, rel=2e-4)  # what is left of the ripple


@pytest.mark.parametrize("current", [1.25, 0.05, 0.01])
@pytest.mark.parametrize("vin", [8.0, 25.0])
def test_the_point_repeats_itself(current, vin):
    """After one period, stepped by scipy, every state is where it began, and the comparator and rectifier agree with the edges."""
    point = operating_point(trap(vin, damper=(2.2, 22e-6), current=current))
    assert_allclose(step_by_expm(point), point.start[0], rtol=1e-9, atol=1e-9 * np.abs(point.start).max())
    th = point.problem.threshold
    g = th.row_state[0] @ point.at_duty[0] + th.row_input[0] @ point.inputs[0] + th.ramp[0] * point.duty[0]
    assert g == pytest.approx(0.0, abs=1e-9)
    off, row = point.network.configurations[1], point.network.output_index("i(diode)")
    valley = off.C[0, row] @ point.at_conduction_end[0]
    if point.discontinuous[0]:
        assert valley == pytest.approx(0.0, abs=1e-9)
        assert point.duty[0] < point.conduction_end[0] < 1.0
    else:
        assert valley > 0.0
        assert point.conduction_end[0] == 1.0


def test_idle_currents_add_to_nothing():
    """In discontinuous conduction the inductor currents are one current from the rectifier's end on."""
    point = operating_point(trap(20.0, damper=(2.2, 22e-6), current=0.05))
    assert point.discontinuous[0]
    for state in (point.at_conduction_end, point.start):
        i1, i2 = (state / point.network.state_scale)[0, :2]
        assert i1 + i2 == pytest.approx(0.0, abs=1e-10)
        assert abs(i1) > 1e-3  # it circulates


def test_duty_below_the_continuous_one():
    """With less load the duty falls in discontinuous conduction, and not in continuous conduction of a lossless stage."""
    conv = converter(SEPIC, two_inductor(50e-6, 50e-6, 2e-4, 5e-4), 12.0, 12.0, [4.0, 2.0, 0.3, 0.1, 0.02], FS)
    point = operating_point(conv)
    assert point.discontinuous.tolist() == [False, False, True, True, True]
    assert point.duty[0] == pytest.approx(point.duty[1], rel=1e-3)
    assert (np.diff(point.duty[1:]) < 0.0).all()


@pytest.mark.parametrize("load", ["current", "power"])
@pytest.mark.parametrize("current", [1.25, 0.05])
def test_other_loads_have_the_resistor_s_operating_point(load, current):
    """At its operating point every load draws the same average; only output ripple lets them differ."""
    plain = operating_point(trap(20.0, damper=(2.2, 22e-6), current=current))
    other = operating_point(trap(20.0, damper=(2.2, 22e-6), current=current, load=load))
    assert other.discontinuous[0] == plain.discontinuous[0] == (current < 0.1)
    assert other.duty[0] == pytest.approx(plain.duty[0], rel=1e-4)
    assert other.trim[0] == pytest.approx(plain.trim[0], rel=1e-3)
    assert_allclose(step_by_expm(other), other.start[0], rtol=1e-8, atol=1e-9 * np.abs(other.start).max())


def test_power_load_where_the_open_period_map_is_singular():
    """A voltage-mode lossless buck-boost in DCM delivers a fixed power at a duty: a power load leaves the output undetermined.

    The operating point is still the resistor's: D = sqrt(2 L P fs) / Vin (the whole energy of each cycle).
    """
    conv = converter(BUCK_BOOST, one_inductor(20e-6, 5e-3), 12.0, 9.0, 0.4, FS, load="power")
    point = operating_point(conv)
    assert point.discontinuous[0]
    assert point.duty[0] == pytest.approx(np.sqrt(2 * 20e-6 * 9.0 * 0.4 * FS) / 12.0, rel=1e-5)


def test_synchronous_rectifier_has_no_discontinuous_conduction():
    """Its current reverses at light load, where a diode would have opened."""
    light = trap(20.0, damper=(2.2, 22e-6), current=0.05)
    assert operating_point(light).discontinuous[0]
    point = operating_point(replace(light, synchronous=True))
    assert not point.discontinuous[0]
    i1, i2 = (point.at_conduction_end / point.network.state_scale)[0, :2]
    assert i1 + i2 < -0.1
    by_hand = Sepic(vout=15.0, load=0.05, winding=0.03, esr=0.005, switch=0.02, drop=0.5, diode=0.02)
    assert point.duty[0] == pytest.approx(by_hand.duty(20.0), rel=5e-4)  # the balance leaves the ripple out


@pytest.mark.parametrize("load", ["resistive", "current"])
def test_no_load_with_a_synchronous_rectifier(load):
    """A load of zero amperes is an infinite resistor; the inductor current swings about zero."""
    point = operating_point(trap(20.0, damper=(2.2, 22e-6), current=0.0, load=load, synchronous=True))
    assert not point.discontinuous[0]
    assert_allclose(step_by_expm(point), point.start[0], atol=1e-9 * np.abs(point.start).max())


def lossy_boost(vout, *, vin=5.0, current=2.0, max_duty=0.97):
    stage = one_inductor(20e-6, 500e-6, winding=0.1, switch=0.05, diode=0.03, drop=0.4, esr=0.01)
    return converter(BOOST, stage, vin, vout, current, FS, max_duty=max_duty)


def test_output_out_of_reach():
    """The error names the highest reachable output and the duty where it lies; held against a brute scan of the closed form.

    The scan is the averaged lossy boost, from volt-second and charge balance, with the load resistor R = V_target / I; it
    neglects the ripple, which takes 2e-4 of the exact output here, hence the tolerance.
    """
    target, vin, current = 40.0, 5.0, 2.0
    with pytest.raises(
        UnreachableOutputError, match="the output of 40 V is out of reach at 5 V input and 2 A"
    ) as caught:
        operating_point(lossy_boost(target))
    error = caught.value
    R, rL, rs, rd, drop, esr = target / current, 0.1, 0.05, 0.03, 0.4, 0.01
    D = np.linspace(0.01, 0.97, 200_001)
    d = 1 - D
    # I = V / (R d); Vin - rL I - D rs I - d (v_off) = 0; in the off-time v = drop + rd I + V + (e||R)(D I) (capacitor current)
    V = d * R * (vin - d * drop) / (rL + D * rs + d * rd + d**2 * R + d * D * esr * R / (R + esr))
    best = int(np.argmax(V))
    assert error.highest_output == pytest.approx(V[best], rel=5e-4)
    assert error.duty == pytest.approx(D[best], abs=1e-3)
    assert error.input_voltage == 5.0
    assert error.load_current == 2.0
    assert error.target == 40.0
    assert f"{error.highest_output:.4g} V at a duty of {error.duty:.3f}" in str(error)


def test_output_just_within_reach():
    """Just below the fold the lower duty of the two is found."""
    posed = pose(lossy_boost(15.0))
    best = scan_duty(posed, exact_output(posed)).reach
    fold = float(best.output[0])
    conv = converter(BOOST, lossy_boost(15.0).stage, 5.0, 0.995 * fold, 0.995 * fold / 7.5, FS)
    point = operating_point(conv)
    assert point.duty[0] < best.duty[0]
    assert averaged_output(pose(conv), point.duty)[0, 0] == pytest.approx(0.995 * fold, rel=2e-3)


def test_largest_duty_keeps_the_output_out_of_reach():
    """A lossless boost from 5 V reaches 5 / (1 - 0.6) = 12.5 V with a duty of 0.6."""
    stage = one_inductor(2e-3, 50e-3)  # large parts: the textbook's ratio neglects ripple
    with pytest.raises(UnreachableOutputError, match=r"largest duty allowed 0\.6") as caught:
        operating_point(converter(BOOST, stage, 5.0, 15.0, 2.0, FS, max_duty=0.6))
    assert caught.value.highest_output == pytest.approx(12.5, rel=1e-8)
    assert caught.value.duty == pytest.approx(0.6)


def test_first_unreachable_corner_is_named():
    with pytest.raises(UnreachableOutputError, match="out of reach at 4 V input"):
        operating_point(lossy_boost(20.0, vin=[12.0, 4.0, 3.0]))


def test_no_operating_point_is_an_error_of_its_own():
    """From edges that lead nowhere Newton's method says so instead of returning what it has."""
    posed = pose(lossy_boost(40.0))
    with pytest.raises(ConvergenceError, match="finds no waveform that repeats every period") as caught:
        solve(posed, continuous(np.array([0.5])))
    assert caught.value.items == (0,)


@given(
    vin=st.floats(7.0, 30.0),
    current=st.floats(0.02, 1.25),
    factor=st.floats(0.05, 20.0),
    coupling=st.sampled_from([0.0, 0.9]),
)
def test_impedance_scaling_leaves_duty(vin, current, factor, coupling):
    """All impedances times a factor, currents over it: same voltages, same duty, same control voltage."""
    conv = trap(vin, current=current, coupling=coupling)
    one, other = operating_point(conv), operating_point(scaled(conv, factor))
    assert other.duty[0] == pytest.approx(one.duty[0], rel=1e-9)
    assert other.conduction_end[0] == pytest.approx(one.conduction_end[0], rel=1e-9)
    assert other.trim[0] == pytest.approx(one.trim[0], rel=1e-8)


def test_batch_equals_item_by_item():
    """Line times load in both conduction modes at once."""
    vin, current = (a.ravel() for a in np.meshgrid([8.0, 13.0, 30.0], [0.03, 0.2, 1.25]))
    whole = operating_point(trap(vin, damper=(2.2, 22e-6), current=current))
    assert 0 < whole.discontinuous.sum() < len(vin)
    for k in range(len(vin)):
        one, kept = operating_point(trap(vin[k], damper=(2.2, 22e-6), current=current[k])), whole.take(np.array([k]))
        assert kept.discontinuous[0] == one.discontinuous[0]
        for name in ("duty", "conduction_end", "start", "at_duty", "at_conduction_end", "inputs"):
            assert_allclose(getattr(kept, name), getattr(one, name), rtol=1e-8, atol=1e-9)


def test_parallel_bank_is_its_equivalent_capacitor():
    """Three equal capacitors with their resistances are one of three times the value and a third of the resistance."""
    conv = trap(13.0, damper=(2.2, 22e-6))
    third = CapacitorValue(capacitance=100e-6 / 3, esr=0.03)
    bank = replace(conv, stage=replace(conv.stage, Co=(third, third, third)))
    one, three = operating_point(conv), operating_point(bank)
    assert three.network.states[-4:] == ("v(Cd)", "v(Co1)", "v(Co2)", "v(Co3)")
    assert three.duty[0] == pytest.approx(one.duty[0], rel=1e-10)
    assert three.trim[0] == pytest.approx(one.trim[0], rel=1e-9)


def test_mode_follows_from_the_search_and_not_from_the_guess():
    """A guess in the wrong conduction mode ends in the right one."""
    for current in (1.25, 0.05):
        conv = trap(20.0, damper=(2.2, 22e-6), current=current)
        right = operating_point(conv)
        wrong = ordinary(right.duty, np.full(1, 0.9), ~right.discontinuous)
        again = operating_point(conv, wrong)
        assert again.discontinuous[0] == right.discontinuous[0]
        assert again.duty[0] == pytest.approx(right.duty[0], rel=1e-8)


@pytest.mark.parametrize("current", [1.25, 0.05])
def test_the_search_s_jacobian_is_exact(current):
    """Newton's last step is trusted to be the square of the one before: true only of an exact Jacobian. Central differences,
    at a point that is not yet the solution.
    """
    point = operating_point(trap(20.0, damper=(2.2, 22e-6), current=current))
    stepper = Stepper(point.problem)
    n = point.start.shape[1]
    ends = point.sequence.ends[0, :-1]
    state = np.concatenate([point.start[0] * 1.01, point.trim * 1.02, ends * np.linspace(0.98, 0.99, len(ends))])
    edges = stepper.edges(point.sequence)

    def residual(v):
        start = np.concatenate([[0.0], v[:n], [1.0], [v[n]]])[None]
        moved = replace(point.sequence, ends=np.append(v[n + 1 :], 1.0)[None])
        it = _linearise(stepper, start, moved, edges, stepper.propagate(moved), held=False)
        return it.residual, it.jacobian

    values, exact = residual(state)
    columns = []
    for j in range(len(state)):
        h = np.zeros(len(state))
        h[j] = 1e-6 * max(abs(state[j]), 1e-2)
        columns.append((residual(state + h)[0][0] - residual(state - h)[0][0]) / (2 * h[j]))
    assert values.shape == (1, len(state))
    assert_allclose(exact[0], np.stack(columns, axis=1), rtol=1e-5, atol=1e-7 * np.abs(exact).max())
