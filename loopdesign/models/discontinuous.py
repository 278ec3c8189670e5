"""Reduced-order averaged model of discontinuous conduction.

The diode current is not a state: it starts each period from zero, rises to a peak with duty and returns to zero, and
the averages of this triangle follow from duty and the slow states (R. W. Erickson, D. Maksimovic, "Fundamentals of
Power Electronics", 3rd ed., 2020, chapter 15, written here for any netlist):

    x = P slow + q i,   peak = D rise(slow, u),   fall time = peak / decline(slow, u)

The triangle takes time, and what moves it acts later than it was applied. To first order in frequency a delay is its
mean, so two lags carry it: ``rise`` (what the slow states and inputs do to the peak during the on-time, half of D
later) and ``charge`` (what a larger current does through the rest of the triangle, half of D2 later; the pole at
``fs / (pi D2)`` of Table 15.4). What a shift of the switch-off edge moves at that very moment is not delayed; together
they give the right-half-plane zero of that table.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.modulator import VoltageMode
from loopdesign.orbit.waveforms import average_state

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from loopdesign.network.circuit import Configuration
    from loopdesign.network.modulator import Modulator
    from loopdesign.orbit.problem import OperatingPoint

INPUTS = ("control", "line", "load")
OUTPUTS = ("v(out)", "i(line)", "v(regulated)")
LAGS = ("rise", "charge")
COMPLEX_STEP = 1e-30
"""Imaginary step of the differentiation: exact to rounding, for nothing is subtracted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _SlowStates:
    """Coordinates in discontinuous conduction: ``x = P slow + q i`` with ``i`` the diode's current."""

    P: NDArray[np.float64]
    q: NDArray[np.float64]
    N: NDArray[np.float64]
    diode_row: NDArray[np.float64]


def _slow_states(point: OperatingPoint, X: NDArray[np.float64]) -> _SlowStates:
    """Choose the fast direction so that the slow states' slopes do not jump when the switch opens."""
    network = point.network
    on, off = network.configurations[:2]
    u = point.inputs
    jump = np.einsum("bij,bj->bi", on.A - off.A, X) + np.einsum("bij,bj->bi", on.B - off.B, u)
    inductive = np.array([s.startswith("i(") for s in network.states])
    q = np.where(inductive, jump, 0.0)
    row = off.C[:, network.output_index("i(diode)")]
    q = q / np.einsum("bi,bi->b", row, q)[:, None]
    _, _, Vh = np.linalg.svd(row[:, None, :])
    P = Vh[:, 1:].transpose(0, 2, 1)
    N = np.linalg.inv(np.concatenate([P, q[:, :, None]], axis=2))[:, :-1]
    return _SlowStates(P=P, q=q, N=N, diode_row=row)


def slow_basis(point: OperatingPoint) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how the slow states make up the network's states (B,n,m), and how they are read from them (B,m,n).

    Parameters
    ----------
    point : OperatingPoint
        Operating points (B,) in discontinuous conduction.

    Returns
    -------
    tuple of ndarray (B, n, m) and ndarray (B, m, n)
        Network states from slow states, and back [unitless].
    """
    slow = _slow_states(point, average_state(point))
    return slow.P, slow.N


class _Triangle:
    """The averaged triangle as analytic functions of slow states, duty, inputs and its own peak and fall time."""

    def __init__(self, point: OperatingPoint, slow: _SlowStates) -> None:
        self.on, self.off, self.idle = point.network.configurations[:3]
        self.slow = slow
        self.rows = [point.network.output_index(n) for n in OUTPUTS]
        self.threshold = point.problem.threshold

    def rate(
        self, c: Configuration, xi: NDArray[np.complex128], u: NDArray[np.complex128], peak: NDArray[np.complex128]
    ) -> NDArray[np.complex128]:
        """Slope (B,) of the diode's current at the middle of one side of the triangle."""
        x = self._state(xi, peak / 2.0)
        flow = np.einsum("bij,bj->bi", c.A, x) + np.einsum("bij,bj->bi", c.B, u)
        return np.einsum("bi,bi->b", self.slow.diode_row, flow)

    def _state(self, xi: NDArray[np.complex128], current: NDArray[np.complex128]) -> NDArray[np.complex128]:
        return np.einsum("bij,bj->bi", self.slow.P, xi) + self.slow.q * current[:, None]

    def peak(
        self, xi: NDArray[np.complex128], duty: NDArray[np.complex128], u: NDArray[np.complex128]
    ) -> NDArray[np.complex128]:
        """Peak (B,) of the triangle; the slope depends on it, so it is refined three times."""
        peak = duty * self.rate(self.on, xi, u, np.zeros_like(duty))
        for _ in range(3):
            peak = duty * self.rate(self.on, xi, u, peak)
        return peak

    def averages(
        self,
        xi: NDArray[np.complex128],
        duty: NDArray[np.complex128],
        u: NDArray[np.complex128],
        peaks: tuple[NDArray[np.complex128], NDArray[np.complex128]],
        fall: NDArray[np.complex128],
    ) -> NDArray[np.complex128]:
        """Average slopes of the slow states and average outputs (B, m+2); ``peaks`` of the rising and falling side."""
        total: NDArray[np.complex128] | float = 0.0
        idle = np.zeros_like(duty)
        sides = (
            (duty, self.on, peaks[0] / 2.0),
            (fall, self.off, peaks[1] / 2.0),
            (1.0 - duty - fall, self.idle, idle),
        )
        for share, c, current in sides:
            x = self._state(xi, current)
            slopes = np.einsum("bij,bj->bi", self.slow.N, np.einsum("bij,bj->bi", c.A, x))
            slopes = slopes + np.einsum("bij,bj->bi", self.slow.N, np.einsum("bij,bj->bi", c.B, u))
            out = np.einsum("bij,bj->bi", c.C[:, self.rows], x) + np.einsum("bij,bj->bi", c.D[:, self.rows], u)
            total = total + share[:, None] * np.concatenate([slopes, out], axis=1)
        return np.asarray(total)

    def sensed(
        self,
        xi: NDArray[np.complex128],
        duty: NDArray[np.complex128],
        u: NDArray[np.complex128],
        peak: NDArray[np.complex128],
    ) -> NDArray[np.complex128]:
        """Sensed signal at the switch-off edge with its ramp (B,) [V]."""
        th = self.threshold
        top = np.einsum("bi,bi->b", th.sensed_state, self._state(xi, peak))
        return top + np.einsum("bi,bi->b", th.sensed_input, u) + th.ramp * duty


