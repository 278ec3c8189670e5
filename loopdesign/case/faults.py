"""From what the validator reports to sentences that name the key, what was found, what is expected and what to do."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, Any, Literal, get_args, get_origin

from pydantic import BaseModel

from loopdesign.case.checks import InputProblem
from loopdesign.case.fields import LevelsOf, QuantityField
from loopdesign.case.model import PLAIN_SECTIONS, Case
from loopdesign.case.tables.control import (
    OperationalSection,
    PeakCurrentSection,
    ShuntOptocouplerSection,
    TransconductanceSection,
    VoltageModeSection,
)
from loopdesign.case.tables.demands import SPECIFICATIONS
from loopdesign.case.tables.stage import STAGES, OneInductorStage
from loopdesign.errors import QuantityError
from loopdesign.units.quantities import shown

if TYPE_CHECKING:
    from pydantic import ValidationError
    from pydantic.fields import FieldInfo
    from pydantic_core import ErrorDetails

    from loopdesign.case.locate import Path

SECTIONS: tuple[str, ...] = tuple(name for name in Case.model_fields if name not in {"source", "warnings"})
"""Top-level keys of a case file."""

CHOICES: dict[str, tuple[str, str, dict[str, type[BaseModel]]]] = {
    "specification": ("specification", "regulate", dict(SPECIFICATIONS)),
    "stage": ("converter", "topology", dict(STAGES)),
    "modulator": ("modulator", "scheme", {"peak current": PeakCurrentSection, "voltage": VoltageModeSection}),
    "error_amplifier": (
        "error_amplifier",
        "kind",
        {
            "transconductance": TransconductanceSection,
            "operational": OperationalSection,
            "shunt optocoupler": ShuntOptocouplerSection,
        },
    ),
}
"""Sections of several kinds: the table and the key that choose the kind, and the model of each kind."""

_UNSAID = {"specification": "voltage"}
"""Kind of a section whose file does not choose one."""


def section_model(name: str, document: dict[str, Any]) -> type[BaseModel] | None:
    """Return the model of a section, None when the key that chooses its kind is missing or wrong.

    Parameters
    ----------
    name : str
        Top-level key, one of `SECTIONS` other than title and notes.
    document : dict
        The whole document as read.

    Returns
    -------
    type of BaseModel or None
        The model to validate the section with.
    """
    if name in PLAIN_SECTIONS:
        return PLAIN_SECTIONS[name]
    table, key, models = CHOICES[name]
    chooser = document.get(table)
    choice = chooser.get(key, _UNSAID.get(name)) if isinstance(chooser, dict) else None
    return models.get(choice) if isinstance(choice, str) else None


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
            path=(name,), message="missing key", expected='a text such as title = "Tide-gauge logger supply"'
        )
    return InputProblem(path=(name,), message="missing section", expected=f"[{name}]")


def text_problems(name: str, value: object) -> list[InputProblem]:
    """Report a title or notes that is no text.

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
    return [InputProblem(path=(name,), message="is not a text", found=shown(value), expected="a text in quotes")]


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
    return [_translate(detail, _path(document, (section, *detail["loc"])), document) for detail in details]


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
    if others := [other for other in SECTIONS if other != path[0] and key in _keys_of(other)]:
        hint = f"{key} belongs in [{others[0]}]"
    return InputProblem(path=path, message="unknown key", found=key, expected=", ".join(known), hint=hint)


def _keys_of(section: str) -> set[str]:
    """Return every key that a section can have."""
    models = (
        CHOICES[section][2].values()
        if section in CHOICES
        else [PLAIN_SECTIONS[section]]
        if section in PLAIN_SECTIONS
        else []
    )
    return {field.alias or name for model in models for name, field in model.model_fields.items()}


def _elsewhere(path: Path, document: dict[str, Any]) -> InputProblem | None:
    """Report a key that another topology, scheme or kind has."""
    section, key = str(path[0]), str(path[1])
    table, chooser, models = CHOICES[section]
    chosen = document[table].get(chooser, _UNSAID.get(section))
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


def _translate(detail: ErrorDetails, path: Path, document: dict[str, Any]) -> InputProblem:
    """Translate one entry of the validator's report."""
    kind, value = detail["type"], detail["input"]
    cause = detail.get("ctx", {}).get("error")
    if isinstance(cause, QuantityError):
        return InputProblem(
            path=path, message=cause.problem, found=cause.found, expected=cause.expected, hint=cause.hint
        )
    model = _model_at(path[:-1], document)
    field = _field_of(model, path[-1])
    if kind == "extra_forbidden":
        return unknown_key(path, document, model)
    if kind == "literal_error":
        return _wrong_choice(path, value, _choices(field))
    if kind in {"model_type", "model_attributes_type", "dict_type"}:
        return not_a_table(path, value)
    if kind == "missing":
        mark = _quantity_of(field)
        return InputProblem(
            path=path, message="missing key", expected=_expected(field, path), hint=mark.hint if mark else ""
        )
    return _plain_type(detail, path, field)


