"""Linear algebra over a leading batch axis: singular solves, matrix exponentials, modal form."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.batch import take

if TYPE_CHECKING:
    from numpy.typing import NDArray

BREAKDOWN = (np.linalg.LinAlgError, FloatingPointError)
"""What numpy raises where arithmetic breaks down: a singular system; an overflow, where floating point is strict."""

ALIKE = 4.0
"""Ratio of the same entry over a batch up to which one equilibration serves all of it."""

RANK_TOLERANCE = 1e-11
"""Relative singular value below which an equilibrated nodal matrix has lost rank (its entries are exact to 1e-16)."""

LEANING = 30.0
"""Length of a null vector against its share along that of the first item, up to which the two are alike."""

CONDITION_LIMIT = 1e6
"""Eigenvector condition above which modal form loses more digits than an answer to 1e-6 can spare, and is not used."""

_PADE_13 = (
    64764752532480000.0, 32382376266240000.0, 7771770303897600.0, 1187353796428800.0, 129060195264000.0,
    10559470521600.0, 670442572800.0, 33522128640.0, 1323241920.0, 40840800.0, 960960.0, 16380.0, 182.0, 1.0,
)  # fmt: skip
_PADE_13_EVEN = np.array([_PADE_13[3:8:2], _PADE_13[9:14:2], _PADE_13[2:7:2], _PADE_13[8:13:2]])
"""Coefficients of the second to sixth power in its parts: odd, then even, low before high."""
_PADE_13_RADIUS = 5.371920351148152
_PADE = {
    5: ((30240.0, 15120.0, 3360.0, 420.0, 30.0, 1.0), 0.2539398330063230),
    7: ((17297280.0, 8648640.0, 1995840.0, 277200.0, 25200.0, 1512.0, 56.0, 1.0), 0.9504178996162932),
}
"""Coefficients of the approximants of lower degree, and the norm up to which each is exact to rounding."""
_SERIES = ((2, 6e-6), (4, 1.6e-3), (6, 1.6e-2))
"""Terms of the exponential series, and the norm up to which the first one left out is below the rounding of one."""
_PARTS = (_SERIES[1][1], _PADE[7][1])
"""Norms up to which matrices need much less than larger ones."""
PARTED = 32
"""Matrices from which it pays to part them by what they need."""
PIECE = 25_000
"""Numbers that are worked on together: their intermediate results stay where the processor and the C library's
allocator have them at hand, and not in memory that the system hands out anew each time."""


def expm(A: NDArray[np.float64]) -> NDArray[np.float64]:
    """Exponentiate a stack of matrices: near zero by its series, else by scaling, squaring and one Pade approximant.

    Parameters
    ----------
    A
        (..., n, n) matrices; those of a piece are scaled alike, by what the largest needs, but for a good part of them
        that needs less.

    Returns
    -------
    ndarray
        (..., n, n) exponentials. scipy's routine loops over the stack in Python; this one does not.

    Raises
    ------
    FloatingPointError
        Where a matrix is not finite, as where Newton's method has gone astray.

    Notes
    -----
    N. J. Higham, "The scaling and squaring method for the matrix exponential revisited", SIAM J. Matrix Anal. Appl.
    26(4), 2005, algorithm 2.3, coefficients of table 2.3 (from memory; held against scipy.linalg.expm in the tests).
    """
    if A.size > PIECE and A.ndim > 2:
        flat, step = A.reshape(-1, *A.shape[-2:]), max(1, PIECE // A.shape[-1] ** 2)
        result = np.empty(flat.shape)
        for k in range(0, len(flat), step):
            result[k : k + step] = _expm_of_piece(flat[k : k + step])
        return result.reshape(A.shape)
    return _expm_of_piece(A)


def _expm_of_piece(A: NDArray[np.float64]) -> NDArray[np.float64]:
    """Exponentiate matrices (..., n, n), those together that need as much."""
    norms = np.abs(A).sum(axis=-2).max(axis=-1, initial=0.0)
    norm = float(norms.max(initial=0.0))
    if not np.isfinite(norm):
        raise FloatingPointError("an exponent is not finite")
    if norms.size >= PARTED:
        for radius in _PARTS:
            small = norms <= radius
            if norm > radius and 4 * int(small.sum()) >= small.size:
                result = np.empty(A.shape)
                result[small], result[~small] = _expm_of_piece(A[small]), _expm_of_piece(A[~small])
                return result
    for terms, radius in _SERIES:
        if norm <= radius:
            return _series(A, terms)
    for coefficients, radius in _PADE.values():
        if norm <= radius:
            return _low_pade(A, coefficients)
    squarings = max(0, int(np.ceil(np.log2(max(norm, 1e-300) / _PADE_13_RADIUS))))
    X = A * 2.0**-squarings
    X2 = X @ X
    X4 = X2 @ X2
    X6 = X4 @ X2
    # the four polynomials in even powers at once
    powers = np.stack([X2, X4, X6]).reshape(3, -1)
    odd, high_odd, even, high_even = (_PADE_13_EVEN @ powers).reshape(4, *A.shape)
    odd = X @ (X6 @ high_odd + _with_diagonal(odd, _PADE_13[1]))
    even = X6 @ high_even + _with_diagonal(even, _PADE_13[0])
    result = np.linalg.solve(even - odd, even + odd).astype(np.float64, copy=False)
    for _ in range(squarings):
        result = result @ result
    return result


def _with_diagonal(M: NDArray[np.float64], value: float) -> NDArray[np.float64]:
    """Add a number to the diagonals of matrices which nobody else holds."""
    diagonal = np.einsum("...ii->...i", M)
    diagonal += value
    return M


def _series(A: NDArray[np.float64], terms: int) -> NDArray[np.float64]:
    """Exponentiate matrices near zero by an even number of terms of the series."""
    square = A @ A
    total = A + 0.5 * square
    if terms >= 4:
        higher = A / 6.0 + square / 24.0
        if terms >= 6:
            higher += square @ (A / 120.0 + square / 720.0)
        total += square @ higher
    return _with_diagonal(total, 1.0)


def _low_pade(A: NDArray[np.float64], b: tuple[float, ...]) -> NDArray[np.float64]:
    """Exponentiate matrices of small norm by one approximant of low degree, without squaring."""
    power = square = A @ A
    odd, even = _with_diagonal(b[3] * square, b[1]), _with_diagonal(b[2] * square, b[0])
    for k in range(4, len(b), 2):
        power = power @ square
        odd += b[k + 1] * power
        even += b[k] * power
    odd = A @ odd
    return np.linalg.solve(even - odd, even + odd).astype(np.float64, copy=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Modal:
    """Eigenvalues (B,n), right eigenvectors (B,n,n), their inverse, and the condition (B,) of the eigenvectors.

    A condition below `CONDITION_LIMIT` is a bound: the true one is no larger.
    """

    values: NDArray[np.complex128]
    vectors: NDArray[np.complex128]
    inverse: NDArray[np.complex128]
    condition: NDArray[np.float64]

    def take(self, items: NDArray[np.intp]) -> Modal:
        """Keep some items, in the order given."""
        return take(self, items, len(self.condition))


def modal(A: NDArray[np.float64], wanted: NDArray[np.bool_] | None = None) -> Modal:
    """Decompose a stack of matrices (B,n,n) into eigenvalues and eigenvectors, or those that are wanted (B,).

    A defective matrix yields an infinite condition and must then be used in another form.
    """
    if wanted is not None and not wanted.all():
        part, whole = modal(A[wanted]), np.zeros(A.shape, complex)
        result = Modal(
            values=np.zeros(A.shape[:-1], complex), vectors=whole, inverse=whole.copy(), condition=np.zeros(len(A))
        )
        for name in ("values", "vectors", "inverse", "condition"):
            getattr(result, name)[wanted] = getattr(part, name)
        return result
    values, vectors = np.linalg.eig(A)
    values = values.astype(complex, copy=False)
    vectors = vectors.astype(complex, copy=False)
    try:
        with np.errstate(all="ignore"):  # what is not finite is in doubt
            inverse = np.linalg.inv(vectors)
            condition = np.sqrt(_square_bound(vectors) * _square_bound(inverse))
    except np.linalg.LinAlgError:
        inverse, condition = np.empty_like(vectors), np.full(len(vectors), np.inf)
    doubtful = np.flatnonzero(~(condition < CONDITION_LIMIT))
    if len(doubtful):
        condition[doubtful] = true = np.linalg.cond(vectors[doubtful])
        safe = np.where((true < 1e14)[:, None, None], vectors[doubtful], np.eye(A.shape[-1]))
        inverse[doubtful] = np.linalg.inv(safe)
    return Modal(values=values, vectors=vectors, inverse=inverse, condition=condition)


def _square_bound(M: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Bound (B,) of the square of the 2-norm: the largest sum of a row times the largest of a column."""
    size = np.abs(M)
    return np.asarray(size.sum(axis=1).max(axis=1) * size.sum(axis=2).max(axis=1))


