"""Derive the switched state space of any netlist.

For each set of conducting devices the network is written down by modified nodal analysis (C. Ho, A. Ruehli, P. Brennan,
"The modified nodal approach to network analysis", IEEE Trans. CAS 22(6), 1975; from memory) with every inductor as a
current source and every capacitor as a voltage source behind its series resistance:

    M z = Nx x + Nu u,        dx/dt = F (Gz z + Gx x)

``z`` holds node voltages and branch currents, ``x`` inductor currents and capacitor voltages, ``u`` the independent
sources and diode drops. Where devices are open, M can lose rank. Its left null space ``w`` then gives a constraint on
the states, ``w Nx x + w Nu u = 0`` (a SEPIC in discontinuous conduction: the inductor currents add to nothing), its
right null space the free voltage, whose size follows from differentiating the constraint.

States leave this module normalised: energy-like (``sqrt(L) i``, ``sqrt(C) v``) and with time counted in switching
periods, so that picofarads at a megohm and hundreds of microfarads live in one well-scaled matrix. Outputs and inputs
stay in volts and amperes. Every element value may carry a batch axis (B,), for corners or samples.

Nothing here knows the name of a topology.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.errors import CircuitError
from loopdesign.network.elements import GROUND, Diode, Element, Switch
from loopdesign.network.linear_algebra import solve_singular
from loopdesign.network.nodal import NodalEquations

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Configuration:
    """Linear network for one set of conducting devices, in normalised states and time.

    ``dx/dtheta = A x + B u``, ``y = C x + D u`` with ``theta`` in periods. Shapes: A (B,n,n), B (B,n,p), C (B,q,n),
    D (B,q,p). ``constraint`` (B,k,n) and ``constraint_input`` (B,k,p) hold what the states must obey here (k may be 0).
    """

    A: NDArray[np.float64]
    B: NDArray[np.float64]
    C: NDArray[np.float64]
    D: NDArray[np.float64]
    constraint: NDArray[np.float64]
    constraint_input: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchedNetwork:
    """State space of a netlist for several sets of conducting devices.

    Attributes
    ----------
    states, inputs, outputs
        Names along the axes of the matrices: ``i(L1)``, ``v(Cs)``; source and diode names; probes.
    configurations
        One per set of conducting devices, in the order asked for.
    state_scale
        (B,n) factor from SI state to normalised state: ``sqrt(L)`` or ``sqrt(C)``.
    period
        (B,) switching period [s] that normalised time counts.
    """

    states: tuple[str, ...]
    inputs: tuple[str, ...]
    outputs: tuple[str, ...]
    configurations: tuple[Configuration, ...]
    state_scale: NDArray[np.float64]
    period: NDArray[np.float64]

    def input_index(self, name: str) -> int:
        """Position of an input along the input axis."""
        return self.inputs.index(name)

    def output_index(self, name: str) -> int:
        """Position of a probe along the output axis."""
        return self.outputs.index(name)

    def take(self, items: NDArray[np.intp]) -> SwitchedNetwork:
        """Keep some items of the batch, in the order given."""
        configurations = tuple(
            Configuration(
                A=c.A[items],
                B=c.B[items],
                C=c.C[items],
                D=c.D[items],
                constraint=c.constraint[items],
                constraint_input=c.constraint_input[items],
            )
            for c in self.configurations
        )
        return SwitchedNetwork(
            states=self.states,
            inputs=self.inputs,
            outputs=self.outputs,
            configurations=configurations,
            state_scale=self.state_scale[items],
            period=self.period[items],
        )


def derive(
    elements: Sequence[Element],
    conducting: Sequence[frozenset[str]],
    outputs: Sequence[str],
    *,
    period: float | NDArray[np.float64],
    series: bool = False,
) -> SwitchedNetwork:
    """Derive the switched state space of a netlist.

    Parameters
    ----------
    elements
        The netlist. Values are floats or arrays (B,) [SI units].
    conducting
        For each configuration the names of the switches and diodes that conduct.
    outputs
        Probes: ``v(node)``, ``v(node,node)`` [V] or ``i(element)`` [A].
    period
        Switching period, scalar or (B,) [s].
    series
        Whether inductors may be in series in each of these configurations, since others join them.

    Returns
    -------
    SwitchedNetwork
        Matrices with a leading batch axis (B,), B = 1 when every value is a scalar.

    Raises
    ------
    CircuitError
        For a loop of ideal capacitors or voltage sources, a floating node, an unknown name, or inductors left in
        series in every configuration.
    """
    nodal = NodalEquations(elements, period)
    behind = _solved_behind(nodal)
    if behind is None and nodal.core < nodal.size:
        nodal = NodalEquations(elements, period, parted=False)
    storage = nodal.storage()
    configurations = tuple(_configuration(nodal, behind, storage, on, outputs) for on in conducting)
    if configurations and not series and all(c.constraint.shape[1] for c in configurations):
        raise CircuitError(
            "inductors are in series with nothing between them in every switch state; merge them into one inductor"
        )
    return SwitchedNetwork(
        states=nodal.states,
        inputs=nodal.inputs,
        outputs=tuple(outputs),
        configurations=configurations,
        state_scale=nodal.scale,
        period=nodal.period,
    )


def _solved_behind(nodal: NodalEquations) -> NDArray[np.float64] | None:
    """Solve what lies behind the core once: ``z`` (B,m-c,n+p+c) for states, inputs and ``z`` of the core.

    None where that cannot be solved by itself, and where there is nothing behind the core.
    """
    c = nodal.core
    if c == nodal.size:
        return None
    M = nodal.M[:, c:]
    solution, left, _ = solve_singular(M[:, :, c:], np.concatenate([nodal.right[:, c:], -M[:, :, :c]], axis=2))
    return None if left.shape[1] else solution


def _configuration(
    nodal: NodalEquations,
    behind: NDArray[np.float64] | None,
    storage: tuple[NDArray[np.float64], NDArray[np.float64]],
    on: frozenset[str],
    outputs: Sequence[str],
) -> Configuration:
    """Reduce one set of conducting devices to its normalised state space."""
    n, s = len(nodal.states), nodal.scale
    M, drive = nodal.equations(on)
    particular, left, right = solve_singular(M, drive)
    if behind is not None:
        joined, reached = np.split(behind, [drive.shape[2]], axis=2)
        particular = np.concatenate([particular, joined + reached @ particular], axis=1)
        right = np.concatenate([right, reached @ right], axis=1)
    Gz, Gx = storage
    drift = Gz @ particular
    drift[:, :, :n] += Gx
    K = left @ drive
    if left.shape[1]:
        _refuse_loops(nodal, on, K[0, :, :n], K[0, :, n:], right[0])
        # differentiate the constraint: Kx dx/dt = 0 fixes the free voltages
        pushed = Gz @ right
        free = -np.linalg.solve(K[:, :, :n] @ pushed, K[:, :, :n] @ drift)
        particular = particular + right @ free
        drift = drift + pushed @ free
    rows = np.zeros((nodal.batch, len(outputs), particular.shape[2]))
    for k, probe in enumerate(outputs):
        _probe(nodal, probe, particular, rows[:, k])
    drift *= (s * nodal.period[:, None])[:, :, None]
    return Configuration(
        A=drift[:, :, :n] / s[:, None, :],
        B=drift[:, :, n:],
        C=rows[:, :, :n] / s[:, None, :],
        D=rows[:, :, n:],
        constraint=K[:, :, :n] / s[:, None, :],
        constraint_input=K[:, :, n:],
    )


def _refuse_loops(
    nodal: NodalEquations,
    on: frozenset[str],
    Kx: NDArray[np.float64],
    Ku: NDArray[np.float64],
    right: NDArray[np.float64],
) -> None:
    """Tell apart an inductor cut set (fine) from a capacitor loop or a floating node (refused)."""
    count = len(nodal.inductors)
    capacitors = [e.name for i, e in enumerate(nodal.capacitors) if np.any(np.abs(Kx[:, count + i]) > 1e-9)]
    if capacitors:
        raise CircuitError(
            f"the network has a loop of capacitors without resistance ({', '.join(capacitors)}); "
            "give one of them an esr"
        )
    if np.linalg.matrix_rank(Kx[:, :count], tol=1e-9) < Kx.shape[0]:
        if np.any(np.abs(Ku) > 1e-9):
            raise CircuitError("ideal voltage sources in a loop: give the source or the device a resistance")
        nodes = [n for n in nodal.nodes if np.any(np.abs(right[nodal.row[n]]) > 1e-6)]
        told = f"no path to ground from {', '.join(nodes) or 'part of the netlist'}"
        open_ = [e.name for e in nodal.elements if isinstance(e, Diode | Switch) and e.name not in on]
        if open_ and nodes:
            told += f" while {', '.join(open_)} {'do' if len(open_) > 1 else 'does'} not conduct; join "
            told += (
                f"{'one of these nodes' if len(nodes) > 1 else 'this node'} to ground by a resistor, such as 100 kohm"
            )
        raise CircuitError(told)


def _probe(nodal: NodalEquations, probe: str, solution: NDArray[np.float64], row: NDArray[np.float64]) -> None:
    """Write one probe in terms of states and inputs into its row (B,n+p), which is zero."""
    if probe in nodal.states:
        row[:, nodal.states.index(probe)] = 1.0
        return
    kind, _, rest = probe.partition("(")
    name = rest.rstrip(")")
    if kind == "v":
        for node, sign in zip(name.split(","), (1.0, -1.0), strict=False):
            if node != GROUND:
                row += sign * solution[:, nodal.row[node]]
    elif name in nodal.branch_row:
        row += solution[:, nodal.branch_row[name]]
    elif name in nodal.inputs:
        row[:, len(nodal.states) + nodal.inputs.index(name)] = 1.0
    else:
        raise CircuitError(f"no probe {probe!r}; states are {', '.join(nodal.states)}")
