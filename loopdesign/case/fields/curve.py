"""Curves: a list of points, each a list of quantities, the first of which rises from point to point."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler, ValidationError
from pydantic_core import InitErrorDetails, core_schema

from loopdesign.errors import QuantityError
from loopdesign.units.quantities import exact_quantity, shown
from loopdesign.units.symbols import UNITS

if TYPE_CHECKING:
    from pydantic.json_schema import JsonSchemaValue

    from loopdesign.case.fields.quantity import QuantityField

MOST_POINTS = 1000
"""Most points of a curve."""
_COUNTS = {2: "pairs", 3: "triples"}


@dataclass(frozen=True, slots=True)
class CurveField:
    """Metadata of a field that holds a curve.

    Parameters
    ----------
    columns : tuple of (str, QuantityField)
        What the entries of each point are: a word for the message, and the quantity.
    """

    columns: tuple[tuple[str, QuantityField], ...]

    @property
    def expected(self) -> str:
        """What the field takes, for a message."""
        words = ", ".join(word for word, _ in self.columns)
        return f"{_COUNTS[len(self.columns)]} [{words}]"

    def read(self, value: object) -> tuple[tuple[float, ...], ...] | None:
        """Read and check a curve.

        Parameters
        ----------
        value : object
            What the file holds, None where it holds nothing.

        Returns
        -------
        tuple of tuple of float, or None
            The points, in SI units.

        Raises
        ------
        QuantityError
            The value is not a list, has no points or too many, or its first column does not rise.
        ValidationError
            Something in a point is wrong.
        """
        if value is None:
            return None
        if not isinstance(value, list | tuple):
            raise QuantityError("is not a list", found=shown(value), expected=self.expected)
        if not value:
            raise QuantityError("has no points", found="an empty list", expected=self.expected)
        if len(value) > MOST_POINTS:
            raise QuantityError("has too many points", found=f"{len(value)} points", expected=f"at most {MOST_POINTS}")
        points: list[tuple[float, ...]] = []
        errors: list[InitErrorDetails] = []
        for index, entry in enumerate(value):
            points.append(self._point(index, entry, errors))
        if errors:
            raise ValidationError.from_exception_data("curve", errors)
        self._rising([point[0] for point in points])
        return tuple(points)

    def _point(self, index: int, entry: object, errors: list[InitErrorDetails]) -> tuple[float, ...]:
        """Read one point and note what is wrong with it."""
        count = len(self.columns)
        if not isinstance(entry, list | tuple) or len(entry) != count:
            listed = isinstance(entry, list | tuple)
            problem = "is not a list" if not listed else "has too many entries"
            problem = "has too few entries" if listed and len(entry) < count else problem  # type: ignore[arg-type]
            error = QuantityError(problem, found=shown(entry), expected=self.expected)
            errors.append(InitErrorDetails(type="value_error", loc=(index,), input=entry, ctx={"error": error}))
            return ()
        numbers = []
        for place, (part, (_, field)) in enumerate(zip(entry, self.columns, strict=True)):
            try:
                numbers.append(float(field.read(part) or 0.0))
            except QuantityError as error:
                errors.append(
                    InitErrorDetails(type="value_error", loc=(index, place), input=part, ctx={"error": error})
                )
        return tuple(numbers)

    def _rising(self, first: list[float]) -> None:
        """Refuse a curve whose first column does not rise."""
        if any(later <= earlier for earlier, later in pairwise(first)):
            word, field = self.columns[0]
            found = ", ".join(exact_quantity(value, field.unit) for value in first)
            raise QuantityError(f"must have increasing {word}s", found=found, expected=self.expected)

    def __get_pydantic_core_schema__(self, _source: object, _handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        """Return the validator."""
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(
        self, _schema: core_schema.CoreSchema, _handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """Return the JSON Schema: a list of points."""
        entries = [field.__get_pydantic_json_schema__(_schema, _handler) for _, field in self.columns]
        count = len(entries)
        point: dict[str, Any] = {"type": "array", "prefixItems": entries, "minItems": count, "maxItems": count}
        units = ", ".join(UNITS[field.unit].name for _, field in self.columns)
        return {"type": "array", "items": point, "minItems": 1, "description": f"{self.expected}: {units}"}
