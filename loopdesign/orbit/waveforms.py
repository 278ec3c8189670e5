"""Figures of the periodic operating point: peak, valley, average and rms of every current and voltage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.converter import PROBES, netlist
from loopdesign.network.elements import Capacitor, Diode, Inductor, Switch
from loopdesign.network.linear_algebra import expm
from loopdesign.orbit.conduction import along
from loopdesign.orbit.operating_point import operating_point
from loopdesign.orbit.sequence import chosen

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from loopdesign.network.converter import Converter
    from loopdesign.orbit.problem import OperatingPoint

STEPS = 64
"""Steps per interval; even, for Simpson's rule, whose error at 64 steps of a smooth waveform is below 1e-8."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WaveformFigures:
    """Peak, valley, average and rms (B,) of one current [A] or voltage [V] over the period."""

    name: str
    unit: str
    peak: NDArray[np.float64]
    valley: NDArray[np.float64]
    average: NDArray[np.float64]
    rms: NDArray[np.float64]

    @property
    def ripple(self) -> NDArray[np.float64]:
        """Peak to peak (B,)."""
        return self.peak - self.valley


@dataclass(frozen=True, slots=True, kw_only=True)
class Waveforms:
    """Samples of one period: ``time`` (B,S) [periods], ``values`` (B,Q,S) of the named quantities."""

    names: tuple[str, ...]
    time: NDArray[np.float64]
    values: NDArray[np.float64]
    weights: NDArray[np.float64]

    def figures(self) -> tuple[WaveformFigures, ...]:
        """Condense every waveform to its figures."""
        rows = []
        for q, name in enumerate(self.names):
            y = self.values[:, q]
            mean = np.einsum("bs,bs->b", self.weights, y)
            rms = np.sqrt(np.maximum(np.einsum("bs,bs->b", self.weights, y**2), 0.0))
            unit = "A" if name.startswith("i(") else "V"
            rows.append(
                WaveformFigures(name=name, unit=unit, peak=y.max(axis=1), valley=y.min(axis=1), average=mean, rms=rms)
            )
        return tuple(rows)


def stage_probes(converter: Converter) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Probes of every inductor, capacitor and device, with the names to show them by.

    Parameters
    ----------
    converter : Converter
        A batch of operating points (B,).

    Returns
    -------
    tuple of tuple of str
        Probes, and names.
    """
    probes, names = ["v(out)"], ["v(out)"]
    for e in netlist(converter):
        if isinstance(e, Inductor):
            probes.append(f"i({e.name})")
            names.append(f"i({e.name})")
        elif isinstance(e, Capacitor):
            probes += [f"v({e.name})", f"i({e.name})"]
            names += [f"v({e.name})", f"i({e.name})"]
        elif isinstance(e, (Switch, Diode)):
            ends = f"v({e.a},{e.b})" if isinstance(e, Switch) else f"v({e.b},{e.a})"
            probes += [f"i({e.name})", ends]
            names += [f"i({e.name})", f"v({e.name})"]
    return tuple(probes), tuple(names)


def waveforms(converter: Converter, point: OperatingPoint) -> Waveforms:
    """Sample one period of every current and voltage of the power stage.

    Parameters
    ----------
    converter
        The open-loop converter.
    point
        Its operating point.

    Returns
    -------
    Waveforms
        Samples with quadrature weights; a rectifier's voltage is positive while it blocks.
    """
    return sampled_waveforms(converter, point, *stage_probes(converter))


def sampled_waveforms(
    converter: Converter, point: OperatingPoint, probes: tuple[str, ...], names: tuple[str, ...]
) -> Waveforms:
    """Sample one period of given quantities.

    Parameters
    ----------
    converter : Converter
        The converter (B,).
    point : OperatingPoint
        Its operating point.
    probes, names : tuple of str
        Probes of the network, and the names to show them by.

    Returns
    -------
    Waveforms
        Samples with quadrature weights.
    """
    extra = tuple(p for p in probes if p not in PROBES)
    full = operating_point(converter, point.sequence, (*PROBES, *extra))
    rows = [full.network.output_index(p) for p in probes]
    n = full.start.shape[1]
    simpson = np.ones(STEPS + 1)
    simpson[1:-1:2], simpson[2:-1:2] = 4.0, 2.0
    simpson /= 3.0 * STEPS
    time, values, weights = [], [], []
    share = np.arange(STEPS + 1) / STEPS
    for k, (flow, length) in enumerate(intervals(full)):
        states = along(flow, _with_one(full.states[:, k]), length, STEPS)[:, :n]
        C, bias = _rows_of(full, full.sequence.configuration[:, k], rows)
        time.append((full.sequence.ends[:, k] - length)[:, None] + length[:, None] * share)
        values.append(C @ states + bias[..., None])
        weights.append(length[:, None] * simpson)
    return Waveforms(
        names=names,
        time=np.concatenate(time, axis=1),
        values=np.concatenate(values, axis=2),
        weights=np.concatenate(weights, axis=1),
    )


def intervals(point: OperatingPoint) -> Iterator[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Go through the intervals, each with the matrix of ``d[x, 1]/dtheta`` and its length.

    Parameters
    ----------
    point : OperatingPoint
        Operating points (B,).

    Returns
    -------
    iterator of tuple of ndarray (B, n+1, n+1) and ndarray (B,)
        Matrices [1/period] and lengths [periods].
    """
    network, (b, n) = point.network, point.start.shape
    flows = []
    for c in network.configurations:
        M = np.zeros((b, n + 1, n + 1))
        M[:, :n, :n], M[:, :n, n] = c.A, np.einsum("bnp,bp->bn", c.B, point.inputs)
        flows.append(M)
    for k in range(point.sequence.ends.shape[1]):
        yield chosen(flows, point.sequence.configuration[:, k]), point.lengths[:, k]


