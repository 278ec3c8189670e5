"""Values of a case file set anew, by the file's own path to them."""

from __future__ import annotations

import re
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

from loopdesign.case.fields import LevelsOf, QuantityField
from loopdesign.case.kinds import SECTIONS, field_of, in_file, keys_of, model_at, quantity_of
from loopdesign.case.load import parse_document
from loopdesign.case.tables.control import PART_UNITS
from loopdesign.errors import DataError, QuantityError
from loopdesign.printable import excerpt

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pydantic.fields import FieldInfo

    from loopdesign.case.locate import Places
    from loopdesign.case.model import Case

_BANK = re.compile(r"Co([1-9][0-9]*)$")
"""A part of an output bank, counted from 1."""


def read_values(document: dict[str, Any], key: str, texts: Sequence[str]) -> tuple[float, ...]:
    """Read values as the key of a case file would.

    Parameters
    ----------
    document : dict
        The case file as read.
    key : str
        Dotted path, such as ``stage.Cs.capacitance`` or ``stage.Co2.esr``.
    texts : sequence of str
        The values, with or without their unit.

    Returns
    -------
    tuple of float
        In SI units.

    Raises
    ------
    DataError
        Where the case has no such key, it holds no quantity, or a text is not a quantity of its unit.
    """
    steps = _steps(key, document)
    mark = _mark(_field(steps, document))
    if mark is None:
        raise DataError(_unknown(document, key, steps))
    read = []
    for text in texts:
        try:
            value = mark.read(text)
        except QuantityError as error:
            raise DataError(f"{key}: {error}") from None
        if value is None:
            raise DataError(f"{key}: {excerpt(text)} is not a value that can be varied")
        read.append(value)
    return tuple(read)


def quantity_path(document: dict[str, Any], key: str) -> tuple[tuple[str | int, ...], QuantityField | None]:
    """Follow a key into the case file: parts of an output bank and elements of a stage by their names.

    Parameters
    ----------
    document : dict
        The case file as read.
    key : str
        Dotted path, such as ``stage.Co2.esr``.

    Returns
    -------
    steps, quantity
        Keys and places in lists, from the top of the file; what is held there, None where it is no single quantity.
    """
    steps = _steps(key, document)
    return steps, quantity_of(_field(steps, document))


def unit_at(document: dict[str, Any], key: str) -> str:
    """Return the unit of the quantity that a key holds; empty for a plain number.

    Parameters
    ----------
    document : dict
        The case file as read.
    key : str
        Dotted path, such as ``stage.Cs.capacitance``.

    Returns
    -------
    str
        Symbol of the unit.
    """
    mark = _mark(_field(_steps(key, document), document))
    return "" if mark is None else mark.unit


def value_at(document: dict[str, Any], key: str) -> float | None:
    """Read the value that the case file itself gives a key.

    Parameters
    ----------
    document : dict
        The case file as read.
    key : str
        Dotted path, such as ``stage.Cs.capacitance``.

    Returns
    -------
    float or None
        In SI units; None where the file gives none, or several.
    """
    here: Any = document
    steps = _steps(key, document)
    for step in steps:
        inside = (isinstance(here, dict) and step in here) or (
            isinstance(here, list) and isinstance(step, int) and step < len(here)
        )
        if not inside:
            return None
        here = here[step]
    mark = _mark(_field(steps, document))
    try:
        return None if mark is None or isinstance(here, dict | list) else mark.read(here)
    except QuantityError:
        return None


def with_values(
    document: dict[str, Any], values: Mapping[str, float], text: str, name: str, places: Places | None = None
) -> Case:
    """Validate a case with some values set anew.

    Parameters
    ----------
    document : dict
        The case file as read; it stays as it is.
    values : mapping of str to float
        Values in SI units by dotted path.
    text : str
        The text of the file, for the places of faults.
    name : str
        Name of the file, for messages.
    places : Places, optional
        Where each key stands, where that is known.

    Returns
    -------
    Case
        The validated case.

    Raises
    ------
    CaseError
        Where a value makes the case impossible.
    """
    changed: dict[str, Any] = document
    for key, value in values.items():
        steps = _steps(key, document)
        field = _field(steps, document)
        mark = _mark(field)
        word = mark is not None and value == 0.0 and dict(mark.words).get("none") == 0.0
        alone = _levels(field) is not None and _levels(field).listed  # type: ignore[union-attr]
        changed = _set(changed, steps, "none" if word else [value] if alone else value)
    return parse_document(changed, text, name, places)


def _set(table: Any, steps: Sequence[str | int], value: object) -> Any:  # noqa: ANN401  (tables and lists as read)
    """Copy a table, or a list of tables, with one value in it set anew."""
    step, *rest = steps
    if isinstance(table, list) and isinstance(step, int):
        return [_set(part, rest, value) if k == step else part for k, part in enumerate(table)]
    inner = table.get(step, {})
    return {**table, step: value if not rest else _set(inner, rest, value)}


