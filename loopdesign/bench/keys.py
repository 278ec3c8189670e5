"""Which value of the case a key of a fit names: dotted as in the case file, or by designator alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel

from loopdesign.analysis.given import did_you_mean
from loopdesign.case import Levels
from loopdesign.corners.converters import divider, has_feedback
from loopdesign.errors import DataError
from loopdesign.printable import excerpt

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from loopdesign import case as cases

SECTIONS_FITTED = (
    "stage", "input_filter", "output_filter", "modulator", "error_amplifier", "divider", "current_sense",
    "compensation",
)  # fmt: skip
"""Sections of the case file with values that a fit may move."""
VALUES = frozenset({
    "inductance", "resistance", "capacitance", "esr", "coupling", "turns", "secondary_resistance", "drop", "sense_gain",
    "slope", "ramp", "turn_off_delay", "gm", "output_resistance", "gain_bandwidth", "reference", "transfer_ratio",
    "bandwidth", "pull_up", "led_resistance", "upper", "lower", "feedforward", "input_resistance", "R1", "C1",
    "C2", "R2",
    "C3",
})  # fmt: skip
"""Values that a fit may move."""
AUTO = "auto"
"""Word for trying every part."""
DELAY = "modulator.turn_off_delay"
NOT_SUSPECTED = frozenset({"divider.lower", "error_amplifier.reference", "stage.turns", "stage.diode.drop"})
"""Values that `suspects` leaves out."""
_BY_FACTOR = frozenset({"inductance", "capacitance", "esr"})
_RESISTANCES = frozenset(f"{part}.resistance" for part in ("clamp", "damper", "L", "L1", "L2", "switch", "diode"))
_CONTROL = {
    "modulator.sense_gain": "sense_gain", "modulator.slope": "slope", "error_amplifier.gm": "gm",
    "error_amplifier.output_resistance": "output_resistance",
    "error_amplifier.transfer_ratio": "transfer_ratio", "error_amplifier.reference": "reference",
    "divider.upper": "divider.upper", "divider.lower": "divider.lower",
    "current_sense.resistance": "current_sense.resistance", "stage.coupling": "coupling",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class FitKey:
    """A value of the case that a fit moves.

    Attributes
    ----------
    key : str
        Its dotted path in the case file.
    nominal : float
        Its value there, in SI units.
    factor : str or None
        Name of its factor at a corner; None where the case itself must be changed.
    """

    key: str
    nominal: float
    factor: str | None


def fit_keys(case: cases.Case, keys: Sequence[str]) -> tuple[FitKey, ...]:
    """Find the values that a fit is asked to move.

    Parameters
    ----------
    case : Case
        The case.
    keys : sequence of str
        Dotted paths of the case file, or their last words where these say enough ("Co.esr", "R1").

    Returns
    -------
    tuple of FitKey
        One for each.

    Raises
    ------
    DataError
        Where a key names no value above zero, or stands twice; every fault at once.
    """
    known = {k.key: k for k in _known(case)}
    found, faults = [], []
    for key in keys:
        matches = [key] if key in known else [k for k in known if k.endswith(f".{key}")]
        if len(matches) == 1:
            if known[matches[0]] in found:
                faults.append(f"{excerpt(key)} stands twice")
            found.append(known[matches[0]])
            continue
        hint = f"; it may mean {' or '.join(matches)}" if matches else did_you_mean(key, known)
        faults.append(f"{excerpt(key)} is not a value of this case that a fit can move{hint}")
    if faults:
        raise DataError("\n".join(f"fit: {fault}" for fault in faults))
    return tuple(found)


def asked_keys(case: cases.Case, fit: Sequence[str] | str) -> tuple[tuple[FitKey, ...], bool]:
    """Find the values that a caller asks to be moved.

    Parameters
    ----------
    case : Case
        The case.
    fit : sequence of str or str
        Keys, or one text with commas between them; ``"auto"`` for every value that may be off.

    Returns
    -------
    tuple of tuple of FitKey and bool
        The values, and whether single ones and pairs of them are to be tried.

    Raises
    ------
    DataError
        Where a key names no value, or ``auto`` stands beside others.
    """
    words = fit.split(",") if isinstance(fit, str) else list(fit)
    words = [word.strip() for word in words if word.strip()]
    if AUTO not in words:
        return fit_keys(case, words), False
    if len(words) > 1:
        raise DataError(f'fit: "{AUTO}" tries every part by itself; give it alone, or name the keys')
    return suspects(case), True


def known_values(case: cases.Case) -> tuple[FitKey, ...]:
    """List every value of a case that may be moved.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    tuple of FitKey
        In the order of the case file.
    """
    return tuple(_known(case))


def with_value(case: cases.Case, key: str, value: float) -> cases.Case:
    """Return the case with one value changed.

    Parameters
    ----------
    case : Case
        The case.
    key : str
        Dotted path of the value.
    value : float
        The new value in SI units.

    Returns
    -------
    Case
        The same otherwise.
    """
    changed: cases.Case = _changed(case, key.split("."), value)
    return changed


def _changed(section: Any, steps: Sequence[str], value: float) -> Any:  # noqa: ANN401  (any table of the case)
    """Copy a table with one value in it changed."""
    name = steps[0]
    for table in ("elements", "outputs"):
        entries = getattr(section, table, ())
        if any(entry.name == name for entry in entries):
            parts = [_changed(e, steps[1:], value) if e.name == name else e for e in entries]
            return section.model_copy(update={table: tuple(parts)})
    if len(steps) == 1:
        return section.model_copy(update={name: value})
    bank = name.removeprefix("Co")
    if name.startswith("Co") and hasattr(section, "Co"):
        place = int(bank) - 1 if bank else 0
        parts = [_changed(p, steps[1:], value) if k == place else p for k, p in enumerate(section.Co)]
        return section.model_copy(update={"Co": tuple(parts)})
    return section.model_copy(update={name: _changed(getattr(section, name), steps[1:], value)})


def _known(case: cases.Case) -> Iterator[FitKey]:
    """Yield every value that a fit may move."""
    for name in SECTIONS_FITTED:
        section = getattr(case, name)
        if section is not None:
            for key, value in _values(section, name):
                if value > 0.0 or key == DELAY:
                    yield FitKey(key=key, nominal=value, factor=_factor(key))
    if has_feedback(case) and case.divider is not None and case.divider.upper is None:
        yield FitKey(key="divider.upper", nominal=float(divider(case).upper), factor="divider.upper")


def _values(section: Any, path: str) -> Iterator[tuple[str, float]]:  # noqa: ANN401  (any table of the case)
    """Yield the values of a table and of those within it by dotted path."""
    for name in type(section).model_fields:
        value, key = getattr(section, name), f"{path}.{name}"
        if name in VALUES and isinstance(value, int | float) and not isinstance(value, bool):
            yield key, float(value)
        elif isinstance(value, Levels):
            if name in VALUES:
                yield key, float(value.nominal)
        elif isinstance(value, BaseModel):
            yield from _values(value, key)
        elif isinstance(value, tuple) and value and isinstance(value[0], BaseModel):
            for k, part in enumerate(value):
                named = f"{path}.{part.name}" if hasattr(part, "name") else ""
                yield from _values(part, named or (key if len(value) == 1 else f"{key}{k + 1}"))


def _factor(key: str) -> str | None:
    """Name the factor at a corner that moves a value; None where there is none."""
    if key in _CONTROL:
        return _CONTROL[key]
    section, _, rest = key.partition(".")
    if section == "compensation":
        return key
    moved = rest.rpartition(".")[2] in _BY_FACTOR or rest in _RESISTANCES
    if not moved or rest.startswith(("source.", "choke")):
        return None
    if section == "stage":
        return rest
    return {"input_filter": f"filter.{rest}", "output_filter": f"output_filter.{rest}"}.get(section)


def suspects(case: cases.Case) -> tuple[FitKey, ...]:
    """List the values that may be off on a board, to be tried one by one.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    tuple of FitKey
        Without those that act as another one does, or that a meter shows: the lower divider resistor, the reference.
    """
    return tuple(key for key in _known(case) if key.key not in NOT_SUSPECTED)