def _derivatives(
    function: Callable[[NDArray[np.complex128]], NDArray[np.complex128]],
    at: NDArray[np.complex128],
    columns: list[int],
) -> NDArray[np.float64]:
    """Differentiate (B,...) results by chosen columns of (B,c) arguments; the column axis comes last."""
    found = []
    for j in columns:
        moved = at.copy()
        moved[:, j] += 1j * COMPLEX_STEP
        found.append(function(moved).imag / COMPLEX_STEP)
    return np.stack(found, axis=-1)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Partials:
    """Partial derivatives of the triangle, real, at one operating point.

    ``rise_x``, ``rise_u``, ``rise_d`` of the peak by slow states, inputs and duty; ``by_x``, ``by_u``, ``by_d`` of the
    averages at a given peak; ``by_rising`` by the peak of the rising side, ``by_current`` by a current step through the
    falling side.
    """

    rise_x: NDArray[np.float64]
    rise_u: NDArray[np.float64]
    rise_d: NDArray[np.float64]
    by_x: NDArray[np.float64]
    by_u: NDArray[np.float64]
    by_d: NDArray[np.float64]
    by_rising: NDArray[np.float64]
    by_current: NDArray[np.float64]


def _partials(
    triangle: _Triangle,
    xi: NDArray[np.complex128],
    duty: NDArray[np.complex128],
    u: NDArray[np.complex128],
    columns: list[int],
) -> _Partials:
    """Differentiate the triangle by everything it depends on."""
    states, first = list(range(xi.shape[1])), [0]
    peak = triangle.peak(xi, duty, u)
    decline = -triangle.rate(triangle.off, xi, u, peak)
    fall = peak / decline
    d, p, f = duty[:, None], peak[:, None], fall[:, None]
    decline_x = -_derivatives(lambda z: triangle.rate(triangle.off, z, u, peak), xi, states)
    decline_u = -_derivatives(lambda z: triangle.rate(triangle.off, xi, z, peak), u, columns)
    steeper = -_derivatives(lambda z: triangle.rate(triangle.off, xi, u, z[:, 0]), p, first)[:, 0]
    by_fall = _derivatives(lambda z: triangle.averages(xi, duty, u, (peak, peak), z[:, 0]), f, first)[..., 0]
    by_falling = _derivatives(lambda z: triangle.averages(xi, duty, u, (peak, z[:, 0]), fall), p, first)[..., 0]
    by_x = _derivatives(lambda z: triangle.averages(z, duty, u, (peak, peak), fall), xi, states)
    by_u = _derivatives(lambda z: triangle.averages(xi, duty, z, (peak, peak), fall), u, columns)
    through_decline = -(peak.real / decline.real**2)[:, None] * by_fall
    return _Partials(
        rise_x=_derivatives(lambda z: triangle.peak(z, duty, u), xi, states),
        rise_u=_derivatives(lambda z: triangle.peak(xi, duty, z), u, columns),
        rise_d=_derivatives(lambda z: triangle.peak(xi, z[:, 0], u), d, first)[:, 0],
        by_x=by_x + through_decline[:, :, None] * decline_x[:, None, :],
        by_u=by_u + through_decline[:, :, None] * decline_u[:, None, :],
        by_d=_derivatives(lambda z: triangle.averages(xi, z[:, 0], u, (peak, peak), fall), d, first)[..., 0],
        by_rising=_derivatives(lambda z: triangle.averages(xi, duty, u, (z[:, 0], peak), fall), p, first)[..., 0],
        by_current=by_falling + by_fall * ((1.0 - fall.real * steeper) / decline.real)[:, None],
    )


