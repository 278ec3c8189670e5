"""Margins: every route agrees, resonances are not missed, conditional stability, absent numbers, refusals."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from loopdesign.errors import NumericalError
from loopdesign.margins.margins import (
    find_margins,
    headline_margins,
    margins_from_grid,
    unwrapped_phase_deg,
    wrapped_deg,
)


def lag3(f, gain=1.0):
    """gain 8/(1 + s)^3 with s = i f: phase -180 at f = sqrt 3, where |T| = gain."""
    return gain * 8 / (1 + 1j * f) ** 3


@pytest.mark.parametrize("gain", [0.25, 0.5])
def test_three_equal_poles_in_closed_form(gain):
    """|T| = 1 at f^2 = (8 gain)^(2/3) - 1, phase -3 atan f; T(i sqrt 3) = -gain."""
    found = find_margins(lambda f: lag3(f, gain), low_hz=1e-2, high_hz=1e2)[0]
    crossover = np.sqrt((8 * gain) ** (2 / 3) - 1)
    assert_allclose(found.crossovers_hz, [crossover], rtol=1e-10)
    assert_allclose(found.phase_margins_deg, [180 - 3 * np.degrees(np.arctan(crossover))], rtol=1e-10)
    assert_allclose(found.phase_crossings_hz, [np.sqrt(3)], rtol=1e-10)
    assert_allclose(found.gain_margin_db, -20 * np.log10(gain), rtol=1e-9)
    assert found.crossover_hz == found.crossovers_hz[0]
    assert found.reasons == {}


def test_modulus_margin_in_closed_form():
    """T = 2/(s(1 + s)): |1+T|^2 = ((2 - w^2)^2 + w^2)/(w^2 + w^4), in x = w^2 (x^2 - 3x + 4)/(x^2 + x), least where 4x^2 - 8x - 4 = 0."""
    found = find_margins(lambda f: 2 / (1j * f * (1 + 1j * f)), low_hz=1e-2, high_hz=1e2)[0]
    x = 1 + np.sqrt(2)
    assert_allclose(found.modulus_margin, np.sqrt((x**2 - 3 * x + 4) / (x**2 + x)), rtol=1e-10)
    assert_allclose(
        found.modulus_margin_hz, np.sqrt(x), rtol=1e-5
    )  # a least value fixes its place to the square root only


def test_negative_margins_of_an_unstable_loop():
    """Gain 2 on three equal poles: the phase crossing lies below the crossover and its margin is -6 dB."""
    found = find_margins(lambda f: lag3(f, 2.0), low_hz=1e-2, high_hz=1e2)[0]
    assert found.phase_margin_deg < 0
    assert_allclose(found.gain_margin_db, -20 * np.log10(2.0), rtol=1e-9)
    assert found.phase_crossings_hz[0] < found.crossover_hz


def conditional(f):
    """Triple integrator with two zeros and two far poles: phase below -180 at low frequency where |T| is large, above at crossover."""
    s = 1j * f
    return (1 + s / 0.1) ** 2 / s**3 / (1 + s / 1000) ** 2


def test_conditionally_stable_loop_lists_the_margin_downward():
    found = find_margins(conditional, low_hz=1e-3, high_hz=1e4)[0]
    turned = np.degrees(np.arctan(found.crossover_hz / 0.1) - np.arctan(found.crossover_hz / 1000))
    assert_allclose(found.phase_margin_deg, 180 - 270 + 2 * turned, rtol=1e-9)
    assert len(found.gain_margins_db) == 2
    assert found.gain_margins_db[0] < 0 < found.gain_margins_db[1]
    assert found.gain_margin_db == found.gain_margins_db[1]


def resonant(f, f0, q, gain=300.0):
    """Integrator with a lightly damped pole pair."""
    return gain / (1j * f) / (1 + 1j * f / (f0 * q) - (f / f0) ** 2)


def test_a_sharp_resonance_far_between_grid_points_is_found():
    """Q = 1000 makes three crossovers; beyond resonance |T| = gain f0^2/f^3 nearly, before it gain/f/(1 - (f/f0)^2)."""
    f0, q = 1003.7, 1e3
    found = find_margins(lambda f: resonant(f, f0, q), low_hz=1, high_hz=1e5, count=200)[0]
    # |T| = 1 without damping: f (f0^2 - f^2) = +-gain f0^2, cubic in f.
    expected = np.sort(
        [
            r.real
            for sign in (1, -1)
            for r in np.roots([1, 0, -(f0**2), sign * 300 * f0**2])
            if abs(r.imag) < 1e-9 < r.real
        ]
    )
    assert_allclose(found.crossovers_hz, expected, rtol=1e-4)  # damping is 1/Q^2 of the sum
    assert_allclose(found.phase_crossings_hz, [f0], rtol=1e-10)  # at resonance T = -Q gain/f0
    assert_allclose(found.gain_margins_db, [-20 * np.log10(q * 300 / f0)], rtol=1e-9)
    assert found.phase_margin_deg < -80


def test_a_resonance_narrower_than_the_grid_is_found_by_its_phase():
    """|T| passes one within half a percent of resonance only, between points six percent apart that all lie below one.

    The phase turns by 180 degrees between the two, and there the grid is refined. The same cubic gives the crossovers.
    """
    f0, q, gain = 1003.7, 1e4, 5.0
    found = find_margins(lambda f: resonant(f, f0, q, gain), low_hz=1, high_hz=1e5, count=200)[0]
    roots = [np.roots([1, 0, -(f0**2), sign * gain * f0**2]) for sign in (1, -1)]
    expected = np.sort([r.real for r in np.concatenate(roots) if abs(r.imag) < 1e-9 < r.real])
    assert len(expected) == 3
    assert_allclose(found.crossovers_hz, expected, rtol=1e-5)
    assert np.ptp(expected[1:]) < 0.006 * f0


def test_extra_frequencies_find_a_cancelling_pair():
    """A pole pair beside a zero pair turns no net phase: nothing between coarse points tells of it but the caller's hint."""

    def loop(f):
        pair = (1 + 1j * f / (1e3 * 1e4) - (f / 1e3) ** 2) / (1 + 1j * f / (1.002e3 * 1e4) - (f / 1.002e3) ** 2)
        return 100 / (1j * f) * pair

    blind = find_margins(loop, low_hz=10, high_hz=1e5, count=60)[0]
    told = find_margins(loop, low_hz=10, high_hz=1e5, count=60, extra_hz=[1e3, 1.002e3, 1.0, np.nan, np.inf])[0]
    assert len(blind.crossovers_hz) == 1
    assert len(told.crossovers_hz) == 3
    assert_allclose(told.crossovers_hz[0], blind.crossovers_hz[0], rtol=1e-4)


