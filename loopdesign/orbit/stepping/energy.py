"""Where the energy of a run goes: what the source gives is burnt, drawn by the loads, or stored.

The powers are integrated by Gauss's rule along the exact motions between edges, finer where the fastest modes die. A
current that a device interrupts is an energy of its own: the network without it holds less. What is missing from the
balance says how exact the run is; it is independent of how edges are found.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.converter import netlist, output_sink
from loopdesign.network.elements import Capacitor, Diode, Inductor, Resistor, Switch
from loopdesign.network.linear_algebra import expm, modal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopdesign.network.converter import Converter
    from loopdesign.orbit.stepping.cycle import CycleStepper
    from loopdesign.orbit.stepping.devices import Devices, Segment

PANELS = (0.0, 2e-4, 2e-3, 1.5e-2, 0.1, 0.4, 1.0)
"""Where the shares of an interval begin that Gauss's rule is applied to."""
NODES = 4
"""Its order."""
CHUNK = 2000
"""Intervals booked at once."""
MODAL_CONDITION = 1e9
"""Eigenvector condition above which a motion is followed instant by instant."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Energy:
    """Energies of a run [J].

    Attributes
    ----------
    source_j
        What the source gives.
    loads_j
        What the loads draw.
    losses_j
        What resistances and drops burn.
    interrupted_j
        What currents held that a device interrupts; in a real one it goes into what rings and is clamped.
    stored_j
        What is stored more at the end than at the begin.
    """

    source_j: float
    loads_j: float
    losses_j: float
    interrupted_j: float
    stored_j: float

    @property
    def missing(self) -> float:
        """What the balance leaves over, on what was turned over [unitless]."""
        turned = abs(self.source_j) + self.loads_j + self.losses_j
        over = self.source_j - self.loads_j - self.losses_j - self.interrupted_j - self.stored_j
        return over / turned if turned else 0.0

    @property
    def of_source(self) -> float:
        """What the balance leaves over, on what the source gives [unitless]."""
        over = self.source_j - self.loads_j - self.losses_j - self.interrupted_j - self.stored_j
        return over / self.source_j if self.source_j else 0.0

    def to_dict(self) -> dict[str, float]:
        """Turn the energies into plain numbers.

        Returns
        -------
        dict
            Energies [J] and what is missing.
        """
        names = ("source_j", "loads_j", "losses_j", "interrupted_j", "stored_j", "missing")
        return {name: float(getattr(self, name)) for name in names}


class Ledger:
    """Books the energies of a run, interval by interval.

    Parameters
    ----------
    converter
        Closed loop, a batch of one.
    """

    def __init__(self, converter: Converter) -> None:
        parts = [e for e in netlist(converter) if e not in (converter.compensation or ())]
        self.control = {e.name for e in converter.compensation or ()}
        further = {f"{name} resistance" for name in converter.topology.outputs}
        self.ohms: dict[str, float] = {}
        self.drawn: dict[str, float] = {}
        for part in parts:
            ohm = _resistance(part)
            if ohm and part.name != "load_resistance":
                (self.drawn if part.name in further else self.ohms)[f"i({part.name})"] = ohm
        self.drops = {f"i({e.name})": e.name for e in parts if isinstance(e, Diode)}
        self.sinks = {f"v({a},{b})": output_sink(name) for name, (a, b) in converter.topology.outputs.items()}
        self.converter = converter
        names = ("i(line)", "v(out)", *self.ohms, *self.drawn, *self.drops, *self.sinks)
        self.probes = tuple(dict.fromkeys(names))
        self.waiting: dict[Devices, list[tuple[NDArray[np.float64], NDArray[np.float64], float]]] = {}
        self.resting: dict[Devices, NDArray[np.float64]] = {}
        self.source = self.loads = self.losses = self.interrupted = 0.0
        self.begin: NDArray[np.float64] | None = None
        self.end: NDArray[np.float64] | None = None

    def add(self, trace: Sequence[Segment], end: NDArray[np.float64]) -> None:
        """Take the intervals of a cycle, and the normalised state (n,) at its end [unitless]."""
        ends = [*(s.x for s in trace[1:]), end]
        self.begin, self.end = trace[0].x if self.begin is None else self.begin, end
        for segment, after in zip(trace, ends, strict=True):
            if segment.length > 0.0:
                self.waiting.setdefault(segment.devices, []).append((segment.x, after, segment.length))

    def rest(self, stepper: CycleStepper, devices: Devices, clocks: NDArray[np.float64]) -> None:
        """Book whole periods in which no device changes, from the normalised states (K+1,n) at their clocks [unitless].

        Their energies are quadratic forms of the states at their begin, so that many periods cost what one does.
        """
        self.begin = clocks[0] if self.begin is None else self.begin
        self.end = clocks[-1]
        forms = self.resting.get(devices)
        if forms is None:
            forms = self.resting[devices] = self._forms(stepper, devices)
        states = np.column_stack([clocks[:-1], np.ones(len(clocks) - 1)])
        source, loads, losses = np.einsum("ki,qij,kj->q", states, forms, states).tolist()
        self.source, self.loads, self.losses = self.source + source, self.loads + loads, self.losses + losses

    def _forms(self, stepper: CycleStepper, devices: Devices) -> NDArray[np.float64]:
        """Quadratic forms (3,n+1,n+1) of a state and one that give the energies of a period without an edge [J]."""
        c, n = stepper.setting(devices).c, len(stepper.states)
        theta, weight = _nodes()
        flow = np.zeros((n + 1, n + 1))
        flow[:n, :n], flow[:n, n] = c.A[0], c.B[0] @ stepper.drive(devices)
        along = expm(flow * theta[:, None, None])
        powers = np.swapaxes(along, 1, 2)[:, None] @ self._powers(stepper, devices) @ along[:, None]
        forms: NDArray[np.float64] = float(stepper.converter.period) * np.einsum("g,gqij->qij", weight, powers)
        return forms

    def settle(self, stepper: CycleStepper) -> None:
        """Book what has been waiting, with the inputs as they are."""
        for devices, rows in self.waiting.items():
            for begin in range(0, len(rows), CHUNK):
                x, ends, lengths = (np.array(part) for part in zip(*rows[begin : begin + CHUNK], strict=True))
                self._book(stepper, devices, x, ends, lengths)
        self.waiting = {}

    def balance(self, stepper: CycleStepper) -> Energy:
        """Return the energies booked."""
        self.settle(stepper)
        stored = 0.0
        if self.begin is not None and self.end is not None:
            held = self._held(stepper, np.array([self.begin, self.end]))
            stored = float(held[1] - held[0])
        return Energy(
            source_j=self.source, loads_j=self.loads, losses_j=self.losses, interrupted_j=self.interrupted,
            stored_j=stored,
        )  # fmt: skip

    def _held(self, stepper: CycleStepper, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Energy (N,) stored in the stage at normalised states (N,n) [J]."""
        stage = self._stage(stepper)
        form = np.linalg.inv(stepper.yielding)[np.ix_(stage, stage)]
        held: NDArray[np.float64] = 0.5 * np.einsum("ki,ij,kj->k", x[:, stage], form, x[:, stage])
        return held

    def _stage(self, stepper: CycleStepper) -> list[int]:
        """Places of the states that the control has no part in."""
        return [k for k, name in enumerate(stepper.states) if name[2:-1] not in self.control]

    def _book(
        self,
        stepper: CycleStepper,
        devices: Devices,
        x: NDArray[np.float64],
        ends: NDArray[np.float64],
        lengths: NDArray[np.float64],
    ) -> None:
        """Integrate the powers of intervals that share their devices."""
        theta, weight = _nodes()
        states, last = _along(stepper, devices, self._stage(stepper), x, lengths, theta)
        share = float(stepper.converter.period) * lengths[:, None] * weight
        seen = np.concatenate([states, np.ones((*states.shape[:2], 1))], axis=2)
        source, loads, losses = (
            float((((seen @ power) * seen).sum(axis=2) * share).sum()) for power in self._powers(stepper, devices)
        )
        self.source, self.loads, self.losses = self.source + source, self.loads + loads, self.losses + losses
        self.interrupted += float((self._held(stepper, last) - self._held(stepper, ends)).sum())

    def _powers(self, stepper: CycleStepper, devices: Devices) -> NDArray[np.float64]:
        """Quadratic forms (3,n+1,n+1) of a state and one: the powers of source, loads and losses [W]."""
        level = stepper.watch(devices, np.zeros((1, len(stepper.states))), self.probes)[0]
        rows = np.vstack([stepper.watch(devices, np.eye(len(stepper.states)), self.probes) - level, level])
        seen, inputs, one = dict(zip(self.probes, rows.T, strict=True)), stepper.values, np.eye(len(rows))[-1]
        nothing = np.zeros((len(rows), len(rows)))
        losses = sum((ohm * _times(seen[probe], seen[probe]) for probe, ohm in self.ohms.items()), nothing)
        for probe, name in self.drops.items():
            losses = losses + inputs.get(name, 0.0) * _times(seen[probe], one)
        loads = self._load(stepper, seen["v(out)"], one, devices)
        for probe, ohm in self.drawn.items():
            loads = loads + ohm * _times(seen[probe], seen[probe])
        for probe, name in self.sinks.items():
            loads = loads + inputs.get(name, 0.0) * _times(seen[probe], one)
        return np.array([-inputs["line"] * _times(seen["i(line)"], one), loads, losses])

    def _load(
        self, stepper: CycleStepper, v: NDArray[np.float64], one: NDArray[np.float64], devices: Devices
    ) -> NDArray[np.float64]:
        """Quadratic form of the power of the main load [W], whose voltage has the row ``v`` [V]."""
        c, inputs = self.converter, stepper.values
        level, current = float(np.ravel(c.load_voltage)[0]), float(np.ravel(c.load_current)[0])
        drawn = inputs.get("load", 0.0) * _times(v, one)
        if c.load == "voltage":
            drop, ohm = inputs.get("load_drop", 0.0), float(np.ravel(c.load_resistance)[0])
            string: NDArray[np.float64] = devices.load * (_times(v, v) - drop * _times(v, one)) / ohm
            return string + drawn
        if c.load == "current" and stepper.knee is not None and not devices.load:
            resistor: NDArray[np.float64] = _times(v, v) / float(np.ravel(stepper.knee.resistance)[0])
            return resistor
        # a load of constant power is a negative conductance beside its sink, a current sink no conductance at all
        conductance = {"resistive": 1.0, "current": 0.0, "power": -1.0}[c.load] * current / level
        return conductance * _times(v, v) + drawn


