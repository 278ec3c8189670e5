"""Exact small-signal response of the switched network, and the multipliers that decide stability.

The perturbed periodic network is linear and time-periodic. Between edges the perturbation obeys the interval's own
matrices. At an edge set by a threshold ``g`` the edge moves by ``dt = -(dg) / (slope of g just before)``, the state
jumps by ``(f_before - f_after) dt`` and an output that changes there contributes ``(y_before - y_after) dt`` as an
impulse; a clocked edge does not move. With ``z(t) = exp(-j w t) dx(t)`` every piece is closed form:

    z(b) = exp((A - jw) tau) z(a) + phi(jw - A) B u,    phi(m) = (1 - exp(-m tau)) / m,

and ``z(T) = z(0)`` closes the period. The output's component at the injected frequency is its average of
``exp(-jwt) y(t)`` over one period. Matrices are used in modal form, so that all frequencies are a few small products;
where the eigenvectors are too ill-conditioned, a solve per frequency takes over.

The period map without input has the characteristic (Floquet) multipliers as eigenvalues; jumps as in R. I. Leine, H.
Nijmeijer, "Dynamics and Bifurcations of Non-Smooth Mechanical Systems", 2004, on saltation matrices (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.linear_algebra import CONDITION_LIMIT, Modal, expm, modal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopdesign.orbit.steady import OperatingPoint


SERIES_BELOW = 1e-3
"""Size of ``(jw - lambda) tau`` below which five terms of its series hold to 1e-17."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Edge:
    """A threshold edge: ``dt = -(row z + row_input u)``, state jump and output impulse per unit of ``dt``."""

    row: NDArray[np.float64]
    row_input: NDArray[np.float64]
    jump: NDArray[np.float64]
    impulse: NDArray[np.float64]

    def saltation(self) -> NDArray[np.float64]:
        """Matrix (B,n,n) that carries a perturbation across the edge."""
        return np.eye(self.row.shape[1]) - self.jump[:, :, None] * self.row[:, None, :]


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchedModel:
    """Linear time-periodic model around an operating point.

    Attributes
    ----------
    point
        The operating point.
    lengths
        (B,3) interval lengths [periods].
    exponentials
        (3,B,n,n) transition matrices of the intervals.
    edges
        The two threshold edges, comparator and rectifier; the second is inert in continuous conduction.
    period_map
        (B,n,n) map of a perturbation over one period, edges included.
    """

    point: OperatingPoint
    lengths: NDArray[np.float64]
    exponentials: NDArray[np.float64]
    edges: tuple[_Edge, _Edge]
    period_map: NDArray[np.float64]
    modes: tuple[Modal, Modal, Modal]
    period_modes: Modal

    @property
    def multipliers(self) -> NDArray[np.complex128]:
        """Characteristic multipliers (B,n) [unitless]; stable where all lie inside the unit circle."""
        return self.period_modes.values

    @property
    def modal_form(self) -> bool:
        """Whether every eigenvector matrix is well enough conditioned for modal form."""
        worst = max(float(m.condition.max()) for m in (*self.modes, self.period_modes))
        return worst < CONDITION_LIMIT

    def response(
        self, frequencies_hz: NDArray[np.float64], source: str, outputs: Sequence[str]
    ) -> NDArray[np.complex128]:
        """Respond to a small sinusoid at one input.

        Parameters
        ----------
        frequencies_hz
            (F,) or (B,F) injected frequencies [Hz], above zero.
        source
            Input name: ``control``, ``line``, ``load``, ``injection``.
        outputs
            Probe names (q).

        Returns
        -------
        ndarray
            (B,q,F) complex component of each output at the injected frequency, per unit of input.
        """
        network = self.point.network
        angle = 2.0 * np.pi * np.atleast_2d(frequencies_hz) * network.period[:, None]
        column = network.input_index(source)
        rows = [network.output_index(o) for o in outputs]
        if self.modal_form:
            return self._modal_response(angle, column, rows)
        return self._solved_response(angle, column, rows)

    def _modal_response(self, angle: NDArray[np.float64], column: int, rows: list[int]) -> NDArray[np.complex128]:
        steps = [_ModalStep(self, k, angle, column) for k in range(3)]
        z = steps[0].forced()
        for k in (0, 1):
            z = self._cross(k, z, column)[0]
            z = steps[k + 1].carry(z) + steps[k + 1].forced()
        m = self.period_modes
        closing = 1.0 / (1.0 - np.exp(-1j * angle)[..., None] * m.values[:, None, :])
        start = _times(m.vectors, _times(m.inverse, z) * closing)
        return self._collect(steps, start, column, rows)

    def _solved_response(self, angle: NDArray[np.float64], column: int, rows: list[int]) -> NDArray[np.complex128]:
        steps = [_SolvedStep(self, k, angle, column) for k in range(3)]
        z = steps[0].forced()
        for k in (0, 1):
            z = self._cross(k, z, column)[0]
            z = steps[k + 1].carry(z) + steps[k + 1].forced()
        n = self.period_map.shape[-1]
        closing = np.eye(n) - np.exp(-1j * angle)[..., None, None] * self.period_map[:, None]
        start = np.linalg.solve(closing, z[..., None])[..., 0].astype(complex)
        return self._collect(steps, start, column, rows)

    def _cross(
        self, k: int, z: NDArray[np.complex128], column: int
    ) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
        """Carry a perturbation (B,F,n) across an edge; return it with the edge's shift (B,F)."""
        edge = self.edges[k]
        shift = -(np.einsum("bfn,bn->bf", z, edge.row) + edge.row_input[:, None, column])
        return z + shift[..., None] * edge.jump[:, None, :], shift

    def _collect(
        self,
        steps: Sequence[_ModalStep] | Sequence[_SolvedStep],
        z: NDArray[np.complex128],
        column: int,
        rows: list[int],
    ) -> NDArray[np.complex128]:
        """Run through the closed period and average the outputs."""
        total = np.zeros((z.shape[0], len(rows), z.shape[1]), complex)
        for k, c in enumerate(self.point.network.configurations):
            step = steps[k]
            integral = step.integral(z)
            total += np.einsum("bfn,bqn->bqf", integral, c.C[:, rows])
            total += (c.D[:, rows, column] * self.lengths[:, k, None])[..., None]
            z = step.carry(z) + step.forced()
            if k < 2:
                z, shift = self._cross(k, z, column)
                total += self.edges[k].impulse[:, rows, None] * shift[:, None, :]
        return total


