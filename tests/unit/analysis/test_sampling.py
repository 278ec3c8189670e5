"""Samples of toleranced parts: the ends of a normal spread, the seed, what is refused, and factors that stay positive."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import norm

from loopdesign.analysis.spread.sample import spread
from loopdesign.analysis.spread.sampling import places
from loopdesign.case import parse_case
from loopdesign.errors import DataError

CASES = Path(__file__).parents[3] / "cases"


def test_normal_places_end_at_four_and_a_half_sigmas():
    """The same shares as the uniform ones, through scipy's normal quantile, cut at 4.5 sigmas: 1.5 tolerances.

    Half of a hundred thousand points lie in the outermost 1/300,000 at either end only by luck; of a quarter of a million the
    sequence puts one or two there.
    """
    count = 2**18
    even, bell = places(2, count, 3), places(2, count, 3, "normal")
    expected = norm.ppf(0.5 * (even + 1.0))
    assert expected.max() > 4.5
    assert expected.min() < -4.5
    assert_allclose(bell, np.clip(expected, -4.5, 4.5) / 3.0, rtol=1e-9, atol=1e-12)
    assert (bell.min(), bell.max()) == (-1.5, 1.5)


def test_places_fill_every_part_of_the_range():
    """A balanced sequence: of 2^k points one in each of 2^k equal cells, in every dimension, for any seed."""
    for seed in (0, 7):
        cells = np.floor(0.5 * (places(3, 256, seed) + 1.0) * 256).astype(int)
        assert all(sorted(column) == list(range(256)) for column in cells.T)


def test_numbers_that_are_no_power_of_two_begin_the_longer_sequence():
    assert places(2, 1, 5).shape == (1, 2)
    for count in (1, 2, 3, 129):
        np.testing.assert_array_equal(places(2, count, 5), places(2, 512, 5)[:count])
    assert places(0, 4, 1).shape == (4, 0)


@pytest.mark.parametrize(
    ("samples", "seed", "match"),
    [
        (0, 1, "number of samples is 0; it must be from 1 to 16,777,216"),
        (2**24 + 1, 1, "number of samples is 16777217"),
        (4, -1, "the seed is -1; it must not be negative"),
    ],
)
def test_refused(samples, seed, match):
    with pytest.raises(DataError, match=match):
        places(1, samples, seed)


def test_the_most_samples_are_allowed_without_causes():
    assert places(0, 2**24, 0).shape == (2**24, 0)


def test_a_part_keeps_a_twentieth_of_its_value():
    """A tolerance of 99 % at 3 sigmas and beyond would leave nothing: such a sample stays at 5 % of the part instead.

    The others are where their place puts them.
    """
    text = (CASES / "beacon_boost.toml").read_text(encoding="utf-8").split("[targets]")[0]
    text = text.replace('esr = "22 mohm", tolerance = "20 %"', 'esr = "22 mohm", tolerance = "99 %"')
    text = text.replace('resistance = "32 mohm", tolerance = "20 %"', 'resistance = "32 mohm"')
    text = text.replace('{ min = "9 V", nominal = "12 V", max = "16 V" }', '["12 V"]')
    text = text.replace('{ min = "0.1 A", max = "1 A" }', '["1 A"]')
    text = text.replace('network = "type II"', 'R1 = "10 kohm"\nC1 = "10 nF"\nC2 = "none"')
    case = parse_case(f'{text}[targets]\ndistribution = "normal"\n', "beacon.toml")
    found = spread(case, 512, seed=2)
    column = [v.name for v in found.varied].index("Co1.capacitance")
    drawn = places(len(found.varied), 512, 2, "normal")[:, column]
    factors = found.sample_corners_of(np.arange(512), 0).factors["Co1.capacitance"]
    assert drawn.min() < -0.95 / 0.99
    assert_allclose(factors, np.maximum(1.0 + 0.99 * drawn, 0.05), rtol=1e-12)
