"""Exact small-signal response of the switched network, and the multipliers that decide stability.

The perturbed periodic network is linear and time-periodic. Between edges the perturbation obeys the interval's own
matrices. At an edge set by a threshold ``g`` the edge moves by ``dt = -(dg) / (slope of g just before)``, the state
jumps by ``(f_before - f_after) dt`` and an output that changes there contributes ``(y_before - y_after) dt`` as an
impulse; a clocked edge does not move. The output's component at the injected frequency is its average of
``exp(-jwt) y(t)`` over one period; `periodic_response` has the closed form.

The period map without input has the characteristic (Floquet) multipliers as eigenvalues; jumps as in R. I. Leine, H.
Nijmeijer, "Dynamics and Bifurcations of Non-Smooth Mechanical Systems", 2004, on saltation matrices (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.models.interval_integrals import Interval
from loopdesign.models.periodic_response import Edge, Period, periodic_response
from loopdesign.network.linear_algebra import Modal, expm, modal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopdesign.orbit.steady import OperatingPoint


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
    edges: tuple[Edge, Edge]
    period_map: NDArray[np.float64]
    modes: tuple[Modal, Modal, Modal]
    period_modes: Modal

    @property
    def multipliers(self) -> NDArray[np.complex128]:
        """Characteristic multipliers (B,n) [unitless]; stable where all lie inside the unit circle."""
        return self.period_modes.values

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
        return periodic_response(self._period(), angle, column, rows)

    def _period(self) -> Period:
        """Intervals and edges that any item has; an idle interval of no length is left out."""
        count = 3 if self.point.discontinuous.any() else 2
        intervals = tuple(
            Interval(
                A=c.A, B=c.B, C=c.C, D=c.D,
                length=self.lengths[:, k], exponential=self.exponentials[k], modes=self.modes[k],
            )
            for k, c in enumerate(self.point.network.configurations[:count])
        )  # fmt: skip
        return Period(
            intervals=intervals, edges=self.edges[: count - 1], period_map=self.period_map, modes=self.period_modes
        )


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
) -> Edge:
    """Linearise the edge between intervals ``k`` and ``k + 1``; inert for items where it does not move."""
    before, after = point.network.configurations[k], point.network.configurations[k + 1]
    u = point.inputs
    flow_before = _affine(before.A, before.B, state, u)
    flow_after = _affine(after.A, after.B, state, u)
    row_state, row_input, ramp = row
    slope = np.einsum("bn,bn->b", row_state, flow_before) + ramp
    gain = np.where(moves, 1.0 / np.where(moves, slope, 1.0), 0.0)[:, None]
    return Edge(
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