def test_each_item_has_its_own_resonance():
    f0 = np.array([[500.0], [3e3], [20e3]])
    together = find_margins(lambda f: resonant(f, f0, 300.0), low_hz=1, high_hz=1e5, batch=3, extra_hz=f0)
    for item, result in zip(f0[:, 0], together, strict=True):
        alone = find_margins(lambda f, own=item: resonant(f, own, 300.0), low_hz=1, high_hz=1e5)[0]
        assert_allclose(result.crossovers_hz, alone.crossovers_hz, rtol=1e-9)
        assert_allclose(result.gain_margins_db, alone.gain_margins_db, rtol=1e-8)
        assert_allclose(result.modulus_margin, alone.modulus_margin, rtol=1e-8)


def test_phase_margin_of_an_unstable_loop_is_not_aliased():
    """Five poles turn the phase by 400 degrees at crossover: the margin is 180 - 400 + 360 = 140 only in the plot's eyes.

    Every crossover is listed in (-180, 180]; two phase crossings above unity gain tell the rest.
    """
    found = find_margins(lambda f: 1e4 / (1 + 1j * f) ** 5, low_hz=1e-2, high_hz=1e2)[0]
    crossover = np.sqrt(1e4 ** (2 / 5) - 1)
    assert_allclose(found.crossover_hz, crossover, rtol=1e-10)
    assert_allclose(found.phase_margin_deg, wrapped_deg(180 - 5 * np.degrees(np.arctan(crossover))), rtol=1e-9)
    assert_allclose(found.phase_crossings_hz, [np.tan(np.pi / 5)], rtol=1e-10)
    assert found.gain_margins_db[0] < -60


