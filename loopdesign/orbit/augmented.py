"""The configurations of a network as augmented matrices, and the rows whose zeros are edges.

A state is carried as ``[q, x, 1, trim]``: ``q`` the running integral of what the feedback senses, ``x`` the normalised
state, and ``trim`` the one input left free.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, TypeAlias

import numpy as np

from loopdesign.network.batch import occurring
from loopdesign.network.linear_algebra import expm
from loopdesign.orbit.sequence import Edge, chosen
from loopdesign.orbit.stepping.sampling import even_samples

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from loopdesign.orbit.problem import OperatingPoint, OrbitProblem
    from loopdesign.orbit.sequence import Sequence

EdgeRows: TypeAlias = "tuple[NDArray[np.float64], NDArray[np.float64]]"
CLOSE = 0.25
"""Size of all that is added to an exponent up to which exponentials are multiplied instead of taken anew: so much the
rounding of the first one may grow."""
LARGEST_UNIT = 60
"""Binary digits by which the unit of the running integral may differ from its own."""


class Passage(NamedTuple):
    """Augmented matrices (K,B,m,m) [1/period], exponentials (K,B,m,m) and lengths (K,B,1,1) [periods] of intervals.

    ``moved`` (K,B) is the size of all that was added to the exponents since the exponentials were taken.
    """

    flows: NDArray[np.float64]
    exponentials: NDArray[np.float64]
    lengths: NDArray[np.float64]
    moved: NDArray[np.float64]

    def take(self, items: NDArray[np.intp], count: int) -> Passage:
        """Keep the first intervals of some items.

        Parameters
        ----------
        items : ndarray (K,)
            Which items, by index [unitless].
        count : int
            How many intervals [unitless].

        Returns
        -------
        Passage
            Of those items.
        """
        return Passage(
            self.flows[:count, items], self.exponentials[:count, items], self.lengths[:count, items],
            self.moved[:count, items],
        )  # fmt: skip


class Stepper:
    """Augmented matrices of the configurations, and the rows whose zeros are edges."""

    def __init__(self, problem: OrbitProblem) -> None:
        network = problem.network
        b, n = network.state_scale.shape
        out, trim = network.output_index("v(regulated)"), network.input_index(problem.trim)
        known = problem.inputs.copy()
        known[:, trim] = 0.0
        self.problem, self.n, self.known, self.trim = problem, n, known, trim
        self.N: list[NDArray[np.float64]] = []
        for c in network.configurations:
            N = np.zeros((b, n + 3, n + 3))
            N[:, 0, 1 : n + 1] = c.C[:, out]
            N[:, 0, n + 1] = np.einsum("bp,bp->b", c.D[:, out], known)
            N[:, 0, n + 2] = c.D[:, out, trim]
            N[:, 1 : n + 1, 1 : n + 1] = c.A
            N[:, 1 : n + 1, n + 1] = np.einsum("bnp,bp->bn", c.B, known)
            N[:, 1 : n + 1, n + 2] = c.B[:, :, trim]
            self.N.append(N)
        self.target = problem.target
        self._samples: dict[int, int] = {}

    def flow(self, configuration: NDArray[np.intp]) -> NDArray[np.float64]:
        """Augmented matrix (B,m,m) of each item's own configuration (B,) [1/period]."""
        return chosen(self.N, configuration)

    def samples(self, configuration: int) -> int:
        """Even samples of a period [unitless] that show what rings in a configuration, read from the first item."""
        if configuration not in self._samples:
            A = self.problem.network.configurations[configuration].A[0]
            self._samples[configuration] = even_samples(np.linalg.eigvals(A).astype(complex))
        return self._samples[configuration]

    def probe(self, name: str, configuration: int) -> NDArray[np.float64]:
        """Row (B,m) of a probe over ``[q, x, 1, trim]``."""
        c, k = self.problem.network.configurations[configuration], self.problem.network.output_index(name)
        return self.row(c.C[:, k], c.D[:, k])

    def row(self, state: NDArray[np.float64], inputs: NDArray[np.float64]) -> NDArray[np.float64]:
        """Write a row of states and inputs over ``[q, x, 1, trim]``."""
        constant = np.einsum("bp,bp->b", inputs, self.known)
        zero = np.zeros((len(self.known), 1))
        return np.concatenate([zero, state, constant[:, None], inputs[:, self.trim, None]], axis=1)

    def comparator(self, configuration: int) -> NDArray[np.float64]:
        """Row (B,m) of the comparator's threshold [V], its ramp left out."""
        th = self.problem.thresholds[configuration]
        return self.row(th.row_state, th.row_input)

    def rectifier_ends(self, configuration: int, rectifier: int = 0) -> NDArray[np.float64]:
        """Row (B,m) of a rectifier's current while it conducts [A]."""
        return self.probe(self.problem.devices.current(rectifier), configuration)

    def rectifier_starts(self, configuration: int, rectifier: int = 0) -> NDArray[np.float64]:
        """Row (B,m) of a rectifier's forward voltage above its drop while it blocks [V]."""
        devices, network = self.problem.devices, self.problem.network
        row = self.probe(devices.forward(rectifier), configuration)
        drop = self.problem.inputs[:, network.input_index(devices.rectifiers[rectifier])]
        row[:, self.n + 1] -= drop
        return row

    def edge_rows(self, sequence: Sequence, k: int) -> EdgeRows:
        """Rows (B,m) and ramps (B,) [V], [A] whose zero is edge ``k`` of each item; zero where there is no crossing."""
        edge, configuration = sequence.edge[:, k], sequence.configuration[:, k]
        found = set(zip(edge.tolist(), configuration.tolist(), strict=True))
        if len(found) == 1:
            ((kind, c),) = found
            if kind == Edge.COMPARATOR:
                return self.comparator(c), self.problem.thresholds[c].ramp
        rows = np.zeros((len(edge), self.n + 3))
        ramps = np.zeros(len(edge))
        tripped = edge == Edge.COMPARATOR
        for c in sorted(c for kind, c in found if kind == Edge.COMPARATOR):
            items = tripped & (configuration == c)
            rows[items] = self.comparator(c)[items]
            ramps[items] = self.problem.thresholds[c].ramp[items]
        for kind, row_of in (
            (Edge.RECTIFIER_ENDS, self.rectifier_ends),
            (Edge.RECTIFIER_STARTS, self.rectifier_starts),
        ):
            for c in sorted(c for of, c in found if of == kind):
                here = (edge == kind) & (configuration == c)
                for rectifier, items in self.moved(sequence, k, here):
                    rows[items] = row_of(c, rectifier)[items]
        return rows, ramps

    def moved(self, sequence: Sequence, k: int, items: NDArray[np.bool_]) -> Iterator[tuple[int, NDArray[np.bool_]]]:
        """Part items (B,) that share configuration and kind of edge ``k`` [unitless] by the rectifier that makes it."""
        devices = self.problem.devices
        if len(devices.rectifiers) <= 1:
            yield 0, items
            return
        ends = bool((sequence.edge[items, k] == Edge.RECTIFIER_ENDS).all())
        after = sequence.configuration[:, k + 1]
        before = int(sequence.configuration[items, k][0])
        for c in occurring(after[items]):
            yield devices.changed(before, c, ends=ends), items & (after == c)

    def edges(self, sequence: Sequence) -> list[EdgeRows]:
        """Rows and ramps of every edge but the last, which is the clock."""
        return [self.edge_rows(sequence, k) for k in range(sequence.ends.shape[1] - 1)]

    def propagate(self, sequence: Sequence, near: Passage | None = None) -> Passage:
        """Augmented matrices and exponentials of every interval; from those of lengths close by, where given."""
        lengths = sequence.lengths.T[:, :, None, None]
        if near is None or near.lengths.shape != lengths.shape:
            flows = np.stack([self.flow(sequence.configuration[:, k]) for k in range(sequence.ends.shape[1])])
            return Passage(flows, augmented_exponential(flows * lengths), lengths, np.zeros(lengths.shape[:2]))
        exponent = near.flows * (lengths - near.lengths)
        moved = near.moved + np.abs(exponent[..., 1:, :]).sum(axis=-2).max(axis=-1)
        beyond = ~(moved <= CLOSE)
        if not beyond.any():
            return Passage(near.flows, near.exponentials @ augmented_exponential(exponent), lengths, moved)
        exponentials, moved[beyond] = np.empty_like(near.exponentials), 0.0
        exponentials[beyond] = augmented_exponential((near.flows * lengths)[beyond])
        exponentials[~beyond] = near.exponentials[~beyond] @ augmented_exponential(exponent[~beyond])
        return Passage(near.flows, exponentials, lengths, moved)

    def fixed_point(self, sequence: Sequence) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Solve the period at given edges with trim zero: augmented states (B,K+1,m) at every edge.

        Raises
        ------
        LinAlgError
            Where a state neither decays nor is driven.
        """
        E = self.propagate(sequence).exponentials
        total = E[0]
        for e in E[1:]:
            total = e @ total
        x = slice(1, self.n + 1)
        z = np.zeros((len(sequence), self.n + 3))
        z[:, self.n + 1] = 1.0
        z[:, x] = np.linalg.solve(np.eye(self.n) - total[:, x, x], total[:, x, self.n + 1, None])[..., 0]
        along = [z]
        for e in E:
            along.append(apply(e, along[-1]))
        return np.stack(along, axis=1), along[-1][:, 0]


def augmented_exponential(N: NDArray[np.float64]) -> NDArray[np.float64]:
    """Exponentiate augmented matrices, which are changed.

    The running integral, in volts beside states near one, would make the matrices look far from zero and cost
    squarings. It is counted in a larger unit, a power of two, meanwhile.

    Parameters
    ----------
    N : ndarray (..., m, m)
        Augmented matrices times a length of time [unitless]; nobody else may hold them.

    Returns
    -------
    ndarray (..., m, m)
        Their exponentials [unitless].
    """
    integral = float(np.abs(N[..., 0, :]).max(initial=0.0))
    states = float(np.abs(N[..., 1:, :]).max(initial=0.0))
    if not 0.0 < states < integral:
        return expm(N)
    unit = 2.0 ** min(int(np.ceil(np.log2(integral / states))), LARGEST_UNIT)
    N[..., 0, :] /= unit
    E = expm(N)
    E[..., 0, 1:] *= unit
    return E


def apply(M: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.float64]:
    """Apply matrices (B,n,n) to vectors (B,n).

    Parameters
    ----------
    M : ndarray (B, n, n)
        Matrices [any units].
    v : ndarray (B, n)
        Vectors [any units].

    Returns
    -------
    ndarray (B, n)
        ``M v`` [any units].
    """
    return (M @ v[..., None])[..., 0]


def dot(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Scalar products (B,) of rows (B,n).

    Parameters
    ----------
    a : ndarray (B, n)
        Rows [any units].
    b : ndarray (B, n)
        Rows [any units].

    Returns
    -------
    ndarray (B,)
        ``a . b`` [any units].
    """
    return np.einsum("bi,bi->b", a, b)


def augmented(point: OperatingPoint) -> NDArray[np.float64]:
    """States with their constants, ``[0, x, 1, trim]`` (B,K+1,m).

    Parameters
    ----------
    point : OperatingPoint
        Operating points (B,).

    Returns
    -------
    ndarray (B, K+1, m)
        At every edge; normalised states [unitless], trim [V].
    """
    b, count, n = point.states.shape
    states = np.zeros((b, count, n + 3))
    states[:, :, 1 : n + 1] = point.states
    states[:, :, n + 1] = 1.0
    states[:, :, n + 2] = point.trim[:, None]
    return states
