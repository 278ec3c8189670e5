"""The least distance from -1: parabolas through three points, which dips are followed, and both routes on loops with many."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from loopdesign.margins.modulus import _best, _deepest, _local_peaks, _vertex, grid_modulus, refined_modulus


@pytest.mark.parametrize("top", [0.1, 0.5, 0.7])
def test_parabola_through_three_uneven_points(top):
    """y = 4 - 3 (x - top)^2 at 0, 0.4 and 1: its top, wherever it lies between."""
    x = [np.array([[v]]) for v in (0.0, 0.4, 1.0)]
    height, where = _vertex(x, [4.0 - 3.0 * (v - top) ** 2 for v in x])
    assert_allclose([height.item(), where.item()], [4.0, top], rtol=1e-12)


@pytest.mark.parametrize("y", [(1.0, 2.0, 4.0), (4.0, 1.0, 4.0), (1.0, 2.0, 2.9), (2.0, 2.0, 2.0)])
def test_points_without_a_top_between_keep_the_middle_one(y):
    """Rising, hollow, nearly straight with its top beyond, and flat."""
    height, where = _vertex([np.array([[v]]) for v in (0.0, 1.0, 2.0)], [np.array([[v]]) for v in y])
    assert (height.item(), where.item()) == (y[1], 1.0)


def distances(*peaks):
    """Frequencies and loops (1,F) whose 1/|1 + T|^2 are the peaks given, T real."""
    f = np.exp(np.arange(len(peaks), dtype=float))[None]
    return f, -1.0 + 1.0 / np.sqrt(np.array([peaks])) + 0j


def test_dips_that_may_go_deepest_are_followed():
    """Five tops; the one at 7, lowest but one of the samples, has steep uneven flanks and may hide the deepest dip.

    Its parabola rises 0.096 above the sample; three times that is allowed for, which passes the top at 4 (1.0, even flanks).
    """
    f, loop = distances(0.1, 2.0, 0.1, 0.99, 1.0, 0.99, 0.79, 0.8, 1e-9, 0.5, 0.1, 0.89, 0.9, 0.89, 0.3)
    assert sorted(_deepest(f, loop)[0].tolist()) == [1, 4, 7]
    even, flat = distances(0.1, 2.0, 0.1, 0.99, 1.0, 0.99, 0.79, 0.8, 0.79, 0.5, 0.1, 0.89, 0.9, 0.89, 0.3)
    assert sorted(_deepest(even, flat)[0].tolist()) == [1, 4, 12]


def test_ends_of_the_band_are_tops_too():
    assert _local_peaks(np.array([[3.0, 1.0, 2.0, 2.0, 1.0, 5.0]])).tolist() == [[True, False, True, True, False, True]]
    assert _local_peaks(np.array([[1.0, 2.0, 3.0]])).tolist() == [[False, False, True]]


def test_best_of_each_item():
    least, hz = _best(np.array([[3.0, 1.0, 2.0], [0.5, 4.0, 9.0]]), np.array([[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]]))
    assert (least.tolist(), hz.tolist()) == ([1.0, 0.5], [2.0, 4.0])


def many_dips(f):
    """T = -1 + 0.2 exp(j a) (1.5 + cos(12 ln f)) (1 + 0.3 (ln f - 2)^2): dips of equal shape, the one nearest ln f = 2 the deepest."""
    x = np.log(f)
    return -1.0 + 0.2 * np.exp(0.7j) * (1.5 + np.cos(12 * x)) * (1 + 0.3 * (x - 2.0) ** 2)


def test_deepest_of_many_dips_by_both_routes():
    """A scan of a million points is the judge; grid and refinement on 160 points."""
    fine = np.exp(np.linspace(0.0, 5.0, 1_000_001))
    sizes = np.abs(1 + many_dips(fine))
    at = int(np.argmin(sizes))
    f = np.exp(np.linspace(0.0, 5.0, 160))[None]
    exact, where = refined_modulus(many_dips, f, many_dips(f))
    assert exact[0] == pytest.approx(sizes[at], rel=1e-9)
    assert where[0] == pytest.approx(fine[at], rel=1e-4)
    read, near = grid_modulus(f, many_dips(f))
    assert read[0] == pytest.approx(sizes[at], rel=0.03)
    assert near[0] == pytest.approx(fine[at], rel=0.01)
