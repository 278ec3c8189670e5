"""The operating point of a measurement: as given, else by the file's own words, else the case's nominal one."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

from loopdesign.analysis.given import read_quantity
from loopdesign.errors import DataError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from loopdesign import case as cases

Origin: TypeAlias = Literal["given", "from the file", "nominal"]
_VALUE = r"\s*(?:\([^)]*\))?\s*[:=;,\t ]*\s*(\d+(?:[.,]\d+)?)\s*([mk]?)\s*"
_VOLTAGE = re.compile(
    r"(?<![a-z])(?:v[_ ]?in(?:put)?|u[_ ]?(?:in|e)|input[_ ]voltage|line[_ ]voltage|eingangsspannung|tension d.entree"
    r"|tension d.entrée|tensi[oó]n de entrada|tensione d.ingresso|входное напряжение|入力電圧|输入电压)"
    + _VALUE
    + r"v",
    re.IGNORECASE,
)
_CURRENT = re.compile(
    r"(?<![a-z])(?:i[_ ]?(?:out(?:put)?|load|o|a)|load(?:[_ ]current)?|output[_ ]current|laststrom|ausgangsstrom"
    r"|courant de (?:sortie|charge)|corriente de (?:salida|carga)|corrente di (?:uscita|carico)|ток нагрузки|負荷電流"
    r"|负载电流)" + _VALUE + r"a",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredPoint:
    """Where a measurement was made, and how that is known.

    Attributes
    ----------
    input_voltage, load_current : float
        Operating point [V], [A].
    voltage_is, current_is : str
        ``given``, ``from the file`` or ``nominal``.
    """

    input_voltage: float
    load_current: float
    voltage_is: Origin
    current_is: Origin

    def __str__(self) -> str:
        """Say it in words."""
        return f"{self.input_voltage:.4g} V ({self.voltage_is}), {self.load_current:.3g} A ({self.current_is})"


def measured_point(
    case: cases.Case, words: Iterable[str], input_voltage: float | str | None, load_current: float | str | None
) -> MeasuredPoint:
    """Find the operating point of a measurement.

    Parameters
    ----------
    case : Case
        The case.
    words : iterable of str
        Lines of the file that are not rows of its table.
    input_voltage, load_current : float or str, optional
        As given [V], [A].

    Returns
    -------
    MeasuredPoint
        Nominal line and highest load where nothing says otherwise.

    Raises
    ------
    DataError
        Where a given value makes no sense.
    """
    s, text = case.specification, "\n".join(words)
    voltage, voltage_is = _found(input_voltage, "V", "input_voltage", _VOLTAGE, text)
    current, current_is = _found(load_current, "A", "load_current", _CURRENT, text)
    voltage = s.input_voltage.nominal if voltage is None else voltage
    current = s.output_current.highest if current is None else current
    if voltage <= 0.0:
        raise DataError(f"input_voltage must be above zero; found {voltage:g} V")
    if current < 0.0 or (current == 0.0 and case.converter.rectifier == "diode"):
        raise DataError(f"load_current must be above zero; found {current:g} A")
    return MeasuredPoint(input_voltage=voltage, load_current=current, voltage_is=voltage_is, current_is=current_is)


def _found(
    given: float | str | None, unit: str, name: str, pattern: re.Pattern[str], text: str
) -> tuple[float | None, Origin]:
    """Read a value as given, or from the words of the file; nothing where neither says."""
    if given is not None:
        return read_quantity(given, unit, name), "given"
    said = pattern.search(text)
    if said is None:
        return None, "nominal"
    value = float(said[1].replace(",", ".")) * {"": 1.0, "m": 1e-3, "k": 1e3}[said[2].lower()]
    return (value, "from the file") if value > 0.0 else (None, "nominal")
