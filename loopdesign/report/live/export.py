"""What the live page needs of a check, as plain JSON: the power stage at every nominal corner, solved and linearised.

The compensation network hangs on a buffer and reaches the stage through the comparator alone. Whatever its parts, the
average output fixes the instant at which the switch opens, and with it every waveform of the stage. So matrices, edges
and orbit of the stage travel as numbers, and the page closes the loop for any parts: the network's own states, the
control voltage, the slope at the trip, the map of a period, the loop gain.

Time counts in switching periods and states are normalised, as in `loopdesign.network.circuit`. A row is
``[states, constant, share of the load current]``.
"""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.case import PARTS_OF_NETWORK
from loopdesign.compensation.compensator import OperationalAmplifier, ShuntOptocoupler, TransconductanceAmplifier
from loopdesign.corners.controller import bounds
from loopdesign.corners.converters import amplifier, divider, network_parts
from loopdesign.network.places import closed_at
from loopdesign.orbit.augmented import Stepper
from loopdesign.orbit.sequence import Edge
from loopdesign.units.preferred import hundredths

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.analysis.check import CheckResult
    from loopdesign.orbit.holding import Bounds
    from loopdesign.orbit.problem import OperatingPoint

KINDS = {
    TransconductanceAmplifier: "transconductance",
    OperationalAmplifier: "operational",
    ShuntOptocoupler: "shunt optocoupler",
}
EDGES = {
    Edge.CLOCK: "clock",
    Edge.COMPARATOR: "comparator",
    Edge.DELAYED: "delayed",
    Edge.RECTIFIER_ENDS: "rectifier",
    Edge.RECTIFIER_STARTS: "rectifier",
}


def live_data(found: CheckResult) -> dict[str, Any] | None:
    """Gather what the page needs to evaluate any compensation parts at every nominal corner.

    Parameters
    ----------
    found
        A check of a case.

    Returns
    -------
    dict or None
        Plain numbers, lists and words, in SI units unless said otherwise; None where the case has no loop.
    """
    if found.closed_loop is None:
        return None
    case, step = found.case, found.case.specification.load_step
    parts = network_parts(case, found.parts)
    return {
        "switching_frequency": float(case.converter.switching_frequency),
        "network": parts.network,
        "parts": {name: float(found.parts.get(name, 0.0)) for name in PARTS_OF_NETWORK[parts.network]},
        "series": {"R": _series(case.targets.resistor_series), "C": _series(case.targets.capacitor_series)},
        "amplifier": _amplifier(found),
        "divider": {f.name: _number(getattr(divider(case), f.name)) for f in fields(divider(case))},
        "limits": [
            {"name": x.name, "words": x.words, "reading": x.reading, "value": float(x.value), "unit": x.unit,
             "is_highest": x.is_highest, "source": x.source}
            for x in found.limits.rows
        ],
        "step_limit": found.limits.step_deviation is not None,
        "ripple_limit": found.limits.output_ripple is not None,
        "first_corner": _first_corner(found),
        "load_step": None if step is None else {"from": float(step.from_), "to": float(step.to)},
        "corners": [_corner(found, item) for item in range(len(found.conditions))],
    }  # fmt: skip


def _series(name: str) -> dict[str, Any]:
    """One decade of preferred values, in hundredths."""
    return {"name": name, "decade": list(hundredths(name))}


def _first_corner(found: CheckResult) -> int:
    """Corner to look at first: unstable ones before stable ones, then the least phase margin."""

    def rank(item: int) -> tuple[bool, float]:
        margin = found.margins[item].phase_margin_deg
        return found.verdicts[item].stable, 180.0 if margin is None else margin

    return min(range(len(found.verdicts)), key=rank)


def _amplifier(found: CheckResult) -> dict[str, Any]:
    """Return the error amplifier at the nominal temperature, which all nominal corners share."""
    given = amplifier(found.case, found.conditions)
    values = {f.name: getattr(given, f.name) for f in fields(given)}
    plain = {name: value if isinstance(value, bool) else _number(value) for name, value in values.items()}
    return {"kind": KINDS[type(given)], **plain}


