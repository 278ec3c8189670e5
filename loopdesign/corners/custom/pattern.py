"""Which rectifiers ordinarily conduct while the switch is closed and while it is open, found by following the stage.

The stage is followed edge by edge to its periodic orbit at nominal line and full load. What conducts there for a good
part of the time is the ordinary pattern; a clamp that takes over for an instant is not part of it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.places import closed_at
from loopdesign.orbit.search.duty import averaged_output, followed
from loopdesign.orbit.search.several import Ways, placed_start

if TYPE_CHECKING:
    from loopdesign.network.converter import Converter

GOOD_PART = 0.2
"""Share of the longest conduction in its part of the period from which a rectifier belongs to the pattern."""


def ordinary_pattern(converter: Converter) -> tuple[int, int]:
    """Find the rectifiers that ordinarily conduct while the controlled switch is closed, and while it is open.

    Parameters
    ----------
    converter : Converter
        A batch of one with its loop open, at nominal line and full load.

    Returns
    -------
    tuple of int
        Rectifiers as bits [unitless].

    Raises
    ------
    UnreachableOutputError
        Where no duty up to the largest reaches the output.
    ConvergenceError
        Where the converter does not come to repeat itself from period to period.
    """
    devices = converter.topology.devices
    plain = converter.plain()
    sequence = followed(plain, *placed_start(plain, Ways(averaged=averaged_output, followed=followed)))
    masks = []
    for closed in (True, False):
        time = np.zeros(len(devices.rectifiers))
        for place, length in zip(sequence.configuration[0], sequence.lengths[0], strict=True):
            if bool(closed_at(int(place))) == closed:
                time += [length * (devices.mask(int(place)) >> k & 1) for k in range(len(time))]
        part = sum(
            float(length) for place, length in zip(sequence.configuration[0], sequence.lengths[0], strict=True)
            if bool(closed_at(int(place))) == closed
        )  # fmt: skip
        least = GOOD_PART * (part if closed else max(float(time.max(initial=0.0)), 1e-12))
        masks.append(sum(1 << k for k, t in enumerate(time) if t > least))
    return masks[0], masks[1]
