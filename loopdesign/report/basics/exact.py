"""Values with all their digits, as the trade writes them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.units.quantities import exact_quantity

if TYPE_CHECKING:
    from loopdesign.case import Tolerance

_LETTERS = str.maketrans({"u": "µ"})


def exact_text(value: float, unit: str) -> str:
    """Write a value with as many digits as it has, µ and Ω as the trade writes them.

    Parameters
    ----------
    value
        In SI units.
    unit
        Symbol of its unit; empty for a ratio.

    Returns
    -------
    str
        Such as "4.02 kΩ".
    """
    if not unit:
        return f"{value!r}".removesuffix(".0")
    number, _, symbol = exact_quantity(value, unit).partition(" ")
    if symbol.startswith("u") and symbol != unit:
        symbol = symbol[:1].translate(_LETTERS) + symbol[1:]
    symbol = symbol.replace("ohm", "Ω").replace("/us", "/µs").replace("degC", "°C")
    return f"{number} {symbol}".rstrip()


def tolerance_text(value: Tolerance) -> str:
    """Write a tolerance with all its digits: "±20 %", both ends where they differ, or "none"."""
    if not value:
        return "none"
    if value.even:
        return f"±{exact_quantity(value.high, '%')}"
    return f"{exact_quantity(value.low, '%')} to +{exact_quantity(value.high, '%')}"
