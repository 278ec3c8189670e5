"""The sequence that a converter with several rectifiers steps through, from near its orbit."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.places import OFF, ON
from loopdesign.orbit.problem import pose
from loopdesign.orbit.search.follow import fixed_duty_stepper, recorded
from loopdesign.orbit.sequence import Edge, Sequence
from loopdesign.orbit.stepping.devices import Devices

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from loopdesign.network.converter import Converter
    from loopdesign.orbit.stepping.devices import Segment

CYCLES = 6
"""Cycles after which the rectifiers have found their sequence around a state that hardly moves."""


def stepped_at(
    converter: Converter, duty: float, start: Mapping[str, float], cycles: int = CYCLES, *, held: Collection[str] = ()
) -> Sequence:
    """Step a few cycles at a given duty and read the sequence of the last.

    Parameters
    ----------
    converter : Converter
        A batch of one, its loop open.
    duty : float
        On-time [periods].
    start : mapping of str to float
        Normalised states at the clock, by name [unitless]; others begin at zero.
    cycles : int
        How many cycles [unitless].
    held : collection of str
        States put back to their start at every clock, so that only the others settle.

    Returns
    -------
    Sequence
        A batch of one [periods]; the comparator opens the switch.

    Raises
    ------
    ConvergenceError
        Where devices chatter on the way.
    """
    stepper = fixed_duty_stepper(converter, pose(converter, configurations=(ON, OFF)))
    stepper.set_inputs(control=duty)
    x = np.array([start.get(s, 0.0) for s in stepper.states])
    devices = Devices(switch=False, diode=converter.topology.devices.while_open)
    segments: list[Segment] = []
    kept = np.array([s in held for s in stepper.states])
    for _ in range(cycles):
        segments = []
        cycle = stepper.cycle(x, devices, segments)
        x, devices = np.where(kept, x, cycle.x), cycle.devices
    sequence = recorded(segments, opening=duty, stage=converter.topology.devices)
    edge = sequence.edge.copy()
    edge[0, int(np.argmax(edge[0] == Edge.CLOCK))] = Edge.COMPARATOR
    return Sequence(configuration=sequence.configuration, edge=edge, ends=sequence.ends)
