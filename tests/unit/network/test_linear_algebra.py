"""Batched linear algebra against scipy and against the identities it must satisfy."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.linalg
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from loopdesign.network.linear_algebra import BREAKDOWN, CONDITION_LIMIT, expm, modal, solve_singular


@pytest.mark.parametrize("size", [1e-6, 1e-2, 1.0, 5.0, 6.0, 40.0])
def test_exponential_of_a_stack(size):
    rng = np.random.default_rng(7)
    A = rng.normal(size=(3, 4, 5, 5))
    A *= size / np.abs(A).sum(axis=-2).max()
    assert_allclose(expm(A), scipy.linalg.expm(A), rtol=1e-11, atol=1e-13 * np.exp(size))


@given(seed=st.integers(0, 10_000), stiff=st.floats(0.0, 3.0))
def test_exponential_of_decaying_stiff_matrices(seed, stiff):
    """Energy-like states: symmetric decay plus rotation. Time constants up to three decades apart in one matrix."""
    rng = np.random.default_rng(seed)
    decay = np.diag(-(10.0 ** rng.uniform(-1.0, stiff, 4)))
    turn = rng.normal(size=(4, 4))
    A = decay + turn - turn.T
    assert_allclose(expm(A[None])[0], scipy.linalg.expm(A), atol=1e-12)


def test_exponential_of_many_that_need_different_effort():
    """More than are worked on together, some of no length, some near zero, some far from it."""
    rng = np.random.default_rng(8)
    A = (
        rng.normal(size=(5, 150, 8, 8))
        * (10.0 ** rng.uniform(-6.0, 1.0, (5, 150)) * (rng.random((5, 150)) < 0.7))[..., None, None]
    )
    A /= 8.0
    assert_allclose(expm(A), scipy.linalg.expm(A), rtol=1e-11, atol=1e-12)


def test_exponential_of_what_is_not_finite_is_a_breakdown():
    A = np.zeros((3, 2, 2))
    A[1, 0, 0] = np.nan
    with pytest.raises(BREAKDOWN):
        expm(A)


def test_exponential_of_nothing():
    assert_allclose(expm(np.zeros((2, 3, 3))), np.broadcast_to(np.eye(3), (2, 3, 3)))


def test_exponential_of_a_nilpotent_matrix():
    """Closed form: 1 + N t + N^2 t^2 / 2."""
    N = np.array([[[0.0, 2.0, 0.0], [0.0, 0.0, 3.0], [0.0, 0.0, 0.0]]])
    assert_allclose(expm(N)[0], [[1, 2, 3], [0, 1, 3], [0, 0, 1]], rtol=1e-14)


def test_modal_form_puts_the_matrix_together_again():
    A = np.random.default_rng(3).normal(size=(6, 4, 4))
    m = modal(A)
    again = m.vectors @ (m.values[..., None] * m.inverse)
    assert_allclose(again, A, atol=1e-12)
    assert (m.condition < CONDITION_LIMIT).all()


def test_modal_form_of_some():
    A, some = np.random.default_rng(3).normal(size=(6, 4, 4)), np.array([True, False, True, True, False, False])
    m, whole = modal(A, some), modal(A)
    for name in ("values", "vectors", "inverse", "condition"):
        assert_allclose(getattr(m, name)[some], getattr(whole, name)[some], rtol=1e-14)


def test_modal_form_of_a_defective_matrix_says_so():
    m = modal(np.array([[[1.0, 1.0], [0.0, 1.0]], [[1.0, 0.0], [0.0, 2.0]]]))
    assert m.condition[0] > CONDITION_LIMIT
    assert m.condition[1] == pytest.approx(1.0)
    assert np.isfinite(m.inverse).all()


def test_regular_solve():
    rng = np.random.default_rng(1)
    M, b = rng.normal(size=(5, 4, 4)), rng.normal(size=(5, 4, 2))
    z, left, right = solve_singular(M, b)
    assert_allclose(M @ z, b, atol=1e-12)
    assert left.shape == (5, 0, 4)
    assert right.shape == (5, 4, 0)


@pytest.mark.parametrize("spread", [0.0, 4.0, 8.0])
def test_singular_solve(spread):
    """Rank is seen through rows and columns that differ by many decades: ohms beside megohms in one nodal matrix."""
    rng = np.random.default_rng(2)
    rows, columns = (10.0 ** rng.uniform(-spread / 2, spread / 2, 5) for _ in range(2))
    core = rng.normal(size=(3, 5, 3)) @ rng.normal(size=(3, 3, 5))
    M = core * rows[:, None] * columns
    wanted = rng.normal(size=(3, 5, 1)) / columns[:, None]
    b = M @ wanted
    z, left, right = solve_singular(M, b)
    assert left.shape == (3, 2, 5)
    assert right.shape == (3, 5, 2)
    size = np.abs(M) @ np.abs(wanted)
    assert_allclose((M @ z - b) / size, 0.0, atol=1e-9)
    assert_allclose((M @ right) / (np.abs(M) @ np.abs(right)), 0.0, atol=1e-9)
    assert_allclose((left @ M) / (np.abs(left) @ np.abs(M)), 0.0, atol=1e-9)
