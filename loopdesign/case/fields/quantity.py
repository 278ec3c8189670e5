"""Base of every table, and fields that hold one quantity with its bounds."""

from __future__ import annotations

import math
import operator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import core_schema

from loopdesign.errors import QuantityError
from loopdesign.units.quantities import exact_quantity, format_quantity, parse_quantity, sensible_range, shown
from loopdesign.units.symbols import UNITS

if TYPE_CHECKING:
    from collections.abc import Callable

    from pydantic.json_schema import JsonSchemaValue


class Section(BaseModel):
    """Base of every table of the case file: frozen, and no key beyond the known ones."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)


@dataclass(frozen=True, slots=True)
class QuantityField:
    """Metadata of a field that holds one quantity.

    Parameters
    ----------
    unit : str
        Symbol of its unit, a key of `loopdesign.units.quantities.UNITS`.
    above, at_least, below, at_most : float or None
        Bounds [the unit itself].
    words : tuple of (str, float or None)
        Words allowed in place of a quantity, and what they stand for: ``(("none", 0.0),)``.
    hint : str
        What to do when a bound is broken.
    plausible : (float, float) or None
        Range of sizes in which values of this field are found; that of the unit unless given [the unit itself].
    """

    unit: str
    above: float | None = None
    at_least: float | None = None
    below: float | None = None
    at_most: float | None = None
    words: tuple[tuple[str, float | None], ...] = ()
    hint: str = ""
    plausible: tuple[float, float] | None = None

    @property
    def expected(self) -> str:
        """What the field takes, for a message."""
        kind = UNITS[self.unit]
        return " or ".join([kind.expected, *(f'"{word}"' for word, _ in self.words)])

    def read(self, value: object) -> float | None:
        """Read and check one value.

        Parameters
        ----------
        value : object
            What the file holds.

        Returns
        -------
        float or None
            Value in SI units, or what a word stands for.

        Raises
        ------
        QuantityError
            The value is not a quantity of this unit, breaks a bound, or is far beyond what is plausible.
        """
        if isinstance(value, str):
            for word, meaning in self.words:
                if value.strip().lower() == word:
                    return meaning
        try:
            number = parse_quantity(value, self.unit)
        except QuantityError as error:
            raise QuantityError(error.problem, found=error.found, expected=self.expected, hint=error.hint) from None
        self._refuse_out_of_bounds(number, value)
        self._refuse_nonsense(number, value)
        return number

    def _refuse_out_of_bounds(self, number: float, value: object) -> None:
        """Refuse a number that breaks a bound."""
        bounds: tuple[tuple[float | None, str, Callable[[float, float], bool]], ...] = (
            (self.above, "above", operator.gt),
            (self.at_least, "at least", operator.ge),
            (self.below, "below", operator.lt),
            (self.at_most, "at most", operator.le),
        )
        for bound, words, fits in bounds:
            if bound is not None and not fits(number, bound):
                limit = "zero" if bound == 0 else exact_quantity(bound, self.unit)
                raise QuantityError(
                    f"must be {words} {limit}", found=shown(value), expected=self.expected, hint=self.hint
                )

    def _refuse_nonsense(self, number: float, value: object) -> None:
        """Refuse a number that can only be a slip, and with which the arithmetic would lead nowhere."""
        least, most = sensible_range(self.unit, self.plausible)
        if number == 0.0 or least <= abs(number) <= most:
            return
        raise QuantityError(
            f"is far too {'large' if abs(number) > most else 'small'}",
            found=shown(value),
            expected=f"{self.expected}, {self._between(least, most)}",
            hint="check the prefix (m is milli, M is mega)",
        )

    def _between(self, least: float, most: float) -> str:
        """Name the range of sense."""
        words = [f"at least {format_quantity(least, self.unit)}" if least else ""]
        words.append(f"at most {format_quantity(most, self.unit)}" if math.isfinite(most) else "")
        return " and ".join(filter(None, words))

    def __get_pydantic_core_schema__(self, _source: object, _handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        """Return the validator."""
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(
        self, _schema: core_schema.CoreSchema, _handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """Return the JSON Schema: a string with a unit, or a plain SI number."""
        number: dict[str, Any] = {"type": "number"}
        names = ("exclusiveMinimum", "minimum", "exclusiveMaximum", "maximum")
        bounds = zip(names, (self.above, self.at_least, self.below, self.at_most), strict=True)
        number |= {name: bound for name, bound in bounds if bound is not None}
        si = "plain numbers are SI" if self.unit not in {"dB", "deg", "degC", ""} else "plain numbers are in this unit"
        return {"anyOf": [{"type": "string"}, number], "description": f"{self.expected}; {si}"}


Resistance = Annotated[float, QuantityField("ohm", at_least=0)]
"""A resistance that may be zero [ohm]."""

TemperatureCoefficient = Annotated[float, QuantityField("ppm/K")]
"""Relative change of a resistance per kelvin, from 25 degC [1/K]."""
