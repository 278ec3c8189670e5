"""Table [candidates]: parts that a size search may put in the place of those of the stage, each with price or size."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator

from loopdesign.case.fields import QuantityField, Section
from loopdesign.case.tables.parts import CapacitorEntry, Damper
from loopdesign.errors import QuantityError
from loopdesign.units.quantities import shown

MOST_CANDIDATES = 200
"""Most candidates in the place of one part."""
Weight = Literal["price", "size"]
"""Key by which candidates are weighed."""
WEIGHTS: tuple[Weight, ...] = ("price", "size")
"""The keys that say what a candidate costs."""
ENTRY_ONLY = ("name", *WEIGHTS)
"""Keys of a candidate that an entry of [stage] does not have."""

_Weighed = Annotated[float | None, QuantityField("", above=0)]


def _listed(value: object) -> object:
    """Refuse what is not a list of parts, an empty one, and one that is longer than anybody means."""
    expected = "[[candidates.Co]] above the keys of each part, a table for every candidate"
    if not isinstance(value, list | tuple):
        raise QuantityError("is not a list of candidates", found=shown(value), expected=expected)
    if not value:
        raise QuantityError("has no candidates", found="an empty list", expected=expected)
    if len(value) > MOST_CANDIDATES:
        raise QuantityError(
            "has too many candidates", found=f"{len(value)} candidates", expected=f"at most {MOST_CANDIDATES}"
        )
    return value


class CapacitorCandidate(CapacitorEntry):
    """A capacitor, or `count` equal ones in parallel, that may be fitted.

    Fields: those of a capacitor; price or size of all of it, a plain number [unitless]; name.
    """

    price: _Weighed = None
    size: _Weighed = None
    name: str = ""


class DamperCandidate(Damper):
    """A damper that may be fitted.

    Fields: those of a damper; price or size of both parts together, a plain number [unitless]; name.
    """

    price: _Weighed = None
    size: _Weighed = None
    name: str = ""


class Candidates(Section):
    """[candidates]: parts to choose from, by the designator in [stage] whose place they take.

    Fields: Co (in the place of the whole output bank), Cs, damper; each a list. Every candidate has a price, or every
    one a size.
    """

    Co: Annotated[tuple[CapacitorCandidate, ...], BeforeValidator(_listed)] = ()
    Cs: Annotated[tuple[CapacitorCandidate, ...], BeforeValidator(_listed)] = ()
    damper: Annotated[tuple[DamperCandidate, ...], BeforeValidator(_listed)] = ()

    @property
    def of(self) -> dict[str, tuple[CapacitorCandidate | DamperCandidate, ...]]:
        """Candidates by designator, only where there are any."""
        lists: dict[str, tuple[CapacitorCandidate | DamperCandidate, ...]]
        lists = {"Co": self.Co, "Cs": self.Cs, "damper": self.damper}
        return {name: entries for name, entries in lists.items() if entries}

    @property
    def weighed_by(self) -> Weight:
        """The key that every candidate has."""
        first = next((entry for entries in self.of.values() for entry in entries), None)
        return "size" if first is not None and first.size is not None else "price"