def solve_singular(
    M: NDArray[np.float64], right_side: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Solve ``M z = right_side`` where M may lack rank, the same rank over the batch.

    Returns the particular solution (B,m,c), the left null space (B,k,m) and the right null space (B,m,k).
    """
    rows, columns = _equilibration(M)
    scaled = M * rows[:, :, None] * columns[:, None, :]
    singular = np.linalg.svd(scaled[0], compute_uv=False)
    k = int(np.sum(singular < RANK_TOLERANCE * singular[0]))
    right_side = right_side * rows[:, :, None]
    b, m = M.shape[:2]
    if not k:
        return np.linalg.solve(scaled, right_side) * columns[:, :, None], np.empty((b, 0, m)), np.empty((b, m, 0))
    solution, left, right = _bordered(scaled, right_side, k) or _decomposed(scaled, right_side, k)
    return solution * columns[:, :, None], left * rows[:, None, :], right * columns[:, :, None]


def _decomposed(
    M: NDArray[np.float64], right_side: NDArray[np.float64], k: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Solve equilibrated equations that lack ``k`` ranks by their singular values."""
    U, S, Vh = np.linalg.svd(M)
    keep = M.shape[-1] - k
    reduced = (U[:, :, :keep].transpose(0, 2, 1) @ right_side) / S[:, :keep, None]
    solution = Vh[:, :keep].transpose(0, 2, 1) @ reduced
    return solution, U[:, :, keep:].transpose(0, 2, 1), Vh[:, keep:].transpose(0, 2, 1)


def _bordered(
    M: NDArray[np.float64], right_side: NDArray[np.float64], k: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]] | None:
    """Solve equilibrated equations that lack ``k`` ranks, bordered by the null vectors of the first item.

    With columns and rows beside it that no null vector is normal to, the matrix is regular. Of its inverse
    ``[[G, v], [w, s]]`` the part ``v`` spans the right null space and ``w`` the left one, ``G`` solves what has a
    solution, and ``s`` is zero if and only if the rank is as told: multiply out (derived). A tenth of the time that the
    singular values of every item take.

    Returns
    -------
    tuple of ndarray, or None
        As `solve_singular`, None where an item is too unlike the first one, or has another rank.
    """
    b, m = M.shape[:2]
    U, S, Vh = np.linalg.svd(M[0])
    bordered = np.zeros((b, m + k, m + k))
    bordered[:, :m, :m], bordered[:, :m, m:], bordered[:, m:, :m] = M, U[:, m - k :], Vh[m - k :]
    try:
        with np.errstate(all="ignore"):  # what is not finite is refused below
            inverse = np.linalg.inv(bordered)
    except np.linalg.LinAlgError:
        return None
    left, right = inverse[:, m:, :m], inverse[:, :m, m:]
    # written so that what is no number at all is refused as well
    alike = max(float(np.abs(left).max()), float(np.abs(right).max())) <= LEANING
    if not (alike and float(np.abs(inverse[:, m:, m:]).max()) <= RANK_TOLERANCE * S[0]):
        return None
    left, right = _orthonormal(left.transpose(0, 2, 1)), _orthonormal(right)
    allowed = right_side - left @ (left.transpose(0, 2, 1) @ right_side)
    return inverse[:, :m, :m] @ allowed, left.transpose(0, 2, 1), right


def _orthonormal(columns: NDArray[np.float64]) -> NDArray[np.float64]:
    """Make columns (B,m,k) orthogonal and of unit length."""
    if columns.shape[2] == 1:
        return np.asarray(columns / np.sqrt((columns * columns).sum(axis=1, keepdims=True)))
    return np.linalg.qr(columns)[0]


def _equilibration(M: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Row and column factors (B,m) that bring the largest entry of each row and column near one."""
    magnitude = np.abs(M)
    largest = magnitude.max(axis=0)
    if len(M) > 1 and bool((largest <= ALIKE * magnitude.min(axis=0)).all()):
        magnitude = largest[None]  # one set of factors does for all
    rows = np.ones(magnitude.shape[:2])
    columns = np.ones(magnitude.shape[:2])
    for _ in range(4):
        for axis, factor, other in ((2, rows, columns), (1, columns, rows)):
            weighted = magnitude * (other[:, None, :] if axis == 2 else other[:, :, None])
            peak = weighted.max(axis=axis)
            factor[:] = 1.0 / np.where(peak > 0.0, peak, 1.0)
    return rows, columns
