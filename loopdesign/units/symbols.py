"""Units that a field can ask for, and how their symbols and prefixes are written."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from loopdesign.errors import QuantityError

_PREFIXES = {"f": -15, "p": -12, "n": -9, "u": -6, "m": -3, "": 0, "k": 3, "K": 3, "M": 6, "meg": 6, "G": 9, "T": 12}


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One unit that a field can ask for.

    Parameters
    ----------
    name : str
        What it measures, with its article: "a capacitance".
    example : str
        How a value is written.
    low, high : float
        Range outside which a value is thought implausible [the unit itself].
    reach : float
        Factor beyond that range at which a value makes no sense at all [unitless].
    """

    name: str
    example: str
    low: float = 0.0
    high: float = math.inf
    reach: float = 1e4

    @property
    def expected(self) -> str:
        """What a field of this unit takes, for a message."""
        return f'{self.name} such as "{self.example}"' if " " in self.example else f"{self.name} such as {self.example}"


UNITS: dict[str, Unit] = {
    "V": Unit(name="a voltage", example="12 V", low=1e-6, high=20e3),
    "A": Unit(name="a current", example="1.5 A", low=1e-9, high=5e3),
    "ohm": Unit(name="a resistance", example="12 kohm", low=1e-6, high=500e6),
    "F": Unit(name="a capacitance", example="10 uF", low=0.1e-12, high=0.1),
    "H": Unit(name="an inductance", example="22 uH", low=1e-9, high=1.0),
    "Hz": Unit(name="a frequency", example="330 kHz", low=1e-3, high=1e9),
    "s": Unit(name="a time", example="100 ns", low=1e-12, high=1e3),
    "K": Unit(name="a temperature difference", example="40 K", high=1e3),
    "degC": Unit(name="a temperature", example="85 degC", high=400.0, reach=2.5),
    "S": Unit(name="a transconductance", example="1 mS", low=1e-9, high=100.0),
    "W": Unit(name="a power", example="15 W", high=1e6),
    "V/A": Unit(name="a sense gain in volts per ampere", example="60 mV/A", low=1e-6, high=1e3),
    "V/s": Unit(name="a slope in volts per second", example="40 mV/us", high=1e12),
    "A/s": Unit(name="a slope in amperes per second", example="1 A/us", high=1e12),
    "V/K": Unit(name="a change of voltage per kelvin", example="-2 mV/K", high=1.0),
    "%": Unit(name="a share", example="20 %", high=100.0),
    "dB": Unit(name="a ratio in decibels", example="10 dB", high=200.0, reach=2.0),
    "deg": Unit(name="an angle", example="55 deg"),
    "ppm/K": Unit(name="a temperature coefficient", example="3900 ppm/K", high=0.02, reach=50.0),
    "": Unit(name="a plain number", example="0.9"),
}
"""Units a field can ask for, by their symbols."""
_ALIASES = {"ohms": "ohm", "Ohm": "ohm", "Ohms": "ohm", "OHM": "ohm", "hz": "Hz", "HZ": "Hz", "Sec": "s", "sec": "s"}
_PREFIXED = ("V", "A", "ohm", "F", "H", "Hz", "s", "S", "W", "K", *_ALIASES)
_FIXED = {"%": (-2, "%"), "ppm": (-6, "%"), "dB": (0, "dB"), "db": (0, "dB"), "deg": (0, "deg"), "°": (0, "deg")}
_FIXED |= dict.fromkeys(("degC", "°C", "C"), (0, "degC"))
_SYMBOLS: dict[str, tuple[int, str]] = {
    prefix + symbol: (power, _ALIASES.get(symbol, symbol))
    for prefix, power in _PREFIXES.items()
    for symbol in _PREFIXED
} | _FIXED
_RATIOS = {("V", "A"): "V/A", ("V", "s"): "V/s", ("A", "s"): "A/s", ("A", "V"): "S"}
_RATIOS |= dict.fromkeys((("%", "K"), ("%", "degC")), "ppm/K") | dict.fromkeys((("V", "K"), ("V", "degC")), "V/K")
_DIRECT = re.compile(r"^(.*[VA])\s?(?:dc|DC)$")
"""A direct voltage or current: every one here is, so that nothing need be said."""
_UNDECIDED = {"mhz": ("MHz", "mHz"), "mHZ": ("MHz", "mHz"), "mf": ("uF", "mF"), "mw": ("MW", "mW")}
"""Symbols that people write for either of two."""
_CAPITALS = {"U": "u", "N": "n", "P": "p"}
"""Prefixes that have no meaning of their own as capitals."""
# Fields of the first unit also take a value written in the second: the two are the same thing under two names.
_SAME = {("V/A", "ohm"), ("ohm", "V/A"), ("", "%"), ("degC", "K"), ("K", "degC")}


