"""What the case file gives: power stage, modulator and amplifier in words, for the page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from loopdesign.case import Levels, Tolerance
from loopdesign.report.basics.tables import Column, Table
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from loopdesign import case as cases

_WORDS = {
    "inductance": "H", "resistance": "ohm", "capacitance": "F", "esr": "ohm", "drop": "V", "tolerance": "%",
    "turns": "", "coupling": "", "secondary_resistance": "ohm", "sense_gain": "V/A", "slope": "V/s", "ramp": "V",
    "max_duty": "", "gm": "S", "output_resistance": "ohm", "reference": "V", "dc_gain": "dB", "gain_bandwidth": "Hz",
    "transfer_ratio": "%", "bandwidth": "Hz", "pull_up": "ohm", "led_resistance": "ohm",
}  # fmt: skip
_BARE = ("inductance", "capacitance", "turns", "coupling")
"""Values that need no name beside them."""


def given_table(case: cases.Case) -> Table:
    """List the parts and values the case file gives.

    Parameters
    ----------
    case
        The case.

    Returns
    -------
    Table
        One row per part, power stage first.
    """
    rows = _part_rows(case.stage)
    if case.input_filter is not None:
        rows += [(f"input filter {name}", text) for name, text in _part_rows(case.input_filter)]
    rows.append(("modulator", f"{case.modulator.scheme}, {_described(case.modulator)}"))
    if case.error_amplifier is not None:
        rows.append(("error amplifier", f"{case.error_amplifier.kind}, {_described(case.error_amplifier)}"))
    columns = (Column(heading="part"), Column(heading="value"))
    return Table(title="Given", columns=columns, rows=tuple(rows))


def _part_rows(group: Any) -> list[tuple[str, str]]:  # noqa: ANN401  (any table of the case file)
    rows = []
    for name in type(group).model_fields:
        value = getattr(group, name)
        if isinstance(value, (tuple, list)) and not isinstance(value, Tolerance):
            rows += [(name if len(value) == 1 else f"{name}{k + 1}", _described(v)) for k, v in enumerate(value)]
        elif hasattr(type(value), "model_fields"):
            rows.append((name, _described(value)))
        elif name in _WORDS and (text := _text(value, _WORDS[name])):
            rows.append((name.replace("_", " "), text))
    return [(name, text) for name, text in rows if text]


def _text(value: Any, unit: str) -> str:  # noqa: ANN401
    """Write one value with its range or both ends of its tolerance; nothing for none."""
    if isinstance(value, Levels):
        ends = "" if value.lowest == value.highest else f" ({value.lowest:g} to {value.highest:g})"
        return f"{format_quantity(value.nominal, unit)}{ends}" if value.nominal else ""
    if isinstance(value, Tolerance):
        if value.even:
            return format_quantity(value.high, unit) if value else ""
        return f"{format_quantity(value.low, unit)} to +{format_quantity(value.high, unit)}"
    return format_quantity(value, unit) if isinstance(value, float) and value else ""


def _described(part: Any) -> str:  # noqa: ANN401
    """Write every value of a part that is not zero."""
    told = []
    for name in type(part).model_fields:
        value = getattr(part, name)
        text = _text(value, _WORDS[name]) if name in _WORDS else ""
        if text:
            told.append(text if name in _BARE else f"{name.replace('_', ' ')} {text}")
    told += ["bias curve"] if getattr(part, "bias_curve", None) else []
    return ", ".join(told)
