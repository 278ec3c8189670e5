"""Whether a sampled quantity stays below zero: what a sample shows, and what may lie between samples."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.linalg import expm

from loopdesign.orbit.conduction import _judge, along

LEVEL = 1e-6


def judged(*samples):
    over, near = _judge(np.array([samples], float), np.array([LEVEL]))
    return bool(over[0]), bool(near[0])


@pytest.mark.parametrize(
    ("samples", "over", "near"),
    [
        ((-3, -2, -1.5, -2, -3), False, False),  # the top may rise by its flanks, half a unit: not to zero
        ((-3, -1, -0.4, -1, -3), False, True),  # here it may
        ((-3, -0.9, -0.4, -0.45, -3), False, True),  # the steeper flank counts
        ((-3, -0.45, -0.4, -0.9, -3), False, True),
        ((-3, -0.45, -0.44, -0.45, -3), False, False),
        ((-3, -2, -1, -0.5, -0.1), False, False),  # rising to the end is no hump
        ((-0.1, -1, -2, -3, -4), False, False),
        ((-3, -1, 2e-6, -1, -3), True, True),
        ((0, -0.1, -3, -4, -5), False, True),  # beside an edge at zero a hump may hide before the first sample
        ((0, -2, -3, -4, -5), False, False),
        ((-1, -1.1, -3, -4, -5), False, False),
        ((-3, -1, 0.5e-6, -1, -3), False, True),  # rounding of an edge is no crossing by itself
    ],
)
def test_samples_and_what_may_lie_between(samples, over, near):
    assert judged(*samples) == (over, near)


def test_states_along_an_interval():
    """By doubling, at even steps from the beginning to the end: scipy's exponential at each."""
    rng = np.random.default_rng(4)
    N, z = rng.normal(size=(2, 3, 3)), rng.normal(size=(2, 3))
    length = np.array([0.3, 0.7])
    found = along(N, z, length, 8)
    assert found.shape == (2, 3, 9)
    for item in range(2):
        for k in range(9):
            assert_allclose(found[item, :, k], expm(N[item] * length[item] * k / 8) @ z[item], rtol=1e-11)
