"""Which rectifiers ordinarily conduct while the switch is closed and while it is open, found from the stage's orbit.

At nominal line and full load its periodic orbit is looked for as if every rectifier conducted while the switch is open.
Where that does not lead to one, the stage is followed edge by edge. What conducts in the orbit for a good part of the
time is the ordinary pattern; a clamp that takes over for an instant is not part of it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.corners.custom.elements import custom_topology
from loopdesign.errors import CaseError, Fault
from loopdesign.network.batch import occurring
from loopdesign.network.places import closed_at
from loopdesign.orbit.search.duty import followed, found_sequence, ways
from loopdesign.orbit.search.several import placed_start, put_right

if TYPE_CHECKING:
    from collections.abc import Callable

    from loopdesign import case as cases
    from loopdesign.corners.conditions import Corners
    from loopdesign.network.converter import Converter
    from loopdesign.network.topologies.base import Topology
    from loopdesign.orbit.sequence import Sequence

GOOD_PART = 0.2
"""Share of the longest conduction in its part of the period from which a rectifier belongs to the pattern."""


def followed_topology(
    case: cases.Case,
    stage: cases.CustomStage,
    build: Callable[[Corners, Topology], Converter],
    nominal: Corners,
    every: Corners,
) -> Topology:
    """Follow a stage with several rectifiers and state its topology.

    Parameters
    ----------
    case : Case
        The case.
    stage : CustomStage
        Its stage.
    build : callable
        From corners and a topology to the converter with its loop open.
    nominal : Corners
        Nominal line and full load, a batch of one.
    every : Corners
        Every nominal corner.

    Returns
    -------
    Topology
        With the rectifiers that ordinarily conduct while the switch is closed and while it is open.

    Raises
    ------
    CaseError
        Where a rectifier never conducts, at any corner.
    UnreachableOutputError
        Where no duty up to the largest reaches the output.
    ConvergenceError
        Where the converter does not come to repeat itself from period to period.
    """
    count = len(stage.rectifiers)
    plain = build(nominal, custom_topology(stage, 0, (1 << count) - 1)).plain()
    found = put_right(plain, ways())
    sequence = followed(plain, *placed_start(plain, ways())) if found is None else found
    topology = custom_topology(stage, *_ordinary(sequence, plain))
    seen = _conducting(sequence, plain)
    if seen != (1 << count) - 1:
        others = build(every, topology).plain()
        seen |= _conducting(found_sequence(others), others)
    faults = [_never(case, r.name) for k, r in enumerate(stage.rectifiers) if not seen >> k & 1]
    if faults:
        raise CaseError(faults)
    return topology


def _never(case: cases.Case, name: str) -> Fault:
    """Say that a rectifier never conducts."""
    key = f"stage.{name}"
    place = case.place(key)
    return Fault(
        file=case.source,
        line=None if place is None else place[0],
        column=None if place is None else place[1],
        key=key,
        message=f"{name} never conducts",
        found="no current through it at any input voltage and load",
        expected="a rectifier that carries current in some part of the period",
        hint="it conducts from its first node to its second; are they in order?",
    )


def _conducting(sequence: Sequence, converter: Converter) -> int:
    """Rectifiers that conduct in some interval of some item, as bits."""
    used = occurring(sequence.configuration[sequence.lengths > 0.0])
    return int(np.bitwise_or.reduce([converter.topology.devices.mask(int(k)) for k in used]))


def _ordinary(sequence: Sequence, converter: Converter) -> tuple[int, int]:
    """Rectifiers that conduct for a good part of the time the switch is closed, and while it is open, as bits."""
    devices = converter.topology.devices
    masks = []
    for closed in (True, False):
        places = zip(sequence.configuration[0], sequence.lengths[0], strict=True)
        parts = [(int(p), float(t)) for p, t in places if bool(closed_at(int(p))) == closed]
        time = [sum(t for p, t in parts if devices.mask(p) >> k & 1) for k in range(len(devices.rectifiers))]
        longest = sum(t for _, t in parts) if closed else max(time, default=0.0)
        masks.append(sum(1 << k for k, t in enumerate(time) if t > GOOD_PART * longest))
    return masks[0], masks[1]
