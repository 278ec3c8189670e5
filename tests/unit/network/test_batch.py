"""Batches taken apart, joined, and examined in halves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from loopdesign.network.batch import distinct_rows, in_halves, joined, occurring, take


@dataclass(frozen=True, slots=True, kw_only=True)
class Inner:
    matrix: np.ndarray
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Outer:
    inner: Inner
    factors: dict
    pair: tuple
    shared: np.ndarray


def outer(count):
    rows = np.arange(count, dtype=float)
    inner = Inner(matrix=rows[:, None, None] + np.zeros((count, 2, 2)), name="x")
    return Outer(inner=inner, factors={"gm": 10.0 + rows}, pair=(rows, 3.0), shared=np.arange(2))


def test_take_reaches_every_array_that_carries_the_batch():
    kept = take(outer(5), np.array([3, 0, 3]), 5)
    assert_array_equal(kept.inner.matrix[:, 1, 1], [3.0, 0.0, 3.0])
    assert_array_equal(kept.factors["gm"], [13.0, 10.0, 13.0])
    assert_array_equal(kept.pair[0], [3.0, 0.0, 3.0])
    assert (kept.pair[1], kept.inner.name) == (3.0, "x")
    assert_array_equal(kept.shared, [0, 1])


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    value: np.ndarray
    fine: np.ndarray


def column(items):
    return Column(value=10.0 * items, fine=items >= 0)


def test_joined_keeps_the_order():
    both = joined([column(np.array([4, 2])), column(np.array([9]))])
    assert_array_equal(both.value, [40.0, 20.0, 90.0])
    assert_array_equal(joined([np.array([1, 2]), np.array([3])]), [1, 2, 3])


@pytest.mark.parametrize("bad", [(), (0,), (6,), (2, 3), (0, 1, 2, 3, 4, 5, 6)])
def test_an_item_that_fails_costs_no_other_its_result(bad):
    calls = []

    def examine(items):
        calls.append(len(items))
        if set(items) & set(bad):
            raise ArithmeticError
        return column(items)

    def alone(items):
        return Column(value=np.full(len(items), -1.0), fine=np.zeros(len(items), bool))

    result = in_halves(examine, np.arange(7), failures=(ArithmeticError,), alone=alone)
    assert_array_equal(result.value, [-1.0 if k in bad else 10.0 * k for k in range(7)])
    assert_array_equal(result.fine, [k not in bad for k in range(7)])
    assert calls[0] == 7
    assert len(calls) == 1 if not bad else len(calls) <= 2 * 7 - 1


def test_other_errors_pass_through():
    def examine(items):
        raise KeyError(str(items))

    with pytest.raises(KeyError):
        in_halves(examine, np.arange(3), failures=(ArithmeticError,), alone=column)


def test_what_occurs_is_what_numpy_finds_unique():
    drawn = np.random.default_rng(4).integers(-2, 3, (40, 3))
    assert occurring(drawn) == np.unique(drawn).tolist()
    assert_array_equal(distinct_rows(drawn / 2.0), np.unique(drawn / 2.0, axis=0))
    assert occurring(np.empty(0, dtype=np.intp)) == []
    assert distinct_rows(np.empty((0, 2))).shape == (0, 2)
