"""Figures of the periodic operating point: peak, valley, average and rms of every current and voltage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.converter import PROBES, netlist
from loopdesign.network.elements import Capacitor, Diode, Inductor, Switch
from loopdesign.network.linear_algebra import expm
from loopdesign.orbit.operating_point import operating_point
from loopdesign.orbit.steady import Guess

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.network.converter import Converter
    from loopdesign.orbit.steady import OperatingPoint

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
    """Probes of every inductor, capacitor and device, with the names to show them by."""
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
    probes, names = stage_probes(converter)
    extra = tuple(p for p in probes if p not in PROBES)
    full = operating_point(converter, Guess.from_point(point), (*PROBES, *extra))
    network = full.network
    rows = [network.output_index(p) for p in probes]
    b, n = full.start.shape
    simpson = np.ones(STEPS + 1)
    simpson[1:-1:2], simpson[2:-1:2] = 4.0, 2.0
    simpson /= 3.0 * STEPS
    time, values, weights = [], [], []
    x, begin = full.start, np.zeros(b)
    for k, c in enumerate(network.configurations):
        length = full.lengths[:, k]
        M = np.zeros((b, n + 1, n + 1))
        M[:, :n, :n], M[:, :n, n] = c.A, np.einsum("bnp,bp->bn", c.B, full.inputs)
        E = expm(M * length[:, None, None] / STEPS)
        bias = np.einsum("bqp,bp->bq", c.D[:, rows], full.inputs)
        for s in range(STEPS + 1):
            time.append(begin + length * s / STEPS)
            values.append(np.einsum("bqn,bn->bq", c.C[:, rows], x) + bias)
            weights.append(length * simpson[s])
            if s < STEPS:
                x = np.einsum("bij,bj->bi", E[:, :n, :n], x) + E[:, :n, n]
        begin = begin + length
    return Waveforms(names=names, time=np.stack(time, 1), values=np.stack(values, 2), weights=np.stack(weights, 1))


def conduction_faults(converter: Converter, point: OperatingPoint, waves: Waveforms) -> tuple[str, ...]:
    """Look for operating points whose rectifier does not do what the three intervals assume.

    Three intervals assume a diode that conducts without a break from the switch's opening on, and blocks otherwise. A
    large ripple of the coupling capacitor can break that.

    Parameters
    ----------
    converter, point, waves
        The open-loop converter, its operating point and its waveforms.

    Returns
    -------
    tuple of str
        One sentence per item where the assumption fails; the figures there are not to be trusted.
    """
    if converter.synchronous:
        return ()
    current = waves.values[:, waves.names.index("i(diode)")]
    reverse = waves.values[:, waves.names.index("v(diode)")]
    drop = np.broadcast_to(np.asarray(converter.stage.diode_drop, float), point.duty.shape)
    per = STEPS + 1  # samples of the on, off and idle intervals follow each other, edges twice
    scale = np.abs(current).max(axis=1)
    reversed_ = current[:, per : 2 * per].min(axis=1) < -1e-6 * scale
    idle = np.where(point.discontinuous, reverse[:, 2 * per :].min(axis=1), np.inf)
    forward = np.minimum(reverse[:, :per].min(axis=1), idle) < -drop - 1e-6 * np.abs(reverse).max(axis=1)
    told = []
    for i in np.flatnonzero(reversed_ | forward):
        what = "reverses before the diode opens" if reversed_[i] else "would start again while the diode blocks"
        told.append(
            f"at {converter.input_voltage[i]:.4g} V the diode current {what}: the figures at this corner assume one "
            "unbroken conduction and are not to be trusted"
        )
    return tuple(told)
