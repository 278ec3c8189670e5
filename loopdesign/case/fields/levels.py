"""Fields that hold the values at which the corners lie: a range, a list or one value."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Self

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler, ValidationError, model_validator
from pydantic_core import InitErrorDetails, core_schema

from loopdesign.case.fields.quantity import QuantityField, Section
from loopdesign.errors import QuantityError

if TYPE_CHECKING:
    from pydantic.json_schema import JsonSchemaValue

MOST_VALUES = 200
"""Most values of a list."""
COUPLING = QuantityField("", at_least=0, below=1, hint="k = 1 has no leakage; take the measured coupling, such as 0.98")
"""A magnetic coupling."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Values of one specified quantity at which the corners lie.

    Parameters
    ----------
    values : tuple of float
        Every listed value, or min, nominal and max without repetition.
    nominal : float
        The nominal value, or the middle one of a list.
    """

    values: tuple[float, ...]
    nominal: float

    @property
    def lowest(self) -> float:
        """The lowest value."""
        return min(self.values)

    @property
    def highest(self) -> float:
        """The highest value."""
        return max(self.values)


class Range(Section):
    """Base of a table with min and max, and nominal where the field has one."""

    def levels(self) -> Levels:
        """Return the values of the table.

        Returns
        -------
        Levels
            Min, nominal where there is one, and max, without repetition.
        """
        low, high = float(getattr(self, "min")), float(getattr(self, "max"))  # noqa: B009 - declared by the tables below
        middle = self.middle(low, high)
        ends_only = "nominal" not in type(self).model_fields
        return Levels(values=tuple(dict.fromkeys((low, high) if ends_only else (low, middle, high))), nominal=middle)

    def middle(self, low: float, high: float) -> float:
        """Return the nominal value, halfway from min to max unless given.

        Parameters
        ----------
        low, high : float
            Min and max.

        Returns
        -------
        float
            The nominal value.
        """
        nominal = getattr(self, "nominal", None)
        # halfway in decimal digits, as a person would write it: 0.15 and 1.2 give 0.675
        return min(max(float(f"{(low + high) / 2:.12g}"), low), high) if nominal is None else float(nominal)

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        """Refuse a range whose values are not in order."""
        given = {name: value for name in ("min", "nominal", "max") if (value := getattr(self, name, None)) is not None}
        for lower, upper in pairwise(given):
            if given[lower] > given[upper]:
                found = f"{lower} = {given[lower]:g}, {upper} = {given[upper]:g}"
                raise QuantityError(
                    f"{lower} is above {upper}", found=found, expected=" <= ".join(type(self).model_fields)
                )
        return self


class VoltageRange(Range):
    """Input voltage from min to max; nominal lies halfway unless given."""

    min: Annotated[float, QuantityField("V", above=0)]
    nominal: Annotated[float | None, QuantityField("V", above=0)] = None
    max: Annotated[float, QuantityField("V", above=0)]


class CurrentRange(Range):
    """Load current from min to max."""

    min: Annotated[float, QuantityField("A", at_least=0)]
    max: Annotated[float, QuantityField("A", above=0)]


class TemperatureRange(Range):
    """Temperature of the parts from min to max; nominal is 25 degC, or the end nearest to it, unless given."""

    min: Annotated[float, QuantityField("degC", above=-273.15)]
    nominal: Annotated[float | None, QuantityField("degC", above=-273.15)] = None
    max: Annotated[float, QuantityField("degC", above=-273.15)]

    def middle(self, low: float, high: float) -> float:
        """Return the nominal value, the value in the range that is nearest to 25 degC unless given.

        Parameters
        ----------
        low, high : float
            Min and max [degC].

        Returns
        -------
        float
            The nominal value [degC].
        """
        return min(max(25.0, low), high) if self.nominal is None else self.nominal


class CouplingRange(Range):
    """Magnetic coupling from min to max; nominal lies halfway unless given."""

    min: Annotated[float, COUPLING]
    nominal: Annotated[float | None, COUPLING] = None
    max: Annotated[float, COUPLING]

    @model_validator(mode="after")
    def _coupled(self) -> Self:
        """Refuse a range around no coupling: the windings then share no core."""
        if self.max > 0.0 and self.middle(self.min, self.max) == 0.0:
            raise QuantityError(
                "nominal must be above zero", found="nominal = 0", expected="coupled windings, or coupling = 0.0"
            )
        return self


@dataclass(frozen=True, slots=True)
class LevelsOf:
    """Metadata of a field that takes a range, a list of values or one value.

    Parameters
    ----------
    table : type of Range
        The table with min and max.
    each : QuantityField
        What one value must be.
    listed : bool
        Whether a list of values is allowed.
    """

    table: type[Range]
    each: QuantityField
    listed: bool = True

    def read(self, value: object) -> Levels:
        """Read a range, a list or one value.

        Parameters
        ----------
        value : object
            What the file holds.

        Returns
        -------
        Levels
            The values and the nominal one.

        Raises
        ------
        QuantityError
            The list is empty or too long, or the one value is wrong.
        ValidationError
            Something in the table or the list is wrong.
        """
        if isinstance(value, Levels):
            return value
        if isinstance(value, dict):
            return self.table.model_validate(value).levels()
        if not isinstance(value, list | tuple):
            value = [value]
            return self._read_list(value, place=False)
        keys = ", ".join(self.table.model_fields)
        if not self.listed:
            raise QuantityError("is a list", found="a list", expected=f"one value or a table with {keys}")
        if not value:
            raise QuantityError(
                "has no values", found="an empty list", expected=f"a list of values or a table with {keys}"
            )
        if len(value) > MOST_VALUES:
            raise QuantityError("has too many values", found=f"{len(value)} values", expected=f"at most {MOST_VALUES}")
        return self._read_list(list(value), place=True)

    def _read_list(self, entries: list[object], *, place: bool) -> Levels:
        """Read every entry of a list, all errors at once."""
        numbers: list[float] = []
        errors: list[InitErrorDetails] = []
        for index, entry in enumerate(entries):
            try:
                numbers.append(float(self.each.read(entry) or 0.0))
            except QuantityError as error:
                if not place:
                    raise
                errors.append(
                    InitErrorDetails(type="value_error", loc=(index,), input=entry, ctx={"error": error}),
                )
        if errors:
            raise ValidationError.from_exception_data("values", errors)
        numbers = list(dict.fromkeys(numbers))  # a value given twice is one corner
        return Levels(values=tuple(numbers), nominal=numbers[len(numbers) // 2])

    def __get_pydantic_core_schema__(self, _source: object, _handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        """Return the validator."""
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(
        self, _schema: core_schema.CoreSchema, _handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """Return the JSON Schema: a table, a list or one value."""
        one = self.each.__get_pydantic_json_schema__(_schema, _handler)
        keys = dict.fromkeys(self.table.model_fields, one)
        table = {
            "type": "object",
            "properties": keys,
            "required": [name for name, field in self.table.model_fields.items() if field.is_required()],
            "additionalProperties": False,
        }
        array = [{"type": "array", "items": one, "minItems": 1}] if self.listed else []
        return {"anyOf": [table, *array, one]}