def test_every_route_agrees_on_a_batch():
    gains = np.array([0.3, 0.9, 1.5, 3.0])[:, np.newaxis]

    def loop(f):
        return gains * conditional(f)

    found = find_margins(loop, low_hz=1e-3, high_hz=1e4, batch=4)
    f = np.geomspace(1e-3, 1e4, 3001)
    grid, fast = margins_from_grid(f, loop(f)), headline_margins(f, loop(f))
    for i, one in enumerate(found):
        assert len(grid[i].crossovers_hz) == len(one.crossovers_hz)
        # Straight lines between points half a percent apart: h^2/8 of a curvature near one.
        assert_allclose(grid[i].gain_margins_db, one.gain_margins_db, atol=1e-3)
        assert_allclose(grid[i].phase_margins_deg, one.phase_margins_deg, atol=1e-2)
        assert_allclose([grid[i].crossover_hz, fast.crossover_hz[i]], one.crossover_hz, rtol=1e-4)
        assert_allclose([grid[i].phase_margin_deg, fast.phase_margin_deg[i]], one.phase_margin_deg, atol=1e-2)
        assert_allclose([grid[i].gain_margin_db, fast.gain_margin_db[i]], one.gain_margin_db, atol=1e-3)
        assert_allclose([grid[i].modulus_margin, fast.modulus_margin[i]], one.modulus_margin, rtol=1e-4)
        assert_allclose([grid[i].modulus_margin_hz, fast.modulus_margin_hz[i]], one.modulus_margin_hz, rtol=1e-2)


def test_interpolation_error_falls_with_the_square_of_the_spacing():
    exact = find_margins(lambda f: lag3(f, 0.5), low_hz=0.1, high_hz=10.0)[0].phase_margin_deg
    errors = []
    for count in (21, 41, 81, 161, 321):
        f = np.geomspace(0.1, 10.0, count) * 1.003
        errors.append(abs(margins_from_grid(f, lag3(f, 0.5))[0].phase_margin_deg - exact))
    # Where the crossover falls in its interval varies, so the ratio is asked for over sixteen times the spacing.
    assert errors[-1] < errors[0] / 60


@settings(max_examples=50, deadline=None)
@given(shift=st.floats(min_value=0.0, max_value=1.0), gain=st.floats(min_value=0.2, max_value=20.0))
def test_headline_does_not_depend_on_where_the_grid_lies(shift, gain):
    f = np.geomspace(0.01, 100.0, 801) * 1.0116**shift
    fast, exact = (
        headline_margins(f, lag3(f, gain)[np.newaxis]),
        find_margins(lambda x: lag3(x, gain), low_hz=0.01, high_hz=100.0)[0],
    )
    assert_allclose(fast.phase_margin_deg[0], exact.phase_margin_deg, atol=0.02)
    assert_allclose(fast.gain_margin_db[0], exact.gain_margin_db, atol=2e-3)


@settings(max_examples=50, deadline=None)
@given(
    pole=st.floats(min_value=0.05, max_value=20.0), delay=st.floats(min_value=0.0, max_value=0.3),
    gain=st.floats(min_value=0.1, max_value=10.0),
)  # fmt: skip
def test_what_is_found_satisfies_its_definition(pole, delay, gain):
    def loop(f):
        return gain / (1j * f * (1 + 1j * f / pole)) * np.exp(-1j * f * delay)

    found = find_margins(loop, low_hz=1e-3, high_hz=1e2)[0]
    assert_allclose(np.abs(loop(np.array(found.crossovers_hz))), 1.0, rtol=1e-9)
    at = loop(np.array(found.phase_crossings_hz))
    assert_allclose(at.imag / np.abs(at), 0.0, atol=1e-8)
    assert (at.real < 0).all()
    everywhere = np.abs(1 + loop(np.geomspace(1e-3, 1e2, 5000)))
    assert found.modulus_margin <= everywhere.min() * (1 + 1e-12)


