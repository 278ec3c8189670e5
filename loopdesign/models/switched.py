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
from loopdesign.models.periodic_response import LinearEdge, Period, means_after_step, periodic_response
from loopdesign.network.batch import occurring
from loopdesign.network.linear_algebra import Modal, expm, modal
from loopdesign.orbit.sequence import Edge as Ends
from loopdesign.orbit.sequence import chosen

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from loopdesign.orbit.problem import OperatingPoint


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchedModel:
    """Linear time-periodic model around an operating point.

    Attributes
    ----------
    point
        The operating point.
    lengths
        (B,K) interval lengths [periods].
    exponentials
        (K,B,n,n) transition matrices of the intervals.
    edges
        The K-1 edges between them; one that no disturbance moves is inert.
    period_map
        (B,n,n) map of a perturbation over one period, edges included.
    modes
        Modal form of each interval.
    period_modes
        Modal form of the period map.
    """

    point: OperatingPoint
    lengths: NDArray[np.float64]
    exponentials: NDArray[np.float64]
    edges: tuple[LinearEdge, ...]
    period_map: NDArray[np.float64]
    modes: tuple[Modal, ...]
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

    def step(self, source: str, output: str, cycles: int) -> NDArray[np.float64]:
        """Respond to a small step of one input at the clock.

        Parameters
        ----------
        source
            Input name, as for `response`.
        output
            Probe name.
        cycles
            Number of periods N after the step [unitless].

        Returns
        -------
        ndarray
            (B,N) departure of the mean of the output over each period, per unit of the step; grows without end where
            unstable.
        """
        network = self.point.network
        return means_after_step(self._period(), network.input_index(source), network.output_index(output), cycles)

    def _period(self) -> Period:
        """Intervals and edges, each with the matrices of every item's own configuration."""
        configurations, sequence = self.point.network.configurations, self.point.sequence
        intervals = []
        for k in range(self.lengths.shape[1]):
            here = sequence.configuration[:, k]
            A, B, C, D = (chosen([getattr(c, name) for c in configurations], here) for name in "ABCD")
            intervals.append(
                Interval(
                    A=A, B=B, C=C, D=D, length=self.lengths[:, k], exponential=self.exponentials[k], modes=self.modes[k]
                )
            )
        return Period(intervals=tuple(intervals), edges=self.edges, period_map=self.period_map, modes=self.period_modes)


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
    configurations, sequence, lengths = point.network.configurations, point.sequence, point.lengths
    count = lengths.shape[1]
    here = sequence.configuration
    used = {c: modal(configurations[c].A, (here == c).any(axis=1)) for c in occurring(here)}
    flows = [chosen([c.A for c in configurations], sequence.configuration[:, k]) for k in range(count)]
    exponentials = point.transitions
    if exponentials is None:
        exponentials = expm(np.stack([A * lengths[:, k, None, None] for k, A in enumerate(flows)]))
    edges = tuple(_edge(point, k) for k in range(count - 1))
    period_map = _period_map(exponentials, edges)
    return SwitchedModel(
        point=point,
        lengths=lengths,
        exponentials=exponentials,
        edges=edges,
        period_map=period_map,
        modes=tuple(_modes_of(used, sequence.configuration[:, k]) for k in range(count)),
        period_modes=modal(period_map),
    )


def _modes_of(used: Mapping[int, Modal], configuration: NDArray[np.intp]) -> Modal:
    """Modal form of each item's own configuration (B,)."""
    first = int(configuration[0])
    if bool((configuration == first).all()):
        return used[first]
    some = used[first]
    stack = [used.get(k, some) for k in range(max(used) + 1)]
    return Modal(
        values=chosen([m.values for m in stack], configuration),
        vectors=chosen([m.vectors for m in stack], configuration),
        inverse=chosen([m.inverse for m in stack], configuration),
        condition=chosen([m.condition for m in stack], configuration),
    )


def _period_map(exponentials: NDArray[np.float64], edges: tuple[LinearEdge, ...]) -> NDArray[np.float64]:
    """Carry every unit perturbation through one period: (B,n,n)."""
    total = exponentials[0]
    shifts: list[NDArray[np.float64]] = []
    for k, edge in enumerate(edges):
        shift = -(edge.row[:, None, :] @ total)
        for j in occurring(edge.after[edge.after >= 0]):
            shift[edge.after == j] = shifts[j][edge.after == j]
        shifts.append(shift)
        total = exponentials[k + 1] @ (total + edge.jump[:, :, None] * shift)
    return total


