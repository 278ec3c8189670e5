"""Tolerances: one number for both directions, or a pair of ends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, NamedTuple

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler, ValidationError
from pydantic_core import InitErrorDetails, core_schema

from loopdesign.case.fields.quantity import QuantityField
from loopdesign.errors import QuantityError
from loopdesign.units.quantities import exact_quantity, shown

if TYPE_CHECKING:
    from pydantic.json_schema import JsonSchemaValue

_SHARE_HINT = 'a share is written "20 %" or 0.2'
_BOTH = QuantityField("%", at_least=0, below=1, hint=_SHARE_HINT)
_LOWER = QuantityField("%", above=-1, at_most=0, hint='the lower end comes first, as in ["-20 %", "+80 %"]')
_UPPER = QuantityField("%", at_least=0, at_most=20, hint='the upper end comes second, as in ["-20 %", "+80 %"]')
_EXPECTED = 'a share such as "20 %" or a pair such as ["-20 %", "+80 %"]'


class Tolerance(NamedTuple):
    """Relative change of a value at the ends of its tolerance.

    Attributes
    ----------
    low
        At the lower end, above -1 and at most 0 [unitless].
    high
        At the upper end, at least 0 [unitless].
    """

    low: float
    high: float

    @classmethod
    def both(cls, share: float) -> Tolerance:
        """Return the tolerance that reaches equally far in both directions.

        Parameters
        ----------
        share : float
            Half its width, from 0 to below 1 [unitless].

        Returns
        -------
        Tolerance
            From -share to share.
        """
        return cls(-share, share)

    @property
    def even(self) -> bool:
        """Whether it reaches equally far in both directions."""
        return -self.low == self.high

    def __bool__(self) -> bool:
        """Tell whether the value varies at all."""
        return bool(self.low or self.high)

    def __str__(self) -> str:
        """Write it as a case file would: "20 %", or both ends with their signs."""
        if self.even:
            return exact_quantity(self.high, "%")
        return f"{exact_quantity(self.low, '%')} to +{exact_quantity(self.high, '%')}"


EXACT = Tolerance(0.0, 0.0)
"""The tolerance of a value that does not vary."""


@dataclass(frozen=True, slots=True)
class ToleranceField:
    """Metadata of a field that takes one share for both directions, or a pair of ends."""

    @property
    def expected(self) -> str:
        """What the field takes, for a message."""
        return _EXPECTED

    def read(self, value: object) -> Tolerance:
        """Read and check a tolerance.

        Parameters
        ----------
        value : object
            What the file holds.

        Returns
        -------
        Tolerance
            Both ends.

        Raises
        ------
        QuantityError
            The share is wrong, or the list is not a pair.
        ValidationError
            An end of the pair is wrong.
        """
        if isinstance(value, Tolerance):
            return value
        if isinstance(value, list | tuple):
            return _pair(list(value))
        try:
            return Tolerance.both(_BOTH.read(value) or 0.0)
        except QuantityError as error:
            hint = error.hint
            if error.problem.startswith("must be below"):
                hint = f"{_SHARE_HINT}; a value that may more than double takes a pair such as {_PAIR_EXAMPLE}"
            raise QuantityError(error.problem, found=error.found, expected=_EXPECTED, hint=hint) from None

    def __get_pydantic_core_schema__(self, _source: object, _handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        """Return the validator."""
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(
        self, _schema: core_schema.CoreSchema, _handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        """Return the JSON Schema: one share or two ends."""
        both, lower, upper = (end.__get_pydantic_json_schema__(_schema, _handler) for end in (_BOTH, _LOWER, _UPPER))
        pair = {"type": "array", "prefixItems": [lower, upper], "minItems": 2, "maxItems": 2}
        return {"anyOf": [both, pair], "description": _EXPECTED}


_PAIR_EXAMPLE = '["-50 %", "+150 %"]'


def _pair(ends: list[object]) -> Tolerance:
    """Read the two ends, both errors at once."""
    if len(ends) != 2:
        count = "an empty list" if not ends else f"a list of {len(ends)}"
        raise QuantityError("is not a pair", found=count, expected=_EXPECTED)
    numbers: list[float] = []
    errors: list[InitErrorDetails] = []
    for index, (end, field) in enumerate(zip(ends, (_LOWER, _UPPER), strict=True)):
        try:
            numbers.append(float(field.read(end) or 0.0))
        except QuantityError as error:
            told = QuantityError(error.problem, found=shown(end), expected=_EXPECTED, hint=error.hint)
            errors.append(InitErrorDetails(type="value_error", loc=(index,), input=end, ctx={"error": told}))
    if errors:
        raise ValidationError.from_exception_data("tolerance", errors)
    return Tolerance(*numbers)


PartTolerance = Annotated[Tolerance, ToleranceField()]
"""Spread of a part: one share for both directions, or a pair of ends [unitless]."""