def canonical_unit(unit: str) -> str:
    """Return the key of `UNITS` for a unit symbol.

    Parameters
    ----------
    unit : str
        A symbol, either spelling of ohm, or "1" for a plain number.

    Returns
    -------
    str
        Key of `UNITS`.

    Raises
    ------
    QuantityError
        No such unit is known.
    """
    unit = {"\u03a9": "ohm", "\u2126": "ohm", "1": "", "1/K": "ppm/K"}.get(unit, unit)
    if unit not in UNITS:
        raise QuantityError("is not a known unit", found=f'"{unit}"', expected=", ".join(UNITS))
    return unit


def power_of_letter(letter: str, unit: str) -> int | None:
    """Return the power of ten of a letter that stands for the decimal point, as in 4n7, 4R7 and 3V3."""
    if letter == unit or (letter == "R" and unit in {"ohm", "V/A"}):
        return 0
    return _PREFIXES.get(letter)


def power_of_unit(rest: str, shown: str, unit: str, *, allow_prefix: bool) -> int:
    """Return the power of ten that the text after the number stands for, once it fits the unit of the field."""
    if not rest:
        return 0
    if allow_prefix and (rest in _PREFIXES or rest.lower() == "meg") and rest != unit:
        return _PREFIXES.get(rest, 6)
    if rest == "R" and unit == "ohm":
        return 0
    symbol = _DIRECT.sub(r"\1", re.sub(r"\s*/\s*", "/", rest))
    if symbol in _UNDECIDED:
        one, other = _UNDECIDED[symbol]
        raise refusal(f'may mean "{one}" or "{other}"', shown, unit, "write the one that is meant")
    known = _lookup(symbol) or _lookup("/".join(_recased(part) for part in symbol.split("/")))
    if known is None:
        several = re.search(r"\d", rest) or " " in rest
        raise refusal("has more than one number or unit" if several else f'has an unknown unit ("{rest}")', shown, unit)
    power, dimension = known
    if dimension != unit and (unit, dimension) not in _SAME:
        raise refusal(f"is {UNITS[dimension].name}", shown, unit)
    return power


def _recased(symbol: str) -> str:
    """Write the unit of one symbol in its own letter case, where its prefix leaves no doubt: uh, 10 UF, mv."""
    if symbol in _SYMBOLS:
        return symbol
    for base in ("V", "A", "ohm", "F", "H", "Hz", "S", "W"):
        prefix = symbol[: -len(base)] if symbol.lower().endswith(base.lower()) else None
        if prefix is not None and (prefix in _PREFIXES or prefix in _CAPITALS):
            return _CAPITALS.get(prefix, prefix) + base
    return symbol


def _lookup(symbol: str) -> tuple[int, str] | None:
    """Return the power of ten and the dimension of a unit as written, None for an unknown one."""
    if symbol[:3].lower() == "meg" and symbol[3:] in _PREFIXED:
        symbol = "meg" + symbol[3:]
    if symbol in _SYMBOLS:
        return _SYMBOLS[symbol]
    head, slash, tail = symbol.partition("/")
    if not slash or head not in _SYMBOLS or tail not in _SYMBOLS:
        return None
    (above, upper), (below, lower) = _SYMBOLS[head], _SYMBOLS[tail]
    dimension = _RATIOS.get((upper, lower))
    return None if dimension is None else (above - below, dimension)


def refusal(problem: str, found: str, unit: str, hint: str = "") -> QuantityError:
    """Build the error for a field of the given unit."""
    return QuantityError(problem, found=found, expected=UNITS[unit].expected, hint=hint)