def _number(value: float | NDArray[np.float64] | None) -> float | None:
    """First item of a value that all corners share; None where it is infinite or absent."""
    if value is None:
        return None
    first = float(np.ravel(value)[0])
    return first if np.isfinite(first) else None


def _corner(found: CheckResult, item: int) -> dict[str, Any]:
    point = found.stage.point.take(np.array([item]))
    stepper, edges = Stepper(point.problem), point.sequence.edge[0]
    ends = point.sequence.ends[0]
    count = 1 + int(np.argmax(ends >= 1.0))
    used = sorted({int(c) for c in point.sequence.configuration[0, :count]})
    intervals = [
        {
            "configuration": used.index(int(point.sequence.configuration[0, k])),
            "length": float(point.lengths[0, k]),
            "edge": EDGES[int(edges[k])],
            "row": _edge_row(stepper, point, k),
        }
        for k in range(count)
    ]
    conditions = found.conditions
    return {
        "input_voltage": float(conditions.input_voltage[item]),
        "load_current": float(conditions.load_current[item]),
        "mode": "DCM" if bool(point.discontinuous[0]) else "CCM",
        "duty": float(point.duty[0]),
        "current_loop_stable": found.verdicts[item].current_loop_stable,
        "current_loop_fails": found.verdicts[item].current_loop_worst_mode.beyond_the_loop,
        "regime": found.verdicts[item].regime,
        "states": list(point.network.states),
        "start": point.start[0].tolist(),
        "ramp": float(point.problem.threshold.ramp[0]),
        **_bounds(bounds(found.case, conditions), item),
        "configurations": [_configuration(point, c) for c in used],
        "intervals": intervals,
    }


def _bounds(limits: Bounds, item: int) -> dict[str, Any]:
    """Bounds of the controller at one corner [V], and the instant from which the comparator is heard [periods]."""

    def here(value: float | NDArray[np.float64] | None) -> float | None:
        return None if value is None else float(np.ravel(value)[item if np.ndim(value) else 0])

    return {
        "lowest": here(limits.lowest),
        "highest": here(limits.highest),
        "current_limit": here(limits.current_limit),
        "pull_up": None if limits.pull_up is None else [here(x) for x in limits.pull_up],
        "armed": float(limits.armed),
    }


def _configuration(point: OperatingPoint, k: int) -> dict[str, Any]:
    """Matrices of one set of conducting devices, with the constant inputs multiplied in."""
    network, load = point.network, point.network.input_index("load")
    c = network.configurations[k]

    def row(state: NDArray[np.float64], inputs: NDArray[np.float64]) -> list[float]:
        return [*state[0].tolist(), float(inputs[0] @ point.inputs[0]), float(inputs[0, load])]

    def probe(name: str) -> list[float]:
        out = network.output_index(name)
        return row(c.C[:, out], c.D[:, out])

    th = point.problem.thresholds.get(k) if closed_at(k) else None
    return {
        "A": c.A[0].tolist(),
        "drive": (c.B[0] @ point.inputs[0]).tolist(),
        "load": c.B[0, :, load].tolist(),
        "regulated": probe("v(regulated)"),
        "output": probe("v(out)"),
        "sensed": None if th is None else row(th.sensed_state, th.sensed_input),
    }


def _edge_row(stepper: Stepper, point: OperatingPoint, k: int) -> list[float] | None:
    """Row over ``[states, constant, load]`` whose zero is the rectifier's edge; None for any other."""
    kind, configuration = int(point.sequence.edge[0, k]), int(point.sequence.configuration[0, k])
    if kind not in (Edge.RECTIFIER_ENDS, Edge.RECTIFIER_STARTS):
        return None
    devices, ends = point.problem.devices, kind == Edge.RECTIFIER_ENDS
    rectifier = devices.changed(configuration, int(point.sequence.configuration[0, k + 1]), ends=ends)
    name = devices.current(rectifier) if ends else devices.forward(rectifier)
    network = point.network
    c, probe = network.configurations[configuration], network.output_index(name)
    load = float(c.D[0, probe, network.input_index("load")])
    return [*c.C[0, probe].tolist(), float(stepper.probe(name, configuration)[0, stepper.n + 1]), load]
