"""From what the validator reports to sentences that name the key, what was found, what is expected and what to do."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, Any

from loopdesign.case.checks import InputProblem
from loopdesign.case.kinds import (
    CHOICES,
    ELEMENTS,
    SECTIONS,
    UNSAID,
    choices_of,
    field_of,
    keys_of,
    model_at,
    path_of,
    quantity_of,
)
from loopdesign.case.tables.stage import OneInductorStage
from loopdesign.case.words import choice_meant, key_hint
from loopdesign.errors import QuantityError
from loopdesign.units.quantities import shown

if TYPE_CHECKING:
    from pydantic import BaseModel, ValidationError
    from pydantic.fields import FieldInfo
    from pydantic_core import ErrorDetails

    from loopdesign.case.locate import Path


def choice_problems(name: str, document: dict[str, Any]) -> list[InputProblem]:
    """Report the key that should choose the kind of a section.

    Parameters
    ----------
    name : str
        Top-level key of `CHOICES`.
    document : dict
        The whole document as read.

    Returns
    -------
    list of InputProblem
        Empty for the stage, whose topology is reported with the converter.
    """
    table, key, models = CHOICES[name]
    if table != name:
        return []
    value = document[name]
    if not isinstance(value, dict):
        return [not_a_table((name,), value)]
    expected = _one_of(models)
    if key not in value:
        return [InputProblem(path=(name, key), message="missing key", expected=expected)]
    return [_wrong_choice((name, key), value[key], tuple(models))]


def not_a_table(path: Path, value: object) -> InputProblem:
    """Report a value where a table should stand.

    Parameters
    ----------
    path : tuple
        Path of the key.
    value : object
        What the file holds.

    Returns
    -------
    InputProblem
        The fault.
    """
    return InputProblem(path=path, message="is not a table", found=shown(value), expected=_example(path))


def missing_section(name: str) -> InputProblem:
    """Report a required top-level key that is missing.

    Parameters
    ----------
    name : str
        The key.

    Returns
    -------
    InputProblem
        The fault.
    """
    if name == "title":
        return InputProblem(
            path=(name,), message="missing key", expected='text such as title = "Tide-gauge logger supply"'
        )
    return InputProblem(path=(name,), message="missing section", expected=f"[{name}]")


def text_problems(name: str, value: object) -> list[InputProblem]:
    """Report a title or notes that is not text.

    Parameters
    ----------
    name : str
        The key.
    value : object
        What the file holds.

    Returns
    -------
    list of InputProblem
        Empty for a text.
    """
    if isinstance(value, str):
        return []
    return [InputProblem(path=(name,), message="is not text", found=shown(value), expected="text in quotes")]


def from_validation(error: ValidationError, section: str, document: dict[str, Any], *, most: int) -> list[InputProblem]:
    """Translate what the validator reports about one section.

    Parameters
    ----------
    error : ValidationError
        The report.
    section : str
        Top-level key of the section.
    document : dict
        The whole document as read.
    most : int
        Most faults translated.

    Returns
    -------
    list of InputProblem
        One for each fault.
    """
    details = error.errors(include_url=False)[:most]
    return [_translate(detail, path_of(document, (section, *detail["loc"])), document) for detail in details]


def unknown_key(path: Path, document: dict[str, Any], model: type[BaseModel] | None) -> InputProblem:
    """Report an unknown key, with near matches and with the topology or kind that it belongs to.

    Parameters
    ----------
    path : tuple
        Path of the key.
    document : dict
        The whole document as read.
    model : type of BaseModel or None
        Model of the table it stands in, None for the top level.

    Returns
    -------
    InputProblem
        The fault.
    """
    key = str(path[-1])
    known = list(SECTIONS) if model is None else [field.alias or name for name, field in model.model_fields.items()]
    if len(path) == 2 and path[0] in CHOICES and (elsewhere := _elsewhere(path, document)):
        return elsewhere
    near = difflib.get_close_matches(key, known, n=3, cutoff=0.6)
    near += [name for name in known if name.lower() == key.lower() and name not in near]
    hint = f"did you mean {' or '.join(near)}?" if near else ""
    if others := [other for other in SECTIONS if other != path[0] and key in keys_of(other)]:
        hint = f"{key} belongs in [{others[0]}]"
    hint = key_hint(key, known) or hint
    return InputProblem(path=path, message="unknown key", found=key, expected=", ".join(known), hint=hint)


def _elsewhere(path: Path, document: dict[str, Any]) -> InputProblem | None:
    """Report a key that another topology, scheme or kind has."""
    section, key = str(path[0]), str(path[1])
    table, chooser, models = CHOICES[section]
    chosen = document[table].get(chooser, UNSAID.get(section))
    owners = [name for name, model in models.items() if key in model.model_fields]
    if not owners:
        return None
    if key == "coupling" and models[chosen] is OneInductorStage:
        message = f"coupling needs two inductors, and a {chosen} has one"
    elif section == "specification":
        message = "the output voltage follows from voltage_load where the current is regulated"
    elif section == "stage":
        message = f"this key belongs to another topology: {', '.join(owners)}"
    else:
        message = f"this key belongs to another {chooser}: {', '.join(owners)}"
    known = ", ".join(models[chosen].model_fields)
    return InputProblem(path=path, message=message, found=f'{key} with {chooser} = "{chosen}"', expected=known)


def _translate(  # noqa: PLR0911  (one return for each kind of report)
    detail: ErrorDetails, path: Path, document: dict[str, Any]
) -> InputProblem:
    """Translate one entry of the validator's report."""
    kind, value = detail["type"], detail["input"]
    cause = detail.get("ctx", {}).get("error")
    if isinstance(cause, QuantityError):
        return InputProblem(
            path=path, message=cause.problem, found=cause.found, expected=cause.expected, hint=cause.hint
        )
    if kind in {"union_tag_invalid", "union_tag_not_found"}:
        return _element_kind(path, value)
    model = model_at(path[:-1], document)
    field = field_of(model, path[-1])
    if kind == "extra_forbidden":
        return unknown_key(path, document, model)
    if kind == "literal_error":
        return _wrong_choice(path, value, choices_of(field))
    if kind in {"model_type", "model_attributes_type", "dict_type"}:
        return not_a_table(path, value)
    if kind == "missing":
        mark = quantity_of(field)
        return InputProblem(
            path=path, message="missing key", expected=_expected(field, path), hint=mark.hint if mark else ""
        )
    return _plain_type(detail, path, field)


