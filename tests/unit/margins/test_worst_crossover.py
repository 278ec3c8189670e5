"""Loops of several crossovers whose worst one is not the last: the headline is the worst wherever it stands in the list."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from numpy.testing import assert_allclose

from loopdesign.margins.margins import find_margins, headline_margins, margins_from_grid

CROSSOVERS = np.exp([1.0, 3.0, 5.0])
ORDERS = [(20.0, 50.0, 70.0), (60.0, 25.0, 70.0), (60.0, -40.0, 80.0), (80.0, 50.0, 30.0), (35.0, 90.0, 55.0)]


def three_times(margins):
    """Loop that crosses one at CROSSOVERS with the phase margins given: ln|T| a cubic, the phase a parabola over ln f."""
    bend = np.polyfit([1.0, 3.0, 5.0], np.radians(margins) - np.pi, 2)

    def loop(f):
        x = np.log(f)
        return np.exp(-0.2 * (x - 1.0) * (x - 3.0) * (x - 5.0) + 1j * np.polyval(bend, x))

    return loop


@pytest.mark.parametrize("margins", ORDERS)
def test_headline_is_the_worst_crossover(margins):
    """Crossover the highest, phase margin the smallest, by refinement, from a grid and by the fast path."""
    loop = three_times(margins)
    found = find_margins(loop, low_hz=np.exp(0.5), high_hz=np.exp(5.5))[0]
    assert_allclose(found.crossovers_hz, CROSSOVERS, rtol=1e-10)
    assert_allclose(found.phase_margins_deg, margins, atol=1e-8)
    assert (found.crossover_hz, found.phase_margin_deg) == (found.crossovers_hz[2], min(found.phase_margins_deg))
    f = np.exp(np.linspace(0.5, 5.5, 2001))
    grid, fast = margins_from_grid(f, loop(f))[0], headline_margins(f, np.stack([loop(f), loop(f)]))
    assert_allclose([grid.crossover_hz, *fast.crossover_hz], CROSSOVERS[2], rtol=1e-5)
    assert_allclose([grid.phase_margin_deg, *fast.phase_margin_deg], min(margins), atol=1e-3)


def test_each_item_of_a_batch_has_its_own_worst():
    """All orders in one call: what belongs to one item must not leak into the next."""
    f = np.exp(np.linspace(0.5, 5.5, 2001))
    together = np.stack([three_times(m)(f) for m in ORDERS])
    fast = headline_margins(f, together)
    assert_allclose(fast.phase_margin_deg, [min(m) for m in ORDERS], atol=1e-3)
    assert_allclose(fast.crossover_hz, CROSSOVERS[2], rtol=1e-5)


def test_each_item_may_have_its_own_frequencies():
    """Grids of two items, one three times the other: each loop read on its own, in either form."""
    own = np.stack([np.exp(np.linspace(0.5, 5.5, 2001)), 3.0 * np.exp(np.linspace(0.5, 5.5, 2001))])
    loops = np.stack([three_times(ORDERS[0])(own[0]), three_times(ORDERS[1])(own[1] / 3.0)])
    fast = headline_margins(own, loops)
    assert_allclose(fast.crossover_hz, CROSSOVERS[2] * np.array([1.0, 3.0]), rtol=1e-5)
    assert_allclose(fast.phase_margin_deg, [min(ORDERS[0]), min(ORDERS[1])], atol=1e-3)
    assert [m.crossover_hz for m in margins_from_grid(own, loops)] == pytest.approx(list(fast.crossover_hz))
    with pytest.raises(ValueError, match="equal last axes"):
        headline_margins(own[:, :-1], loops)


DECADES = np.geomspace(1.0, 1e5, 6)


def turning(decibels, start_db):
    """Loop of six points, a decade apart, that crosses -180 degrees in each of the last four gaps, halfway.

    ln|T| is straight between points, so that each gain margin is the mean of the losses at both ends; the first gap holds the
    crossover, at 90 degrees of phase lag.
    """
    size = 10 ** (np.array([start_db, *decibels]) / 20.0)
    degrees = np.array([-90.0, -90.0 - 80.0, -190.0, -170.0, -190.0, -170.0])
    return size * np.exp(1j * np.radians(degrees))


@pytest.mark.parametrize(
    ("decibels", "expected"),
    [((-20, -20, -4, -8, -30), 6.0), ((-4, -4, -20, -20, -20), 4.0), ((-40, -30, -30, -10, -6), 8.0)],
)
def test_headline_gain_margin_is_the_smallest_above_the_crossover(decibels, expected):
    """First, middle and last of four phase crossings; each margin the mean of the decibels at its gap's ends."""
    loop = turning(decibels, 20.0)
    found = margins_from_grid(DECADES, loop)[0]
    means = [-(a + b) / 2 for a, b in pairwise(decibels)]
    assert_allclose(found.gain_margins_db, means, atol=1e-9)
    assert found.gain_margin_db == pytest.approx(expected, abs=1e-9)
    assert headline_margins(DECADES, loop[None]).gain_margin_db[0] == pytest.approx(expected, abs=1e-9)


def test_with_a_negative_phase_margin_the_crossing_next_below_counts():
    """Three phase crossings below the crossover, at 12, 6 and 1.5 dB of gain: the loop's gain has to fall by 1.5 dB."""
    size = 10 ** (np.array([20.0, 14.0, 10.0, 2.0, 1.0, -20.0]) / 20)
    loop = size * np.exp(1j * np.radians([-90.0, -170.0, -190.0, -170.0, -190.0, -220.0]))
    found = margins_from_grid(DECADES, loop)[0]
    assert_allclose(found.gain_margins_db, [-12.0, -6.0, -1.5], atol=1e-9)
    assert found.phase_margin_deg == pytest.approx(-10.0 - 30.0 / 21.0, abs=1e-9)  # one decibel of 21 into the last gap
    assert found.gain_margin_db == pytest.approx(-1.5, abs=1e-9)
    assert headline_margins(DECADES, loop[None]).gain_margin_db[0] == found.gain_margin_db


@pytest.mark.parametrize(("rising", "at"), [(False, 0.1), (True, 1000.0)])
def test_least_distance_at_an_end_of_the_band(rising, at):
    """T = -0.9/(1 + jf/10) comes nearest to -1 at the low end, its mirror over frequency at the high end."""

    def loop(f):
        x = 1j * f / 10.0
        return -0.9 * (x if rising else 1.0) / (1 + x)

    exact = abs(1 + loop(at))
    found = find_margins(loop, low_hz=0.1, high_hz=1000.0)[0]
    assert found.modulus_margin == pytest.approx(exact, rel=1e-9)
    assert found.modulus_margin_hz == pytest.approx(at, rel=1e-9)
    f = np.geomspace(0.1, 1000.0, 301)
    grid = margins_from_grid(f, loop(f))[0]
    assert grid.modulus_margin == pytest.approx(exact, rel=1e-9)
    assert grid.modulus_margin_hz == pytest.approx(at, rel=1e-9)