def _plain_type(detail: ErrorDetails, path: Path, field: FieldInfo | None) -> InputProblem:
    """Translate a report about a text or a list."""
    messages = {
        "string_type": ("is not a text", "a text in quotes"),
        "too_long": ("has too many entries", "pairs [voltage, ratio]"),
        "tuple_type": ("is not a list", "pairs [voltage, ratio]"),
    }
    message, expected = messages.get(detail["type"], (detail["msg"], _expected(field, path)))
    return InputProblem(path=path, message=message, found=shown(detail["input"]), expected=expected)


def _path(document: dict[str, Any], loc: tuple[str | int, ...]) -> Path:
    """Turn the validator's location into the path in the file: a bank of one part has no index there."""
    path: Path = ()
    here: object = document
    for step in loc:
        if isinstance(here, dict) and isinstance(step, str):
            here = here.get(step)
        elif isinstance(here, list) and isinstance(step, int):
            here = here[step] if step < len(here) else None
        else:
            continue
        path = (*path, step)
    return path


def _model_at(path: Path, document: dict[str, Any]) -> type[BaseModel] | None:
    """Return the model of the table at a path."""
    if not path:
        return None
    model = section_model(str(path[0]), document)
    for step in path[1:]:
        field = _field_of(model, step)
        if field is not None:
            ranges = [mark.table for mark in field.metadata if isinstance(mark, LevelsOf)]
            model = ranges[0] if ranges else _first_model(field.annotation)
    return model


def _field_of(model: type[BaseModel] | None, key: str | int) -> FieldInfo | None:
    """Return the field that a key of the file fills."""
    if model is None or not isinstance(key, str):
        return None
    return next((field for name, field in model.model_fields.items() if (field.alias or name) == key), None)


def _first_model(annotation: object) -> type[BaseModel] | None:
    """Return the first model within an annotation such as ``tuple[Capacitor, ...]``."""
    if isinstance(annotation, type) and get_origin(annotation) is None and issubclass(annotation, BaseModel):
        return annotation
    return next((model for part in get_args(annotation) if (model := _first_model(part)) is not None), None)


def _quantity_of(field: FieldInfo | None) -> QuantityField | None:
    """Return the quantity that a field holds."""
    return next((mark for mark in field.metadata if isinstance(mark, QuantityField)), None) if field else None


def _choices(field: FieldInfo | None) -> tuple[str, ...]:
    """Return the words that a field takes."""
    if field is None or get_origin(field.annotation) is not Literal:
        return ()
    return get_args(field.annotation)


def _expected(field: FieldInfo | None, path: Path) -> str:
    """Say what a field takes."""
    mark = _quantity_of(field)
    if mark is not None:
        return mark.expected
    if choices := _choices(field):
        return _one_of(choices)
    if isinstance(path[-1], int):
        return "pairs [voltage, ratio]"
    return _example(path)


_EXAMPLES = {
    "L": 'a table such as { inductance = "22 uH", resistance = "45 mohm" }',
    "L1": 'a table such as { inductance = "22 uH", resistance = "45 mohm" }',
    "L2": 'a table such as { inductance = "22 uH", resistance = "45 mohm" }',
    "C": 'a table such as { capacitance = "10 uF", esr = "3 mohm" }',
    "Cs": 'a table such as { capacitance = "6.8 uF", esr = "4 mohm" }',
    "Co": 'a table such as { capacitance = "120 uF", esr = "15 mohm" } or a list of them',
    "damper": 'a table such as { resistance = "2.7 ohm", capacitance = "33 uF" }',
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
    near = difflib.get_close_matches(str(value), choices, n=2, cutoff=0.5)
    hint = f"did you mean {' or '.join(near)}?" if near else ""
    message = "unknown word" if isinstance(value, str) else "is not one of the words allowed"
    return InputProblem(path=path, message=message, found=shown(value), expected=_one_of(choices), hint=hint)


def _one_of(words: dict[str, type[BaseModel]] | tuple[str, ...]) -> str:
    """List the words allowed."""
    return ", ".join(f'"{word}"' for word in words)


def quantity_at(path: Path, document: dict[str, Any]) -> QuantityField | None:
    """Return what a key of a case file holds.

    Parameters
    ----------
    path : tuple
        Path of the key.
    document : dict
        The whole document as read.

    Returns
    -------
    QuantityField or None
        The quantity, None for a key that holds none.
    """
    return _quantity_of(_field_of(_model_at(path[:-1], document), path[-1])) if path[0] in SECTIONS else None
