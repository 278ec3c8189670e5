"""Quantities as engineers write them: "4.7 uF" in, "4.70 µF" out.

The field fixes the unit, so "10 mH" where a capacitance is wanted is an error that says so. A value is built from one
decimal string, so that "4.7 uF" equals 4.7e-6 exactly. "m" is milli and never mega; "M" and "meg" are mega.

Accepted: "4.7 uF" (both mu signs), "4.7u", "4n7", "4k7", "4R7", "10k", "1meg", "1e-6", "40 mV/us", "20 %", a
typographic minus, and plain numbers in SI units. Refused: NaN, infinity, commas, two units, booleans.

Results are SI, except that dB and deg stay as they are, degC stays degC, and "%" becomes a plain fraction.
"""

from __future__ import annotations

import math
import re
from decimal import ROUND_HALF_EVEN, Context, Decimal, DecimalException

from loopdesign.units.symbols import UNITS, canonical_unit, power_of_letter, power_of_unit, refusal

LONGEST_INTEGER = 1024
"""Longest whole number that a message repeats [bits]; no longer one fits a double."""
_PRINTED = {-15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T"}
_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_PLAIN = re.compile(rf"({_NUMBER})\s*(.*)")
_INFIX = re.compile(r"([+-]?\d+)([a-zA-Z])(\d+)\s*(\D*)")
_TRANSLATION = str.maketrans(
    {
        "\u00b5": "u",  # micro sign
        "\u03bc": "u",  # Greek mu
        "\u2212": "-",  # typographic minus, and the dashes that text programs put in its place
        "\u2013": "-",
        "\u2011": "-",
        "\u03a9": "ohm",  # Greek omega
        "\u2126": "ohm",  # ohm sign
    }
    | dict.fromkeys("\u00a0\u2009\u202f\t", " ")
)


def parse_quantity(value: object, unit: str) -> float:
    """Read one quantity.

    Parameters
    ----------
    value : str, int or float
        Text as an engineer writes it, or a plain number in SI units.
    unit : str
        Symbol of the unit the field asks for, a key of `UNITS`; "Ω" and "1" are taken for "ohm" and "".

    Returns
    -------
    float
        Value in SI units (dB, deg and degC as they are, "%" as a fraction, "ppm/K" per kelvin).

    Raises
    ------
    QuantityError
        The text is not a quantity, or has another dimension.

    Examples
    --------
    >>> parse_quantity("4.7 uF", "F")
    4.7e-06
    >>> parse_quantity("40 mV/us", "V/s")
    40000.0
    """
    unit = canonical_unit(unit)
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise refusal("is not a quantity", shown(value), unit)
    if not isinstance(value, str):
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            raise refusal("is not a finite number", shown(value), unit)
        return number
    number = float(_decimal(value, unit))
    if not math.isfinite(number):
        raise refusal("is too large", f'"{value}"', unit)
    return number


def parse_list(text: str, unit: str) -> tuple[float, ...]:
    """Read quantities separated by commas, as a command line gives them.

    Parameters
    ----------
    text : str
        For example "100,1k,10k".
    unit : str
        Symbol of the unit of every entry.

    Returns
    -------
    tuple of float
        Values in SI units.

    Raises
    ------
    QuantityError
        An entry cannot be read, or there is none.
    """
    entries = [entry.strip() for entry in text.split(",")]
    if not all(entries):
        raise refusal("has an empty entry", f'"{text}"', canonical_unit(unit))
    return tuple(parse_quantity(entry, unit) for entry in entries)


def format_quantity(value: float, unit: str, digits: int = 3, *, ascii_only: bool = False) -> str:
    """Write a quantity with an engineering prefix.

    Parameters
    ----------
    value : float
        Value in SI units, as `parse_quantity` returns it.
    unit : str
        Symbol of its unit, a key of `UNITS`.
    digits : int
        Significant digits, at least one; 17 always read back to the same value.
    ascii_only : bool
        Write u, ohm and deg in place of µ, Ω and °.

    Returns
    -------
    str
        For example "4.70 µF"; "infinite" and "undefined" for infinity and NaN.

    Examples
    --------
    >>> format_quantity(4.7e-6, "F", ascii_only=True)
    '4.70 uF'
    """
    unit = canonical_unit(unit)
    if math.isnan(value):
        return "undefined"
    if math.isinf(value):
        return "infinite" if value > 0 else "-infinite"
    exact = Decimal(repr(float(value)))
    if unit in {"%", "ppm/K", "dB", "deg", "degC", ""}:
        shift = {"%": 2, "ppm/K": 6}.get(unit, 0)
        text = f"{_significant(exact.scaleb(shift), digits)} {unit}".rstrip()
        if not ascii_only:
            text = text.replace(" degC", " °C").replace(" deg", "°")
        return text
    head, slash, tail = unit.partition("/")
    if tail == "s":  # the trade writes slopes per microsecond
        exact, tail = exact.scaleb(-6), "µs"
    mantissa, prefix = _engineering(exact, digits)
    text = f"{mantissa} {prefix}{head}{slash}{tail}"
    return text.replace("µ", "u") if ascii_only else text.replace("ohm", "Ω")


def hertz(value: float) -> str:
    """Write a frequency [Hz] in a sentence, with three digits and in plain ASCII: "1.65 kHz".

    Parameters
    ----------
    value : float
        Frequency [Hz].

    Returns
    -------
    str
        With an engineering prefix.
    """
    return format_quantity(value, "Hz", ascii_only=True)


def percent(share: float, digits: int = 2) -> str:
    """Write a share in percent with so many digits, without an exponent where it is large: "0.53 %", "234 %".

    Parameters
    ----------
    share : float
        The share [unitless].
    digits : int
        Significant digits; a larger whole number is written out.

    Returns
    -------
    str
        The number and its sign.
    """
    value = 100.0 * share
    return f"{value:.0f} %" if abs(value) >= 10.0**digits - 0.5 else f"{value:.{digits}g} %"


def exact_quantity(value: float, unit: str) -> str:
    """Write a quantity in ASCII with as few digits as read back to the same value.

    Parameters
    ----------
    value : float
        Finite value in SI units.
    unit : str
        Symbol of its unit.

    Returns
    -------
    str
        For example "12.1 kohm".
    """
    texts = (format_quantity(value, unit, digits, ascii_only=True) for digits in range(1, 18))
    return next((text for text in texts if parse_quantity(text, unit) == value), repr(float(value)))


def implausible(value: float, unit: str, plausible: tuple[float, float] | None = None) -> str | None:
    """Say why a value is hard to believe, such as a farad or a gigaohm.

    Parameters
    ----------
    value : float
        Value in SI units; zero is never implausible.
    unit : str
        Symbol of its unit.
    plausible : (float, float), optional
        Range of plausible sizes; that of the unit unless given [the unit itself].

    Returns
    -------
    str or None
        A sentence, or None for a plausible value.
    """
    kind = UNITS[canonical_unit(unit)]
    size = abs(value)
    low, high = plausible or (kind.low, kind.high)
    if size == 0.0 or low <= size <= high:
        return None
    which = "large" if size > high else "small"
    return (
        f"{format_quantity(value, unit)} is unusually {which} for {kind.name}; check the prefix (m is milli, M is mega)"
    )


def sensible_range(unit: str, plausible: tuple[float, float] | None = None) -> tuple[float, float]:
    """Return the range beyond which a value makes no sense at all, far beyond the plausible.

    Parameters
    ----------
    unit : str
        Symbol of the unit.
    plausible : (float, float), optional
        Range of plausible sizes; that of the unit unless given [the unit itself].

    Returns
    -------
    (float, float)
        Smallest and largest size of a value other than zero [the unit itself].
    """
    kind = UNITS[canonical_unit(unit)]
    low, high = plausible or (kind.low, kind.high)
    return low / kind.reach, high * kind.reach


def _decimal(text: str, unit: str) -> Decimal:
    """Read the text as one decimal number in the unit of the field."""
    clean = text.translate(_TRANSLATION).strip()
    shown = f'"{text}"'
    if "," in clean:
        raise refusal(
            "has a comma", shown, unit, "write the decimal point as a point and leave out thousands separators"
        )
    if infix := _INFIX.fullmatch(clean):
        whole, letter, fraction, rest = infix.groups()
        power = power_of_letter(letter, unit)
        if power is not None:
            power_of_unit(rest, shown, unit, allow_prefix=False)
            return _scaled(f"{whole}.{fraction}", power, shown, unit)
    plain = _PLAIN.fullmatch(clean)
    if plain is None:
        finite = not re.fullmatch(r"[+-]?(nan|inf|infinity)\s*.*", clean, re.IGNORECASE)
        raise refusal("is not a quantity" if finite else "is not a finite number", shown, unit)
    number, rest = plain.groups()
    return _scaled(number, power_of_unit(rest, shown, unit, allow_prefix=True), shown, unit)


def _scaled(number: str, power: int, shown: str, unit: str) -> Decimal:
    """Read a number as written and shift its decimal point."""
    try:
        return Decimal(number).scaleb(power)
    except DecimalException:
        raise refusal("is beyond what a number can hold", shown, unit) from None


def _significant(value: Decimal, digits: int) -> str:
    """Write a decimal number plainly with the given significant digits."""
    rounded = Context(prec=max(digits, 1), rounding=ROUND_HALF_EVEN).plus(value)
    if rounded == 0:
        return "0"
    if not -7 <= rounded.adjusted() <= 17:
        return f"{rounded:.{max(digits, 1) - 1}e}"
    places = max(digits - 1 - rounded.adjusted(), 0)
    return f"{rounded:.{places}f}"


def _engineering(value: Decimal, digits: int) -> tuple[str, str]:
    """Split a decimal number into its mantissa and prefix, rounding before the prefix is chosen."""
    rounded = Context(prec=max(digits, 1), rounding=ROUND_HALF_EVEN).plus(value)
    if rounded == 0:
        return "0", ""
    power = 3 * math.floor(rounded.adjusted() / 3)
    if power not in _PRINTED:
        return f"{rounded:.{max(digits, 1) - 1}e}", ""
    return _significant(rounded.scaleb(-power), digits), _PRINTED[power]


def shown(value: object) -> str:
    """Write a value of any type the way a case file has it, for a message.

    Parameters
    ----------
    value : object
        Anything a TOML file can hold.

    Returns
    -------
    str
        For example '"10 mH"', "true", "a list".
    """
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list | tuple):
        return "a list" if value else "an empty list"
    if isinstance(value, int) and value.bit_length() > LONGEST_INTEGER:
        return f"a whole number of {value.bit_length()} bits"
    return "nothing" if value is None else str(value)