def _edge(point: OperatingPoint, k: int) -> LinearEdge:
    """Linearise the edge between intervals ``k`` and ``k + 1``; inert for items where nothing moves it."""
    network, sequence, u = point.network, point.sequence, point.inputs
    before, after = sequence.configuration[:, k], sequence.configuration[:, k + 1]
    state = point.states[:, k + 1]
    A, B, C, D = ([getattr(c, name) for c in network.configurations] for name in "ABCD")
    flow_before = _affine(chosen(A, before), chosen(B, before), state, u)
    flow_after = _affine(chosen(A, after), chosen(B, after), state, u)
    row_state, row_input, ramp = _crossing(point, k)
    slope = np.einsum("bn,bn->b", row_state, flow_before) + ramp
    moves = sequence.edge[:, k] != Ends.CLOCK
    delayed = sequence.edge[:, k] == Ends.DELAYED
    gain = np.where(moves & ~delayed, 1.0 / np.where(moves & ~delayed, slope, 1.0), 0.0)[:, None]
    same = (before == after)[:, None]
    return LinearEdge(
        row=row_state * gain,
        row_input=row_input * gain,
        jump=np.where(moves[:, None] & ~same, flow_before - flow_after, 0.0),
        impulse=np.where(
            same,
            0.0,
            _affine(chosen(C, before), chosen(D, before), state, u)
            - _affine(chosen(C, after), chosen(D, after), state, u),
        ),
        after=np.where(delayed, point.trip, -1),
        wait=sequence.ends[:, k] - sequence.ends[np.arange(len(point)), point.trip],
    )


def _crossing(point: OperatingPoint, k: int) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Rows over states (B,n) and inputs (B,p), and ramp (B,), whose zero is the edge that ends interval ``k``."""
    network, edge = point.network, point.sequence.edge[:, k]
    state, inputs, ramp = np.zeros_like(point.start), np.zeros_like(point.inputs), np.zeros(len(point))
    for c in occurring(point.sequence.configuration[:, k]):
        here = point.sequence.configuration[:, k] == c
        configuration = network.configurations[c]
        tripped = here & (edge == Ends.COMPARATOR)
        if tripped.any():
            th = point.problem.thresholds[int(c)]
            state[tripped], inputs[tripped], ramp[tripped] = (
                th.row_state[tripped],
                th.row_input[tripped],
                th.ramp[tripped],
            )
        devices = point.problem.devices
        for kind, probe in ((Ends.RECTIFIER_ENDS, devices.current), (Ends.RECTIFIER_STARTS, devices.forward)):
            of_kind = here & (edge == kind)
            for after in occurring(point.sequence.configuration[of_kind, k + 1]):
                items = of_kind & (point.sequence.configuration[:, k + 1] == after)
                row = network.output_index(probe(devices.changed(int(c), int(after), ends=kind == Ends.RECTIFIER_ENDS)))
                state[items], inputs[items] = configuration.C[items, row], configuration.D[items, row]
    return state, inputs, ramp


def _affine(
    M: NDArray[np.float64], N: NDArray[np.float64], x: NDArray[np.float64], u: NDArray[np.float64]
) -> NDArray[np.float64]:
    return np.einsum("bij,bj->bi", M, x) + np.einsum("bij,bj->bi", N, u)


def control_to_output(model: SwitchedModel, frequencies_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Control to what the feedback senses (B,F) [V/V], loop open.

    Parameters
    ----------
    model : SwitchedModel
        The stage with the control voltage held (B,).
    frequencies_hz : ndarray (F,) or (B, F)
        Frequencies [Hz].

    Returns
    -------
    ndarray (B, F)
        Sensed output over control voltage [V/V].
    """
    return model.response(frequencies_hz, "control", ["v(regulated)"])[:, 0]


def loop_gain(model: SwitchedModel, frequencies_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Loop gain (B,F) as a frequency-response analyser reads it: ``T = -Y/X`` across the injection source.

    Parameters
    ----------
    model : SwitchedModel
        The closed loop (B,).
    frequencies_hz : ndarray (F,) or (B, F)
        Frequencies [Hz].

    Returns
    -------
    ndarray (B, F)
        ``T = -Y/X`` [unitless]; positive real at dc for negative feedback.
    """
    both = model.response(frequencies_hz, "injection", ["v(regulated)", "v(sense)"])
    return -both[:, 0] / both[:, 1]


def line_to_output(model: SwitchedModel, frequencies_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Input voltage to output (B,F) [V/V], with the loop as the model has it.

    Parameters
    ----------
    model : SwitchedModel
        The stage or the closed loop (B,).
    frequencies_hz : ndarray (F,) or (B, F)
        Frequencies [Hz].

    Returns
    -------
    ndarray (B, F)
        Output over input voltage [V/V].
    """
    return model.response(frequencies_hz, "line", ["v(out)"])[:, 0]


def output_impedance(model: SwitchedModel, frequencies_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Output impedance (B,F) [ohm]: fall of the output per ampere drawn, with the loop as the model has it.

    Parameters
    ----------
    model : SwitchedModel
        The stage or the closed loop (B,).
    frequencies_hz : ndarray (F,) or (B, F)
        Frequencies [Hz].

    Returns
    -------
    ndarray (B, F)
        Fall of the output per ampere drawn [ohm].
    """
    return -model.response(frequencies_hz, "load", ["v(out)"])[:, 0]


def input_impedance(model: SwitchedModel, frequencies_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Input impedance (B,F) [ohm] at the source terminals, with the loop as the model has it.

    Parameters
    ----------
    model : SwitchedModel
        The stage or the closed loop (B,).
    frequencies_hz : ndarray (F,) or (B, F)
        Frequencies [Hz].

    Returns
    -------
    ndarray (B, F)
        Input voltage over the current drawn [ohm].
    """
    return -1.0 / model.response(frequencies_hz, "line", ["i(line)"])[:, 0]