def _with_one(x: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.concatenate([x, np.ones((len(x), 1))], axis=1)


def _rows_of(
    point: OperatingPoint, configuration: NDArray[np.intp], rows: list[int]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Output rows (B,q,n) of each item's configuration, and what the inputs add (B,q)."""
    C = chosen([c.C[:, rows] for c in point.network.configurations], configuration)
    D = chosen([c.D[:, rows] for c in point.network.configurations], configuration)
    return C, np.einsum("bqp,bp->bq", D, point.inputs)


def average_state(point: OperatingPoint) -> NDArray[np.float64]:
    """Average the normalised states over the period.

    Parameters
    ----------
    point : OperatingPoint
        Operating points (B,).

    Returns
    -------
    ndarray (B, n)
        Exact averages of the normalised states.
    """
    return np.asarray(sum(_integrals(point)))


def average_probe(point: OperatingPoint, name: str) -> NDArray[np.float64]:
    """Average a probe over the period.

    Parameters
    ----------
    point : OperatingPoint
        Operating points (B,).
    name : str
        One of the network's outputs, such as ``v(out)``.

    Returns
    -------
    ndarray (B,)
        Exact averages [V] or [A].
    """
    row = [point.network.output_index(name)]
    total = np.zeros(len(point))
    for k, integral in enumerate(_integrals(point)):
        C, bias = _rows_of(point, point.sequence.configuration[:, k], row)
        total += (C @ integral[..., None])[:, 0, 0] + bias[:, 0] * point.lengths[:, k]
    return total


def probe_ripple(point: OperatingPoint, name: str) -> NDArray[np.float64]:
    """Read a probe's ripple, peak to peak over the period.

    Parameters
    ----------
    point : OperatingPoint
        Operating points (B,).
    name : str
        One of the network's outputs, such as ``v(out)``.

    Returns
    -------
    ndarray (B,)
        Highest less lowest value [V] or [A], sampled as `waveforms` samples; steps at the edges count.
    """
    row, n = [point.network.output_index(name)], point.start.shape[1]
    values = []
    for k, (flow, length) in enumerate(intervals(point)):
        states = along(flow, _with_one(point.states[:, k]), length, STEPS)[:, :n]
        C, bias = _rows_of(point, point.sequence.configuration[:, k], row)
        values.append((C @ states)[:, 0] + bias)
    return np.asarray(np.ptp(np.concatenate(values, axis=1), axis=1))


def _integrals(point: OperatingPoint) -> Iterator[NDArray[np.float64]]:
    """Integrals (B,n) of the normalised states over the intervals in turn, time in periods."""
    b, n = point.start.shape
    for k, (flow, length) in enumerate(intervals(point)):
        M = np.zeros((b, 2 * n + 1, 2 * n + 1))
        M[:, : n + 1, : n + 1] = flow
        M[:, n + 1 :, :n] = np.eye(n)
        E = expm(M * length[:, None, None])
        yield (E[:, n + 1 :, :n] @ point.states[:, k, :, None])[..., 0] + E[:, n + 1 :, n]
