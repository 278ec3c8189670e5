"""The sequence that a converter with several rectifiers steps through from an orbit that its rectifiers do not keep."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.batch import take
from loopdesign.network.places import OFF, ON
from loopdesign.orbit.problem import pose
from loopdesign.orbit.search.follow import fixed_duty_stepper, recorded
from loopdesign.orbit.sequence import Edge, Sequence, joined_sequences
from loopdesign.orbit.stepping.devices import Devices

if TYPE_CHECKING:
    from loopdesign.network.converter import Converter
    from loopdesign.orbit.problem import OperatingPoint
    from loopdesign.orbit.stepping.devices import Segment

CYCLES = 6
"""Cycles after which the rectifiers have found their sequence around a state that hardly moves."""


def stepped_sequences(converter: Converter, point: OperatingPoint) -> Sequence:
    """Step a few cycles at the duty of each orbit and read the sequence of the last.

    Parameters
    ----------
    converter : Converter
        A batch (B,), its loop open.
    point : OperatingPoint
        Its orbits (B,), loop open or closed.

    Returns
    -------
    Sequence
        Intervals and edges (B, K) [periods]; the comparator opens the switch.

    Raises
    ------
    ConvergenceError
        Where devices chatter on the way.
    """
    return joined_sequences([_stepped(converter, point, k) for k in range(len(point))])


def _stepped(converter: Converter, point: OperatingPoint, item: int) -> Sequence:
    """Sequence of one item."""
    one = take(converter, np.array([item]), len(point))
    stepper = fixed_duty_stepper(one, pose(one, configurations=(ON, OFF)))
    duty = float(np.clip(point.duty[item], 1e-3, converter.max_duty))
    stepper.set_inputs(control=duty)
    x = point.start[item, [point.network.states.index(s) for s in stepper.states]]
    devices = Devices(switch=False, diode=converter.topology.devices.while_open)
    segments: list[Segment] = []
    for _ in range(CYCLES):
        segments = []
        cycle = stepper.cycle(x, devices, segments)
        x, devices = cycle.x, cycle.devices
    sequence = recorded(segments, opening=duty, stage=converter.topology.devices)
    edge = sequence.edge.copy()
    edge[0, int(np.argmax(edge[0] == Edge.CLOCK))] = Edge.COMPARATOR
    return Sequence(configuration=sequence.configuration, edge=edge, ends=sequence.ends)