def _steps(key: str, document: dict[str, Any]) -> tuple[str | int, ...]:
    """Part a dotted path: Co2 is the second part of an output bank; elements are found by their names."""
    named = in_file(tuple(key.split(".")), document)
    if any(isinstance(step, int) for step in named):
        return named
    steps: list[str | int] = []
    for step in key.split("."):
        bank = _BANK.match(step)
        if bank and steps == ["stage"]:
            stage = document.get("stage")
            listed = isinstance(stage, dict) and isinstance(stage.get("Co"), list)
            if listed or int(bank[1]) > 1:
                steps += ["Co", int(bank[1]) - 1]
                continue
            step = "Co"  # noqa: PLW2901  (a bank of one part)
        steps.append(step)
    return tuple(steps)


def _field(steps: Sequence[str | int], document: dict[str, Any]) -> FieldInfo | None:
    """Find the field behind a path; none where a step on the way leads nowhere."""
    if steps[0] not in SECTIONS or len(steps) < 2:
        return None
    for depth in range(1, len(steps)):
        step = steps[depth]
        if isinstance(step, int):
            bank = document.get("stage", {}).get(steps[depth - 1])
            if not isinstance(bank, list) or step >= len(bank):
                return None
        elif field_of(model_at(tuple(steps[:depth]), document), step) is None:
            return None
    bank = document.get("stage")
    in_bank = steps[:2] == ("stage", "Co") and isinstance(bank, dict) and isinstance(bank.get("Co"), list)
    if in_bank and not isinstance(steps[2] if len(steps) > 2 else None, int):
        return None
    return field_of(model_at(tuple(steps[:-1]), document), steps[-1])


def _levels(field: FieldInfo | None) -> LevelsOf | None:
    """Return what a field with several levels takes; None for others."""
    return next((m for m in field.metadata if isinstance(m, LevelsOf)), None) if field is not None else None


def _mark(field: FieldInfo | None) -> QuantityField | None:
    """Return the quantity of a field, or that of each of its levels."""
    levels = _levels(field)
    return quantity_of(field) if levels is None else levels.each


def _unknown(document: dict[str, Any], key: str, steps: tuple[str | int, ...]) -> str:
    """Say that a path leads to no quantity, with the nearest keys there."""
    section = str(steps[0])
    told = excerpt(key)
    if section in PART_UNITS:
        return f"{told} is not a path of the case file; did you mean compensation.{section}?"
    if section not in SECTIONS:
        near = get_close_matches(section, sorted(SECTIONS), n=2)
        hint = f"; did you mean {' or '.join(near)}?" if near else f"; expected one of {', '.join(sorted(SECTIONS))}"
        return f"{told}: the case file has no section [{section}]{hint}"
    bank = document.get("stage", {}).get("Co") if isinstance(document.get("stage"), dict) else None
    if steps[:2] == ("stage", "Co") and isinstance(bank, list):
        parts = ", ".join(f"stage.Co{k + 1}" for k in range(len(bank)))
        if len(steps) < 3 or not isinstance(steps[2], int) or steps[2] >= len(bank):
            return f"{told}: the output bank has several parts; say which: {parts}"
    at = next((d for d in range(1, len(steps)) if _known_at(document, steps, d) is None), len(steps) - 1)
    known = _keys_at(document, steps[:at])
    wrong = str(steps[at]) if at < len(steps) else section
    where = ".".join(str(s) for s in steps[:at])
    near = get_close_matches(wrong, known, n=2)
    there = f"; the keys of {where} are {', '.join(known)}" if known else ""
    if wrong in known:
        inner = _keys_at(document, steps[: at + 1])
        there = f"; the keys of {where}.{wrong} are {', '.join(inner)}" if inner else there
        return f"{told} does not name a quantity of this case file{there}"
    hint = f" (did you mean {' or '.join(near)}?)" if near else ""
    topology = document.get("converter", {}).get("topology") if isinstance(document.get("converter"), dict) else None
    if section == "stage" and at == 1 and wrong in keys_of("stage"):
        return f"{told}: a {topology} has no {wrong}{there}"
    return f"{told} does not name a quantity of this case file{hint or there}{'' if not hint else there}"


def _known_at(document: dict[str, Any], steps: tuple[str | int, ...], depth: int) -> object:
    """Return the field at one step of a path, or the place in a bank; None where there is none."""
    step = steps[depth]
    return step if isinstance(step, int) else field_of(model_at(tuple(steps[:depth]), document), step)


def _keys_at(document: dict[str, Any], steps: tuple[str | int, ...]) -> list[str]:
    """List the keys of a table."""
    model = model_at(steps, document)
    return sorted(field.alias or name for name, field in model.model_fields.items()) if model is not None else []