def test_python_control_agrees_on_a_factored_system():
    """An independent reader, on the low-order factored systems it is reliable for."""
    import control

    s = control.tf("s")
    system = 5 / (s * (1 + s) * (1 + s / 20))
    gain_margin, phase_margin, w180, wc = control.margin(system)
    found = find_margins(lambda f: 5 / (1j * f * (1 + 1j * f) * (1 + 1j * f / 20)), low_hz=1e-2, high_hz=1e3)[0]
    assert_allclose(found.crossover_hz, wc, rtol=1e-8)
    assert_allclose(found.phase_margin_deg, phase_margin, rtol=1e-8)
    assert_allclose(found.phase_crossings_hz, [w180], rtol=1e-8)
    assert_allclose(found.gain_margin_db, 20 * np.log10(gain_margin), rtol=1e-8)


def test_a_crossover_on_a_grid_point_is_found():
    """|T| = 1 exactly, or to the last bit either side, at a point of the grid."""
    for ulp in (-1, 0, 1):
        gain = 100.0 * (1 + ulp * np.finfo(float).eps)
        found = find_margins(lambda f, k=gain: k / (1j * f), low_hz=1.0, high_hz=1e4, count=5)[0]
        assert_allclose(found.crossovers_hz, [100.0], rtol=1e-10)
        f = np.array([1.0, 10.0, 100.0, 1000.0])
        assert_allclose(margins_from_grid(f, gain / (1j * f))[0].crossovers_hz, [100.0], rtol=1e-10)


@pytest.mark.parametrize(("gain", "side"), [(1e-3, "below"), (1e9, "above")])
def test_a_loop_without_crossover_says_so(gain, side):
    f = np.geomspace(1.0, 1e3, 50)
    loop = gain / (1 + 1j * f)
    one = margins_from_grid(f, loop)[0]
    assert one.crossover_hz is None
    assert one.phase_margin_deg is None
    assert one.crossovers_hz == ()
    assert f"stays {side} one from 1.00 Hz to 1.00 kHz" in one.reasons["crossover_hz"]
    assert one.reasons["phase_margin_deg"] == one.reasons["crossover_hz"]
    assert "does not cross -180 degrees from 1.00 Hz" in one.reasons["gain_margin_db"]
    fast = headline_margins(f, loop[np.newaxis])
    assert np.isnan([fast.crossover_hz[0], fast.phase_margin_deg[0], fast.gain_margin_db[0]]).all()
    found = find_margins(lambda x: gain / (1 + 1j * x), low_hz=1.0, high_hz=1e3)[0]
    assert found.reasons == one.reasons


def test_a_gain_margin_exists_without_a_crossover():
    """Three poles with gain 1/10 never reach one, and have 20 dB to go at the phase crossing."""
    found = find_margins(lambda f: lag3(f, 0.1), low_hz=1e-2, high_hz=1e2)[0]
    assert found.crossover_hz is None
    assert_allclose(found.gain_margin_db, 20.0, rtol=1e-9)
    assert set(found.reasons) == {"crossover_hz", "phase_margin_deg"}


def test_two_points_are_enough_for_a_crossover():
    one = margins_from_grid([10.0, 1000.0], [-10j, -0.1j])[0]
    assert_allclose([one.crossover_hz, one.phase_margin_deg], [100.0, 90.0], rtol=1e-12)
    assert_allclose(one.modulus_margin, abs(1 - 0.1j), rtol=1e-12)