def _element_kind(path: Path, value: object) -> InputProblem:
    """Report an element without a kind, or of none that there is."""
    if not isinstance(value, dict):
        return not_a_table(path, value)
    if "kind" not in value:
        return InputProblem(path=(*path, "kind"), message="missing key", expected=_one_of(tuple(ELEMENTS)))
    return _wrong_choice((*path, "kind"), value["kind"], tuple(ELEMENTS))


def _plain_type(detail: ErrorDetails, path: Path, field: FieldInfo | None) -> InputProblem:
    """Translate a report about a text or a list."""
    messages = {
        "string_type": ("is not text", "text in quotes"),
        "too_long": ("has too many entries", "pairs [voltage, ratio]"),
        "tuple_type": ("is not a list", "pairs [voltage, ratio]"),
    }
    message, expected = messages.get(detail["type"], (detail["msg"], _expected(field, path)))
    return InputProblem(path=path, message=message, found=shown(detail["input"]), expected=expected)


def _expected(field: FieldInfo | None, path: Path) -> str:
    """Say what a field takes."""
    mark = quantity_of(field)
    if mark is not None:
        return mark.expected
    if choices := choices_of(field):
        return _one_of(choices)
    if isinstance(path[-1], int):
        return "pairs [voltage, ratio]"
    return _example(path)


_EXAMPLES = {
    "name": 'a name such as "L1"',
    "between": 'two names of nodes such as ["a", "0"]',
    "primary": 'two names of nodes such as ["a", "0"]',
    "secondary": 'two names of nodes such as ["0", "b"]',
    "of": 'the names of two inductors such as ["L1", "L2"]',
    "elements": 'a list of tables such as { kind = "switch", name = "Q1", between = ["a", "0"], ... }',
    "L": 'a table such as { inductance = "22 uH", resistance = "45 mohm" }',
    "L1": 'a table such as { inductance = "22 uH", resistance = "45 mohm" }',
    "L2": 'a table such as { inductance = "22 uH", resistance = "45 mohm" }',
    "C": 'a table such as { capacitance = "10 uF", esr = "3 mohm" }',
    "Cs": 'a table such as { capacitance = "6.8 uF", esr = "4 mohm" }',
    "Co": 'a table such as { capacitance = "120 uF", esr = "15 mohm" } or a list of them',
    "damper": 'a table such as { resistance = "2.7 ohm", capacitance = "33 uF" }',
    "leakage": 'a table such as { inductance = "0.9 uH", tolerance = "25 %" }',
    "clamp": 'a table such as { resistance = "10 kohm", capacitance = "10 nF", drop = "0.8 V" }',
    "switch": 'a table such as { resistance = "18 mohm" }',
    "diode": 'a table such as { drop = "0.45 V", resistance = "15 mohm" }',
    "voltage_load": 'a table such as { drop = "20 V", resistance = "3 ohm" }',
    "load_step": 'a table such as { from = "0.5 A", to = "1.5 A" }',
    "line_step": 'a table such as { from = "9 V", to = "16 V" }',
    "input_voltage": 'a table such as { min = "8 V", nominal = "13 V", max = "30 V" } or a list of voltages',
    "output_current": 'a table such as { min = "0.1 A", max = "1.5 A" } or a list of currents',
}


def _example(path: Path) -> str:
    """Show the table that a key should hold."""
    key = next((step for step in reversed(path) if isinstance(step, str)), "")
    return _EXAMPLES.get(key, f"[{key}] and its keys" if len(path) == 1 else "a table { ... }")


def _wrong_choice(path: Path, value: object, choices: tuple[str, ...]) -> InputProblem:
    """Report a word that is none of those allowed."""
    near = choice_meant(value, choices) if isinstance(value, str) else []
    if not near and isinstance(value, str):
        near = difflib.get_close_matches(value, choices, n=2, cutoff=0.5)
    hint = f"did you mean {' or '.join(near)}?" if near else ""
    message = "unknown word" if isinstance(value, str) else "is not one of the words allowed"
    return InputProblem(path=path, message=message, found=shown(value), expected=_one_of(choices), hint=hint)


def _one_of(words: dict[str, type[BaseModel]] | tuple[str, ...]) -> str:
    """List the words allowed."""
    return ", ".join(f'"{word}"' for word in words)
