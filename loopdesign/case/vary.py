"""One value of a case file set anew, by the file's own path to it."""

from __future__ import annotations

from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

from loopdesign.case.fields import QuantityField
from loopdesign.case.kinds import SECTIONS, keys_of, model_at, models_of, quantity_at
from loopdesign.case.load import parse_case
from loopdesign.case.reference.rows import tables_in
from loopdesign.case.tables.control import PART_UNITS
from loopdesign.errors import DataError
from loopdesign.units.quantities import parse_quantity

if TYPE_CHECKING:
    from loopdesign.case.model import Case

LEVELS = {"specification.input_voltage": "V", "specification.output_current": "A"}
"""Keys that hold levels: a varied one stands alone."""


def read_value(document: dict[str, Any], key: str, text: str) -> float:
    """Read a value as the key of a case file would.

    Parameters
    ----------
    document : dict
        The case file as read.
    key : str
        Dotted path, such as ``stage.Cs.capacitance``.
    text : str
        The value, with or without its unit.

    Returns
    -------
    float
        In SI units.

    Raises
    ------
    DataError
        Where the case has no such key, or it holds no quantity.
    QuantityError
        Where the text is not a quantity of the key's unit.
    """
    steps = tuple(key.split("."))
    if key in LEVELS:
        return parse_quantity(text, LEVELS[key])
    mark = quantity_at(steps, document) if steps[0] in SECTIONS and len(steps) > 1 else None
    if mark is None:
        raise DataError(_unknown(document, steps))
    value = mark.read(text)
    if value is None:
        raise DataError(f"{key}: {text!r} is not a value that can be varied")
    return value


def unit_of(key: str) -> str:
    """Return the unit of the quantity that a key holds in some kind of its section; empty for a plain number.

    Parameters
    ----------
    key : str
        Dotted path, such as ``stage.Cs.capacitance``.

    Returns
    -------
    str
        Symbol of the unit.
    """
    if key in LEVELS:
        return LEVELS[key]
    section, *way = key.split(".")
    for model in models_of(section) if section in SECTIONS else ():
        tables = [model]
        for step in way[:-1]:
            tables = [inner for t in tables if step in t.model_fields for inner in tables_in(t.model_fields[step])]
        for table in tables:
            field = table.model_fields.get(way[-1]) if way else None
            mark = next((m for m in field.metadata if isinstance(m, QuantityField)), None) if field else None
            if mark is not None:
                return mark.unit
    return ""


def with_values(document: dict[str, Any], values: dict[str, float], name: str) -> Case:
    """Validate a case with some values set anew.

    Parameters
    ----------
    document : dict
        The case file as read; it stays as it is.
    values : dict of str to float
        Values in SI units by dotted path.
    name : str
        Name of the file, for messages.

    Returns
    -------
    Case
        The validated case.

    Raises
    ------
    CaseError
        Where a value makes the case impossible.
    """
    import tomlkit  # noqa: PLC0415  (only where a case is written anew)

    copy: dict[str, Any] = tomlkit.parse(tomlkit.dumps(document)).unwrap()
    for key, value in values.items():
        table: Any = copy
        *way, last = key.split(".")
        for step in way:
            table = table.setdefault(step, {})
        table[last] = [value] if key in LEVELS else value
    return parse_case(tomlkit.dumps(copy), name)


def _unknown(document: dict[str, Any], steps: tuple[str, ...]) -> str:
    """Say that a path leads to no quantity, with the nearest keys there."""
    key = ".".join(steps)
    if steps[0] in PART_UNITS:
        return f"{key} is not a path of the case file; did you mean compensation.{key}?"
    if steps[0] not in SECTIONS:
        near = get_close_matches(steps[0], sorted(SECTIONS), n=2)
        hint = f"; did you mean {' or '.join(near)}?" if near else f"; expected one of {', '.join(sorted(SECTIONS))}"
        return f"{key}: the case file has no section [{steps[0]}]{hint}"
    model = model_at(steps[:-1], document)
    known = sorted(keys_of(steps[0]) if len(steps) <= 2 else model.model_fields if model is not None else ())
    near = get_close_matches(steps[-1], known, n=2)
    hint = (
        f"; did you mean {' or '.join(near)}?" if near else f"; the keys there are {', '.join(known)}" if known else ""
    )
    return f"{key} does not name a quantity of this case file{hint}"