def _times(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Quadratic form of the product of two rows (n,)."""
    form: NDArray[np.float64] = 0.5 * (np.outer(a, b) + np.outer(b, a))
    return form


def _resistance(part: object) -> float:
    """Resistance of an element that burns [ohm]; zero where it has none."""
    if isinstance(part, Resistor | Inductor | Switch | Diode):
        return float(np.ravel(part.resistance)[0])
    return float(np.ravel(part.esr)[0]) if isinstance(part, Capacitor) else 0.0


def _nodes() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Instants and weights (G,) of Gauss's rule over all panels, as shares of an interval."""
    place, weight = np.polynomial.legendre.leggauss(NODES)
    left, width = np.array(PANELS[:-1])[:, None], np.diff(PANELS)[:, None]
    return (left + width * (place + 1.0) / 2.0).ravel(), (width * weight / 2.0).ravel()


def _along(
    stepper: CycleStepper,
    devices: Devices,
    stage: list[int],
    x: NDArray[np.float64],
    lengths: NDArray[np.float64],
    theta: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """States (N,G,n) of the stage, the others zero, at shares (G,) of the intervals, and those (N,n) at their ends."""
    c = stepper.setting(devices).c
    A, b = c.A[0][np.ix_(stage, stage)], (c.B[0] @ stepper.drive(devices))[stage]
    t = lengths[:, None] * np.append(theta, 1.0)
    states = np.zeros((*t.shape, x.shape[1]))
    modes = modal(A[None])
    if modes.condition[0] < MODAL_CONDITION:
        kept = modes.values[0].imag >= 0.0  # one of each conjugate pair stands for both
        weights = (x[:, stage] @ A.T + b) @ modes.inverse[0][kept].T
        weights *= np.where(modes.values[0][kept].imag > 0.0, 2.0, 1.0)
        values, still = modes.values[0][kept], modes.values[0][kept] == 0.0
        phi = np.expm1(t[..., None] * values) * (weights / np.where(still, 1.0, values))[:, None]
        phi[..., still] = t[..., None] * weights[:, None, still]
        states[..., stage] = x[:, None, stage] + (phi @ modes.vectors[0][:, kept].T).real
    else:
        for k, begin in enumerate(x):
            motion = stepper.setting(devices).piece.move(begin)
            states[k][:, stage] = np.array([motion.at(float(v))[0][stage] for v in t[k]])
    return states[:, :-1], states[:, -1]
