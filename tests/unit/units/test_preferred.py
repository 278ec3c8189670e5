"""Preferred values of IEC 60063 (the values themselves from memory; sums and subsets recomputed)."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopdesign.errors import QuantityError
from loopdesign.units.preferred import SERIES, between, hundredths, nearest, round_to, values

# From memory (IEC 60063:2015), independent of the rule in the module.
E24 = "1.0 1.1 1.2 1.3 1.5 1.6 1.8 2.0 2.2 2.4 2.7 3.0 3.3 3.6 3.9 4.3 4.7 5.1 5.6 6.2 6.8 7.5 8.2 9.1"


@pytest.mark.parametrize("series", SERIES)
def test_length_order_and_range(series):
    decade = values(series)
    assert len(decade) == int(series[1:])
    assert decade[0] == 1.0
    assert decade[-1] < 10.0
    assert np.all(np.diff(decade) > 0)


def test_historical_values():
    """N2: series E24 from memory; eight values differ from rounding 10^(i/24)."""
    assert values("E24").tolist() == [float(text) for text in E24.split()]
    assert values("E3").tolist() == [1.0, 2.2, 4.7]
    assert values("E6").tolist() == [1.0, 1.5, 2.2, 3.3, 4.7, 6.8]
    rule = [round(10 ** (i / 24), 1) for i in range(24)]
    assert [a for a, b in zip(values("E24"), rule, strict=True) if a != b] == [2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 8.2]


@pytest.mark.parametrize(
    ("series", "total"),
    [("E6", 19.5), ("E12", 42.9), ("E24", 90.1), ("E48", 183.13), ("E96", 370.70), ("E192", 745.99)],
)
def test_sum_over_a_decade(series, total):
    """N2: sums recomputed to two decimals; compared as whole hundredths."""
    assert sum(hundredths(series)) == round(100 * total)


def test_exception_of_e192():
    """N2: 9.20 in place of 9.19 (from memory)."""
    assert 9.20 in values("E192")
    assert 9.19 not in values("E192")


@pytest.mark.parametrize(
    ("inner", "outer"), [("E3", "E6"), ("E6", "E12"), ("E12", "E24"), ("E48", "E96"), ("E96", "E192")]
)
def test_subsets(inner, outer):
    assert set(hundredths(inner)) <= set(hundredths(outer))


def test_e24_is_no_subset_of_e48():
    assert not set(hundredths("E24")) <= set(hundredths("E48"))


def test_between_is_exact_and_includes_both_ends():
    assert between("E12", 4.7e-9, 10e-9).tolist() == [4.7e-9, 5.6e-9, 6.8e-9, 8.2e-9, 10e-9]
    assert between("E6", 0.9e3, 11e3).tolist() == [1e3, 1.5e3, 2.2e3, 3.3e3, 4.7e3, 6.8e3, 10e3]
    assert between("E12", 1.01, 1.1).size == 0
    assert between("E12", 2.0, 1.0).size == 0


def test_round_to_keeps_the_shape():
    wanted = np.array([[1.05, 9.7e3], [2.6e-9, 4.6]])
    # hand-checked ratios: 1.05/1.0 = 1.05 > 1.1/1.05 = 1.0476; 10/9.7 < 9.7/9.1; 2.7/2.6 < 2.6/2.4; 4.7/4.6 < 4.6/4.3
    assert round_to("E24", wanted).tolist() == [[1.1, 10e3], [2.7e-9, 4.7]]
    assert round_to("E24", 3.0).shape == ()
    assert round_to("E24", []).size == 0
    assert nearest("E96", 12.05e3) == 12.1e3


@settings(deadline=None, derandomize=True, max_examples=100)
@given(x=st.floats(min_value=1e-12, max_value=1e9), series=st.sampled_from(SERIES))
def test_nearest_beats_every_other_value(x, series):
    chosen = nearest(series, x)
    others = between(series, x / 12, x * 12)
    assert abs(np.log(chosen / x)) <= np.min(np.abs(np.log(others / x))) * (1 + 1e-9) + 1e-15


@settings(deadline=None, derandomize=True, max_examples=100)
@given(x=st.floats(min_value=1e-12, max_value=1e9))
def test_error_bound_of_e96(x):
    """Half the geometric step, about 1.2 %, widened by the rounding of the values to two decimals."""
    assert abs(np.log(nearest("E96", x) / x)) < 0.5 * np.log(10) / 96 + 0.005


@pytest.mark.parametrize("call", [lambda: values("E97"), lambda: between("e96", 1, 2), lambda: round_to("E7", 1.0)])
def test_unknown_series(call):
    with pytest.raises(QuantityError, match="is not a series of preferred values; expected E3, E6"):
        call()


def test_values_without_a_preferred_value():
    with pytest.raises(QuantityError, match="has no preferred value"):
        round_to("E12", [1.0, 0.0])
    with pytest.raises(QuantityError, match="has no preferred value"):
        nearest("E12", float("inf"))
    with pytest.raises(QuantityError, match="cannot bound"):
        between("E12", 0.0, 1.0)