def test_phase_helpers():
    assert_allclose(wrapped_deg([180.0, -180.0, 190.0, -190.0, 540.0, 0.0]), [180, 180, -170, 170, 180, 0])
    f = np.geomspace(0.01, 1e3, 500)
    phase = unwrapped_phase_deg(np.stack([1 / (1 + 1j * f) ** 5, -1 / (1 + 1j * f)]))
    assert_allclose(phase[:, -1], [-5 * np.degrees(np.arctan(1e3)), 180 - np.degrees(np.arctan(1e3))], rtol=1e-9)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: find_margins(lag3, low_hz=0.0, high_hz=1.0), "0 < low_hz < high_hz"),
        (lambda: find_margins(lambda f: lag3(f)[..., :3], low_hz=0.1, high_hz=1.0), "the response has shape"),
        (lambda: margins_from_grid([2.0, 1.0], [1.0, 1.0]), "must be positive and rise"),
        (lambda: margins_from_grid([1.0, 2.0, 3.0], [1.0, 1.0]), "need equal last axes"),
        (lambda: headline_margins([1.0], [[1.0]]), "two points or more"),
    ],
)
def test_refusals(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_loop_gain_that_is_not_finite_is_an_error_of_the_tree():
    with pytest.raises(NumericalError, match=r"not finite at 0\.1 Hz"):
        find_margins(lambda f: f * np.nan, low_hz=0.1, high_hz=1.0)
    with pytest.raises(NumericalError, match="not finite at 2 Hz"):
        margins_from_grid([1.0, 2.0], [1.0, np.inf])


def smooth(size, phase, *, middle):
    """Loop whose ln|T| and phase [rad] are given functions of ln f - ln middle, so that its margins are closed forms."""

    def loop(f):
        x = np.log(f / middle)
        return np.exp(size(x) + 1j * phase(x))

    return loop


def dipping(over):
    """Phase that passes -180 degrees by ``over`` [rad] at x = 0 and rises by 1.5 rad to both sides."""
    return lambda x: -np.pi - over + 1.5 * x**2 / (0.5 + x**2)


@pytest.mark.parametrize("overshoot_deg", [0.01, 0.1])
@pytest.mark.parametrize("place", [0.2, 0.5, 0.8])
def test_a_pair_of_phase_crossings_between_two_points(overshoot_deg, place):
    """The phase passes -180 degrees by a little and comes back, all between two grid points.

    Crossings where 1.5 x^2 = over (0.5 + x^2); with |T| = e^(-1 - 2 x) their margins are 20 log e (1 + 2 x).
    """
    grid = np.geomspace(1.0, 1e4, 60)
    middle = grid[30] * (grid[31] / grid[30]) ** place
    over = np.radians(overshoot_deg)
    x = np.sqrt(0.5 * over / (1.5 - over))
    assert x < (1.0 - abs(2.0 * place - 1.0)) * 0.5 * np.log(grid[1] / grid[0])
    loop = smooth(lambda x: -1.0 - 2.0 * x, dipping(over), middle=middle)
    found = find_margins(loop, low_hz=1.0, high_hz=1e4, count=60)[0]
    assert_allclose(found.phase_crossings_hz, middle * np.exp([-x, x]), rtol=1e-9)
    decibel = 20.0 / np.log(10.0)
    assert_allclose(found.gain_margins_db, [decibel * (1.0 - 2.0 * x), decibel * (1.0 + 2.0 * x)], rtol=1e-8)


@pytest.mark.parametrize("place", [0.2, 0.5, 0.8])
def test_a_pair_of_crossovers_between_two_points(place):
    """|T| passes one by 0.03 dB between two grid points: ln|T| = 0.003 - x^2, phase -100 deg - x / 10."""
    grid = np.geomspace(1.0, 1e4, 60)
    middle = grid[30] * (grid[31] / grid[30]) ** place
    loop = smooth(lambda x: 0.003 - x**2, lambda x: np.radians(-100.0) - 0.1 * x, middle=middle)
    found = find_margins(loop, low_hz=1.0, high_hz=1e4, count=60)[0]
    x = np.sqrt(0.003)
    assert_allclose(found.crossovers_hz, middle * np.exp([-x, x]), rtol=1e-9)
    assert (found.lowest_crossover_hz, found.crossover_hz) == found.crossovers_hz
    assert_allclose(found.phase_margins_deg, 80.0 + 0.1 * np.degrees([x, -x]), rtol=1e-8)


def test_a_curve_that_only_comes_near_is_not_a_crossing():
    """The same shapes turned back before the line: nothing is invented."""
    near = smooth(lambda x: -1.0 - 2.0 * x, dipping(-1e-4), middle=100.0)
    assert find_margins(near, low_hz=1.0, high_hz=1e4, count=60)[0].phase_crossings_hz == ()
    low = smooth(lambda x: -1e-4 - x**2, lambda x: np.radians(-100.0) - 0.1 * x, middle=100.0)
    assert find_margins(low, low_hz=1.0, high_hz=1e4, count=60)[0].crossovers_hz == ()


def two_dips(f, first, second):
    """|1 + T| with two dips of given depth at 100 Hz and 1 kHz, T = |1 + T| - 1: Lorentz dips, a tenth wide."""
    depth = 1.0
    for least, place in ((first, 100.0), (second, 1000.0)):
        depth = depth - (1.0 - least) / (1.0 + (np.log(f / place) / 0.1) ** 2)
    return depth - 1.0 + 0j


@pytest.mark.parametrize(("first", "second"), [(0.8444, 0.8392), (0.8392, 0.8444), (0.5, 0.5001), (0.5001, 0.5)])
@pytest.mark.parametrize("count", [40, 61, 100, 400])
def test_the_deeper_of_two_dips_wherever_the_grid_lies(first, second, count):
    """A grid that hits the shallower dip better than the deeper one must not decide."""
    found = find_margins(lambda f: two_dips(f, first, second), low_hz=3.0, high_hz=3e4, count=count)[0]
    dense = np.geomspace(3.0, 3e4, 2_000_001)
    assert_allclose(found.modulus_margin, np.abs(1.0 + two_dips(dense, first, second)).min(), rtol=1e-7)
    assert_allclose(found.modulus_margin_hz, 100.0 if first < second else 1000.0, rtol=1e-2)


def test_a_grid_point_on_an_undamped_pole_does_not_decide_the_modulus():
    """|1 + T| is a million on the pole and 0.29 near it; a parabola through both once gave a million, or nothing."""
    f0 = 1000.0
    f = np.unique(np.append(np.geomspace(10.0, 1e5, 600), [f0, f0 * 1.004]))

    def loop(hz):
        return 1.2 / (1.0 + 1j * hz / (f0 * 1e6) - (hz / f0) ** 2) * np.exp(-1j * hz / 3e4)

    dense = np.geomspace(10.0, 1e5, 1_000_001)
    least = np.abs(1.0 + loop(dense)).min()
    assert np.abs(loop(f0)) > 1e6
    assert_allclose(find_margins(loop, low_hz=10.0, high_hz=1e5, extra_hz=[f0])[0].modulus_margin, least, rtol=1e-6)
    # the grid's points stand 1.5 % apart, and the dip is 5 % wide
    assert_allclose(margins_from_grid(f, loop(f))[0].modulus_margin, least, rtol=0.02)
    assert_allclose(headline_margins(f, np.stack([loop(f), loop(f)])).modulus_margin, least, rtol=0.02)
    beside = np.array([f0 * 0.5, f0, f0 * 1.43, f0 * 3.0])
    told = headline_margins(beside, loop(beside)[None]).modulus_margin
    assert_allclose(told, np.abs(1.0 + loop(beside)).min(), rtol=0.2)


def test_noise_is_not_followed_without_end():
    """A response that is noise near one: the work stays bounded whatever the grid shows."""
    asked = []

    def noise(f):
        asked.append(f.size)
        return 1e9 * np.exp(1j * 1e9 * np.sin(1e7 * f) + 3.0 * np.cos(1e8 * f))

    found = find_margins(noise, low_hz=1e-3, high_hz=1e5, count=200)[0]
    assert sum(asked) < 200_000
    assert found.crossover_hz is None