class _ModalStep:
    """One interval at all frequencies, in modal form; arrays (B,F,n)."""

    def __init__(self, model: SwitchedModel, k: int, angle: NDArray[np.float64], column: int) -> None:
        self.modal = model.modes[k]
        length = model.lengths[:, k]
        values = self.modal.values
        drive = model.point.network.configurations[k].B[:, :, column]
        self.drive = np.einsum("bij,bj->bi", self.modal.inverse, drive)[:, None, :]
        self.reciprocal = 1.0 / (1j * angle[..., None] - values[:, None, :])
        growth = np.exp(values * length[:, None])
        self.factor = growth[:, None, :] * np.exp(-1j * angle * length[:, None])[..., None]
        self.phi = (1.0 - self.factor) * self.reciprocal
        self.ramp = (length[:, None, None] - self.phi) * self.reciprocal
        self._mend_cancellation(length[:, None, None])

    def _mend_cancellation(self, length: NDArray[np.float64]) -> None:
        """Replace differences of nearly equal numbers by their series, for slow modes far below the clock."""
        with np.errstate(divide="ignore", invalid="ignore"):
            product = length / self.reciprocal
        small = np.abs(product) < SERIES_BELOW
        if small.any():
            p = np.where(small, product, 0.0)
            phi = length * (1.0 - p / 2.0 + p**2 / 6.0 - p**3 / 24.0 + p**4 / 120.0)
            ramp = length**2 * (0.5 - p / 6.0 + p**2 / 24.0 - p**3 / 120.0 + p**4 / 720.0)
            self.phi, self.ramp = np.where(small, phi, self.phi), np.where(small, ramp, self.ramp)

    def carry(self, z: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Free motion over the interval."""
        return _times(self.modal.vectors, self.factor * _times(self.modal.inverse, z))

    def forced(self) -> NDArray[np.complex128]:
        """Motion over the interval from rest, per unit of input."""
        return _times(self.modal.vectors, self.phi * self.drive)

    def integral(self, z: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Integral of the perturbation over the interval, free and forced."""
        return _times(self.modal.vectors, self.phi * _times(self.modal.inverse, z) + self.ramp * self.drive)


class _SolvedStep:
    """One interval at all frequencies by solves; for matrices without a good set of eigenvectors."""

    def __init__(self, model: SwitchedModel, k: int, angle: NDArray[np.float64], column: int) -> None:
        c = model.point.network.configurations[k]
        n = c.A.shape[-1]
        self.resolvent = np.linalg.inv(1j * angle[..., None, None] * np.eye(n) - c.A[:, None])
        turn = np.exp(-1j * angle * model.lengths[:, k, None])
        self.transition = turn[..., None, None] * model.exponentials[k][:, None]
        self.drive = np.broadcast_to(c.B[:, None, :, column], (*turn.shape, n)).astype(complex)
        self.length = model.lengths[:, k, None, None]

    def carry(self, z: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Free motion over the interval."""
        return np.einsum("bfij,bfj->bfi", self.transition, z)

    def forced(self) -> NDArray[np.complex128]:
        """Motion over the interval from rest, per unit of input."""
        return np.einsum("bfij,bfj->bfi", self.resolvent, self.drive - self.carry(self.drive))

    def integral(self, z: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """Integral of the perturbation over the interval, free and forced."""
        change = z - self.carry(z) - self.forced() + self.drive * self.length
        return np.einsum("bfij,bfj->bfi", self.resolvent, change)


def _times(matrix: NDArray[np.complex128], z: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Apply a matrix (B,n,n) to vectors (B,F,n)."""
    return z @ matrix.transpose(0, 2, 1)


def linearise(point: OperatingPoint) -> SwitchedModel:
    """Linearise the switched network around a periodic operating point.

    Parameters
    ----------
    point
        Operating point, loop open or closed.

    Returns
    -------
    SwitchedModel
        Batched model; valid at any frequency, for small signals.
    """
    configurations = point.network.configurations
    lengths = point.lengths
    exponentials = expm(np.stack([c.A * lengths[:, k, None, None] for k, c in enumerate(configurations)]))
    th = point.problem.threshold
    comparator = _edge(point, 0, point.at_duty, (th.row_state, th.row_input, th.ramp), np.ones(len(lengths), bool))
    diode = point.network.output_index("i(diode)")
    off = configurations[1]
    still = np.zeros(len(lengths))
    rectifier = _edge(point, 1, point.at_rectifier_end, (off.C[:, diode], off.D[:, diode], still), point.discontinuous)
    first, second = comparator.saltation(), rectifier.saltation()
    period_map = exponentials[2] @ second @ exponentials[1] @ first @ exponentials[0]
    modes = [modal(c.A) for c in configurations[:2]]
    # an idle interval of no length must not pass the arithmetic through a matrix that may lack eigenvectors
    ringing = np.where(point.discontinuous[:, None, None], configurations[2].A, off.A)
    idle = modal(ringing) if point.discontinuous.any() else modes[1]
    return SwitchedModel(
        point=point,
        lengths=lengths,
        exponentials=exponentials,
        edges=(comparator, rectifier),
        period_map=period_map,
        modes=(modes[0], modes[1], idle),
        period_modes=modal(period_map),
    )


def _edge(
    point: OperatingPoint,
    k: int,
    state: NDArray[np.float64],
    row: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]],
    moves: NDArray[np.bool_],
) -> _Edge:
    """Linearise the edge between intervals ``k`` and ``k + 1``; inert for items where it does not move."""
    before, after = point.network.configurations[k], point.network.configurations[k + 1]
    u = point.inputs
    flow_before = _affine(before.A, before.B, state, u)
    flow_after = _affine(after.A, after.B, state, u)
    row_state, row_input, ramp = row
    slope = np.einsum("bn,bn->b", row_state, flow_before) + ramp
    gain = np.where(moves, 1.0 / np.where(moves, slope, 1.0), 0.0)[:, None]
    return _Edge(
        row=row_state * gain,
        row_input=row_input * gain,
        jump=np.where(moves[:, None], flow_before - flow_after, 0.0),
        impulse=_affine(before.C, before.D, state, u) - _affine(after.C, after.D, state, u),
    )


