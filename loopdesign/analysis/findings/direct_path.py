"""The path through the LED resistor of an optocoupler alone: where it crosses over, and what resistor would lower it.

Fed from the output, the light source follows the output also where the regulator no longer does. What the network can
make is then ``C = K (1 + operational C)`` with ``K = transfer_ratio pull_up/led_resistance / (1 + i f/bandwidth)``: at
frequencies at which the regulator has no gain left, K is all there is, and no compensation part lowers it. Where the
loop gain of K alone still exceeds one above the crossover limit, only a larger LED resistor, a slower or weaker
optocoupler or a supply of its own for the LED helps.

The loop gain is the exact one, with an integrator in place of the network that is so slow that it has no gain there:
K passes the output's ripple to the comparator, which plant times compensator would leave out.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.findings.corner import corner_name
from loopdesign.analysis.grids import grid_with
from loopdesign.compensation.compensator import NetworkParts, ShuntOptocoupler
from loopdesign.compensation.netlist import compensator_netlist
from loopdesign.corners.controller import light_path, transfer_ratios
from loopdesign.corners.converters import amplifier, divider
from loopdesign.models.switched import linearise, loop_gain
from loopdesign.orbit.operating_point import operating_point
from loopdesign.units.preferred import between
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.corners.conditions import Corners
    from loopdesign.network.converter import Converter
    from loopdesign.orbit.problem import OperatingPoint

POINTS = 100
"""Grid on which the path is read; it falls smoothly, so that few points do."""
SLOW = NetworkParts(network="type I", C1=100e-6)
"""Network without gain at any crossover: 100 uF behind some kilohms cross below 1 Hz."""
FURTHEST = 2.5
"""Factor on the first estimate of the resistor, either way, within which the smallest that does is looked for."""


def direct_path_too_fast(
    case: cases.Case, conditions: Corners, converter: Converter, point: OperatingPoint, limit_hz: float
) -> tuple[str, ...]:
    """Say whether the path through the LED resistor alone crosses over above a limit, and what resistor would do.

    Parameters
    ----------
    case : Case
        The case.
    conditions : Corners
        Corners (B,).
    converter : Converter
        Its power stage there, loop open.
    point : OperatingPoint
        Its operating points.
    limit_hz : float
        Limit of the crossover [Hz].

    Returns
    -------
    tuple of str
        One sentence where it does, with the transfer ratio at its highest; nothing where it does not, or where the
        output does not feed an optocoupler.
    """
    if case.error_amplifier is None or not isinstance(feed := amplifier(case), ShuntOptocoupler):
        return ()
    if not feed.fed_from_output:
        return ()
    largest = transfer_ratios(case)[2]
    feed = replace(feed, transfer_ratio=largest)
    grid = grid_with(case.converter.switching_frequency, POINTS, np.array([limit_hz]))
    beyond = grid >= min(limit_hz, float(grid[-1]))

    def gain(path: ShuntOptocoupler, frequencies: NDArray[np.float64]) -> NDArray[np.float64]:
        closed = converter.closed(compensator_netlist(path, divider(case), SLOW))
        return np.asarray(np.abs(loop_gain(linearise(operating_point(closed, point.sequence)), frequencies)))

    path = gain(feed, grid)
    worst = int(np.argmax(path[:, beyond].max(axis=1)))
    if path[:, beyond].max() < 1.0:
        return ()
    highest = format_quantity(float(grid[np.flatnonzero(path[worst] >= 1.0)[-1]]), "Hz")
    told = (
        f"the path through the LED resistor alone keeps the loop gain above one up to about {highest} at "
        f"{corner_name(conditions, worst)} with a transfer ratio of {100 * largest:.3g} %, above the limit of "
        f"{format_quantity(limit_hz, 'Hz')}, and no compensation part lowers it"
    )
    needed = _resistor(lambda trial: float(gain(trial, grid[beyond]).max()), feed, float(path[:, beyond].max()))
    if needed is None:
        return (f"{told}; a supply of its own for the LED (led_supply) ends that path",)
    told += f"; with an LED resistor of {format_quantity(needed, 'ohm')} or more it would cross over below that"
    return (told + _conflict(case, float(point.trim.min()), needed),)


def _resistor(beyond: Callable[[ShuntOptocoupler], float], feed: ShuntOptocoupler, excess: float) -> float | None:
    """Smallest preferred LED resistor [ohm] with which the path has a gain below one beyond the limit."""
    # without ripple the gain would be inverse to the resistor: the ripple of a small one adds to its gain
    given = float(feed.led_resistance)
    for value in between("E24", given * max(1.0, excess / FURTHEST), given * FURTHEST * excess):
        trial = replace(feed, led_resistance=float(value))
        if beyond(trial) < 1.0:
            return float(value)
    return None


def _conflict(case: cases.Case, lowest: float, needed: float) -> str:
    """Say that a larger resistor would leave the optocoupler too weak, where it would."""
    path = light_path(case)
    if path is None or lowest >= path.pull_up_supply:
        return ""
    most = float(np.asarray(path.largest_led_resistance(transfer_ratios(case)[1], lowest)))
    if needed <= most:
        return ""
    return (
        f", but with more than {format_quantity(max(most, 0.0), 'ohm')} the optocoupler cannot pull the control "
        f"voltage down to {lowest:.3g} V as it must; a supply of its own for the LED (led_supply) ends that path"
    )
