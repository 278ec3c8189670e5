"""One clock period whose sequence of edges is known, for many states at once.

A pattern is what a period stepped from edge to edge did: which devices conducted one after the other, and what ended
each motion. `Periods` makes the same edges from K states, each at its own instants, with the derivative of the
end by the begin. Whether a period really takes that sequence is asked afterwards (`kept`): every guard that
could have tripped earlier, and every choice between devices, with the states at hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.orbit.stepping.abreast.motions import spread
from loopdesign.orbit.stepping.commutation import consistent_many, likely, moving
from loopdesign.orbit.stepping.devices import OPPOSITE, TRIPS, Cycle, Devices, Segment

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.orbit.stepping.cycle import CycleStepper
    from loopdesign.orbit.stepping.devices import Guard, Setting

    Array = NDArray[np.float64]
    Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """How devices are chosen at an edge: sets of rectifiers refused, and the one found.

    Each comes with the rectifier whose own edge it is if that moves in it, else -1, as `commutated` tries them. ``off``
    is the setting whose rectifier current decides where there is one rectifier, and ``projected`` says whether
    the state is brought onto a constraint.
    """

    refused: tuple[tuple[Setting, int], ...] = ()
    chosen: tuple[Setting, int] | None = None
    off: Setting | None = None
    conducts: bool = False
    projected: bool = False

    def kept(self, x: Array) -> Flags:
        """Whether the same choice is made (c,) at normalised states (c,n) [unitless]."""
        fine = np.ones(len(x), dtype=bool)
        if self.chosen is not None:
            fine &= consistent_many(self.chosen[0], x, self.chosen[1])
        for setting, moved in self.refused:
            fine &= ~consistent_many(setting, x, moved)
        if self.off is not None:
            piece = self.off.piece
            fine &= (x @ piece.rows[-2] + piece.offsets[-2] < 0.0) == self.conducts
        return fine


@dataclass(frozen=True, slots=True, kw_only=True)
class Leg:
    """One motion of a pattern.

    Attributes
    ----------
    devices, setting
        The devices, and their linear piece.
    entry
        What led to them.
    guard
        What ends it, by index; -1 where an instant does.
    instant
        Whether the guard is tripped from the start.
    heard
        Guards that are heard.
    fresh
        Guard that would undo the edge before; None where there is none.
    armed, opening
        Whether the comparators are heard; whether the turn-off is under way.
    spread
        What turns modes into the map of the motion.
    """

    devices: Devices
    setting: Setting
    entry: Entry
    guard: int
    instant: bool
    heard: int
    fresh: int | None
    armed: bool
    opening: bool
    spread: Array

    @property
    def trips(self) -> bool:
        """Whether a comparator ends it."""
        return self.guard >= 0 and self.armed and self.setting.guards[self.guard].action in TRIPS


class Pattern:
    """The sequence of one period.

    Parameters
    ----------
    stepper
        The converter.
    trace, cycle
        A period of it, stepped from edge to edge.
    """

    def __init__(self, stepper: CycleStepper, trace: list[Segment], cycle: Cycle) -> None:
        self.stepper, self.cycle = stepper, cycle
        self.skipped = cycle.ended == "skipped"
        self.clocked = stepper.clocked(trace[0].x, trace[0].devices)[1]
        on = stepper.setting(self.clocked)
        self.begin = self._commutated(trace[0].devices.set(switch=True, diode=stepper.stage.while_closed), self.clocked)
        self.usable = on.piece.good and all(stepper.setting(s.devices).piece.good for s in trace)
        self.legs = tuple(self._legs(trace)) if self.usable else ()

    def _legs(self, trace: list[Segment]) -> list[Leg]:
        """Read the legs of a trace."""
        stepper, legs = self.stepper, []
        theta, opening, undo = 0.0, False, None
        entry = Entry() if self.skipped else self.begin
        for segment, after in zip(trace, [*trace[1:], None], strict=True):
            devices, setting = segment.devices, stepper.setting(segment.devices)
            guards = setting.guards
            armed = bool(devices.switch and theta >= stepper.armed_at and not opening)
            heard = len(guards) if armed or not devices.switch else len(guards) - stepper.comparators
            legs.append(
                Leg(
                    devices=devices, setting=setting, entry=entry, guard=segment.guard, heard=heard, armed=armed,
                    instant=segment.guard >= 0 and segment.length == 0.0, opening=opening, spread=spread(setting.piece),
                    fresh=next((j for j, g in enumerate(guards[:heard]) if (g.action, g.value) == undo), None),
                )
            )  # fmt: skip
            if after is None:
                break
            guard = guards[segment.guard] if segment.guard >= 0 else None
            undo = None if guard is None or guard.action not in OPPOSITE else (OPPOSITE[guard.action], guard.value)
            entry = self._entry(devices, after.devices, None if undo is None else guard)
            opening = after.devices.switch and (opening or (guard is not None and guard.action in TRIPS))
            theta = segment.begin + segment.length
        return legs

    def _entry(self, before: Devices, after: Devices, moved: Guard | None) -> Entry:
        """Say what decides on the devices after an edge, or of a rectifier that moved."""
        stepper = self.stepper
        if before.switch and not after.switch:
            off = before.set(switch=False, diode=stepper.stage.while_open)
            if stepper.commutes:
                return self._commutated(off, after)
            if stepper.converter.synchronous:
                return Entry()
            return Entry(off=stepper.setting(off), conducts=bool(after.diode), projected=not after.diode)
        if moved is None:
            return Entry()
        if stepper.commutes:
            return self._commutated(before._replace(diode=before.diode ^ (1 << moved.value)), after, moved.value)
        return Entry(projected=not after.diode)

    def _commutated(self, guess: Devices, found: Devices, moved: int = -1) -> Entry:
        """List the sets that were tried before the one found."""
        stepper = self.stepper
        if not stepper.commutes:
            return Entry()
        refused = []
        for mask in likely(int(guess.diode), len(stepper.stage.rectifiers)):
            if mask == found.diode:
                break
            refused.append((stepper.setting(guess._replace(diode=mask)), moving(mask, guess, moved)))
        setting = stepper.setting(found)
        chosen = (setting, moving(int(found.diode), guess, moved))
        return Entry(refused=tuple(refused), chosen=chosen, projected=setting.constrained)