def reduced(point: OperatingPoint, modulator: Modulator) -> tuple[NDArray[np.float64], ...]:
    """Linearise the averaged triangle around a discontinuous operating point.

    Parameters
    ----------
    point
        Operating points, all in discontinuous conduction.
    modulator
        Voltage mode or peak current mode.

    Returns
    -------
    tuple of ndarray
        A (B,m+2,m+2), B (B,m+2,3), C (B,3,m+2), D (B,3,3) with m slow states and the two lags; time in periods.
    """
    mean = average_state(point)
    slow = _slow_states(point, mean)
    triangle = _Triangle(point, slow)
    xi = np.einsum("bij,bj->bi", slow.N, mean).astype(complex)
    duty, u = point.duty.astype(complex), point.inputs.astype(complex)
    part = _partials(triangle, xi, duty, u, [point.network.input_index(n) for n in INPUTS])
    at_edge = _edge_share(point, slow)
    spread = part.by_d + (part.by_rising + part.by_current) * part.rise_d[:, None] - at_edge
    # the spread is a current step through the rest of the triangle, so it lies along ``by_current``
    along = part.by_current
    gain = np.einsum("bi,bi->b", spread, along) / np.einsum("bi,bi->b", along, along)
    at_once = at_edge + spread - gain[:, None] * along
    free = 1.0 - np.array([n == "control" for n in INPUTS], float)
    duty_x, duty_u, duty_rise = _duty(
        point, modulator, triangle, (xi, duty, u, triangle.peak(xi, duty, u)), part.rise_d
    )
    rows = np.concatenate([part.by_x, np.stack([part.by_rising, along], axis=2), part.by_u * free], axis=2)
    duty_row = np.concatenate([duty_x, duty_rise[:, None], np.zeros_like(gain)[:, None], duty_u], axis=1)
    rows = rows + at_once[:, :, None] * duty_row[:, None, :]
    m = xi.shape[1]
    n = m + len(LAGS)
    lag = np.zeros((len(gain), 2, n + len(INPUTS)))
    lag[:, 0, :m], lag[:, 0, m], lag[:, 0, n:] = part.rise_x, -1.0, part.rise_u * free
    lag[:, 1] = gain[:, None] * duty_row
    lag[:, 1, m] += 1.0
    lag[:, 1, m + 1] -= 1.0
    lag *= np.stack([2.0 / point.duty, 2.0 / (point.conduction_end - point.duty)], axis=1)[:, :, None]
    dynamics = np.concatenate([rows[:, :m], lag], axis=1)
    return dynamics[:, :, :n], dynamics[:, :, n:], rows[:, m:, :n], rows[:, m:, n:]


def _duty(
    point: OperatingPoint,
    modulator: Modulator,
    triangle: _Triangle,
    at: tuple[NDArray[np.complex128], ...],
    rise_d: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Duty from slow states (B,m), inputs (B,3) and the lagging rise (B,): the threshold stays at zero."""
    xi, duty, u, peak = at
    columns = [point.network.input_index(n) for n in INPUTS]
    control = np.array([n == "control" for n in INPUTS], float)
    ramp = point.problem.threshold.ramp
    if isinstance(modulator, VoltageMode):
        return np.zeros(xi.shape), control / ramp[:, None], np.zeros(len(duty))
    states = list(range(xi.shape[1]))
    sensed_x = _derivatives(lambda z: triangle.sensed(z, duty, u, peak), xi, states)
    sensed_u = _derivatives(lambda z: triangle.sensed(xi, duty, z, peak), u, columns) * (1.0 - control)
    sensed_peak = _derivatives(lambda z: triangle.sensed(xi, duty, u, z[:, 0]), peak[:, None], [0])[:, 0]
    slope = sensed_peak * rise_d + ramp
    return -sensed_x / slope[:, None], (control - sensed_u) / slope[:, None], -sensed_peak / slope


def _edge_share(point: OperatingPoint, slow: _SlowStates) -> NDArray[np.float64]:
    """Tell what a shift of the switch-off edge does at that very moment, to slow slopes and outputs (B, m+2)."""
    on, off = point.network.configurations[:2]
    rows = [point.network.output_index(n) for n in OUTPUTS]
    x, u = point.at_duty, point.inputs
    flow = np.einsum("bij,bj->bi", on.A - off.A, x) + np.einsum("bij,bj->bi", on.B - off.B, u)
    out = np.einsum("bij,bj->bi", (on.C - off.C)[:, rows], x) + np.einsum("bij,bj->bi", (on.D - off.D)[:, rows], u)
    return np.concatenate([np.einsum("bij,bj->bi", slow.N, flow), out], axis=1)
