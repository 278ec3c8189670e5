"""Places of the configurations: which devices conduct, as a number along a network's list of configurations.

A place says whether the controlled switch conducts, and which rectifiers do otherwise than they ordinarily do while it
does so. With one rectifier that conducts while the switch is open the places are `ON`, `OFF`, `IDLE` and `BOTH`; every
further rectifier doubles their number. Even places beyond the first two have the switch open, odd ones closed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

ON, OFF, IDLE, BOTH = 0, 1, 2, 3
"""Places with one rectifier: switch, rectifier, neither, both. The first two are the ordinary ones of any stage."""


def closed_at(place: Any) -> Any:  # noqa: ANN401  (a place, or an array of them)
    """Tell whether the controlled switch conducts at a place, or at each of an array of places."""
    return (place == ON) | ((place > OFF) & (place % 2 == 1))


def place_at(*, closed: bool, unlike: int) -> int:
    """Return the place of a switch state and of the rectifiers that do otherwise than ordinarily, as bits."""
    if not unlike:
        return ON if closed else OFF
    return 2 * unlike + (1 if closed else 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SwitchingDevices:
    """Switches and rectifiers of a stage.

    Attributes
    ----------
    switch
        Name of the controlled switch.
    sensed
        Name of the element whose current the comparator sees.
    followers, complements
        Switches that conduct with the controlled one, and those that conduct whenever it does not.
    rectifiers
        Names of the rectifiers, bit by bit from the lowest.
    while_closed, while_open
        Bits of the rectifiers that ordinarily conduct while the controlled switch is closed, and while it is open.
    """

    switch: str = "switch"
    sensed: str = "switch"
    followers: tuple[str, ...] = ()
    complements: tuple[str, ...] = ()
    rectifiers: tuple[str, ...] = ("diode",)
    while_closed: int = 0
    while_open: int = 1

    @property
    def plain(self) -> bool:
        """Whether there is the one switch and the one rectifier that conducts while the switch is open."""
        return len(self.rectifiers) <= 1 and not self.while_closed

    @property
    def places(self) -> int:
        """Number of places: every state of the switch with every set of rectifiers."""
        return 2 << max(len(self.rectifiers), 1)

    def mask(self, place: int) -> int:
        """Return the bits of the rectifiers that conduct at a place."""
        unlike = place >> 1 if place > OFF else 0
        return (self.while_closed if closed_at(place) else self.while_open) ^ unlike

    def place(self, *, closed: bool, mask: int) -> int:
        """Return the place at which the switch is as said and the rectifiers of the mask conduct."""
        return place_at(closed=closed, unlike=mask ^ (self.while_closed if closed else self.while_open))

    def conducting(self, place: int) -> frozenset[str]:
        """Return the names of the devices that conduct at a place."""
        return self.named(closed=closed_at(place), mask=self.mask(place))

    def named(self, *, closed: bool, mask: int) -> frozenset[str]:
        """Return the names of the devices that conduct with the switch as said and the rectifiers of the mask."""
        switches = (self.switch, *self.followers) if closed else self.complements
        return frozenset((*switches, *(n for k, n in enumerate(self.rectifiers) if mask >> k & 1)))

    def current(self, rectifier: int) -> str:
        """Return the probe of a rectifier's current [A]."""
        return "i(diode)" if rectifier == 0 else f"i({self.rectifiers[rectifier]})"

    def forward(self, rectifier: int) -> str:
        """Return the probe of a rectifier's voltage in its forward direction [V]."""
        return "v(forward)" if rectifier == 0 else f"v(forward {self.rectifiers[rectifier]})"

    @property
    def probes(self) -> tuple[str, ...]:
        """Probes of every rectifier but the first, which every network shows."""
        return tuple(p for k in range(1, len(self.rectifiers)) for p in (self.current(k), self.forward(k)))

    def changed(self, before: int, after: int, *, ends: bool) -> int:
        """Return the rectifier that stops, or starts, where one place follows another; the first where none does."""
        if len(self.rectifiers) <= 1:
            return 0
        had, has = self.mask(before), self.mask(after)
        moved = had & ~has if ends else has & ~had
        return (moved & -moved).bit_length() - 1 if moved else 0

    def rests(self, place: int) -> bool:
        """Whether, with the switch open, a rectifier that ordinarily conducts does not, and no other in its place."""
        return not closed_at(place) and self.resting(self.mask(place))

    def resting(self, mask: int) -> bool:
        """Whether, with the switch open, the rectifiers of a mask leave current to nobody that ordinarily carries it.

        A rectifier that ordinarily does not conduct, such as a clamp's, has then taken it over, and nothing rests.
        """
        return bool(self.while_open & ~mask) and not mask & ~self.while_open