def _affine(
    M: NDArray[np.float64], N: NDArray[np.float64], x: NDArray[np.float64], u: NDArray[np.float64]
) -> NDArray[np.float64]:
    return np.einsum("bij,bj->bi", M, x) + np.einsum("bij,bj->bi", N, u)


def control_to_output(model: SwitchedModel, frequencies_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Control to output (B,F) [V/V], loop open."""
    return model.response(frequencies_hz, "control", ["v(out)"])[:, 0]


def loop_gain(model: SwitchedModel, frequencies_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Loop gain (B,F) as a frequency-response analyser reads it: ``T = -Y/X`` across the injection source."""
    both = model.response(frequencies_hz, "injection", ["v(out)", "v(sense)"])
    return -both[:, 0] / both[:, 1]


def line_to_output(model: SwitchedModel, frequencies_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Input voltage to output (B,F) [V/V], with the loop as the model has it."""
    return model.response(frequencies_hz, "line", ["v(out)"])[:, 0]


def output_impedance(model: SwitchedModel, frequencies_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Output impedance (B,F) [ohm]: fall of the output per ampere drawn, with the loop as the model has it."""
    return -model.response(frequencies_hz, "load", ["v(out)"])[:, 0]


def input_impedance(model: SwitchedModel, frequencies_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Input impedance (B,F) [ohm] at the source terminals, with the loop as the model has it."""
    return -1.0 / model.response(frequencies_hz, "line", ["i(line)"])[:, 0]
