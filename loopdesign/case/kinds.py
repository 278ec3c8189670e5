"""Which model fills which table of a case file, and which field of it a key.

The validator is handed one section at a time. Sections of several kinds (a stage is that of a topology) find theirs by
the key that chooses the kind.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal, get_args, get_origin

from pydantic import BaseModel

from loopdesign.case.fields import LevelsOf, QuantityField
from loopdesign.case.model import PLAIN_SECTIONS, Case
from loopdesign.case.tables import custom
from loopdesign.case.tables.control import (
    OperationalSection,
    PeakCurrentSection,
    ShuntOptocouplerSection,
    TransconductanceSection,
    VoltageModeSection,
)
from loopdesign.case.tables.demands import SPECIFICATIONS
from loopdesign.case.tables.stage import STAGES

if TYPE_CHECKING:
    from pydantic.fields import FieldInfo

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

UNSAID = {"specification": "voltage"}
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
    choice = chooser.get(key, UNSAID.get(name)) if isinstance(chooser, dict) else None
    return models.get(choice) if isinstance(choice, str) else None


ELEMENTS: dict[str, type[BaseModel]] = {
    "inductor": custom.InductorElement,
    "capacitor": custom.CapacitorElement,
    "resistor": custom.ResistorElement,
    "switch": custom.SwitchElement,
    "rectifier": custom.RectifierElement,
    "coupling": custom.CouplingElement,
    "transformer": custom.TransformerElement,
}
"""Model of each kind of element of a stage of the user's own."""


def shown_path(path: Path, document: dict[str, Any]) -> Path:
    """Turn the path of a value of an element into one that names the element, for a message.

    Parameters
    ----------
    path : tuple
        Such as ``("stage", "elements", 0, "inductance")``.
    document : dict
        The whole document as read.

    Returns
    -------
    tuple
        Such as ``("stage", "L1", "inductance")``; the same path where the element has no name.
    """
    if len(path) < _IN_ENTRY or path[0] != "stage" or path[1] not in {"elements", "outputs"}:
        return path
    name = _inner(_inner(_inner(document.get("stage"), path[1]), path[2]), "name")
    return ("stage", name, *path[3:]) if isinstance(name, str) and name.isidentifier() else path


_IN_ENTRY = 3
"""Least length of a path that leads to an entry of a list in a table."""


def models_of(section: str) -> list[type[BaseModel]]:
    """Return the model of every kind of a section; none for a key that is not a section."""
    if section in CHOICES:
        return list(CHOICES[section][2].values())
    return [PLAIN_SECTIONS[section]] if section in PLAIN_SECTIONS else []


def keys_of(section: str) -> set[str]:
    """Return every key that a section can have, whatever its kind."""
    return {field.alias or name for model in models_of(section) for name, field in model.model_fields.items()}


def path_of(document: dict[str, Any], loc: tuple[str | int, ...]) -> Path:
    """Turn the validator's location into the path in the file: a bank of one part has no index there."""
    path: Path = ()
    here: object = document
    for step in loc:
        if isinstance(here, dict) and isinstance(step, str):
            if step not in here and here.get("kind") == step:
                continue  # the validator names the kind of an element
            here = here.get(step)
        elif isinstance(here, list) and isinstance(step, int):
            here = here[step] if step < len(here) else None
        else:
            continue
        path = (*path, step)
    return path


def model_at(path: Path, document: dict[str, Any]) -> type[BaseModel] | None:
    """Return the model of the table at a path."""
    if not path:
        return None
    model = section_model(str(path[0]), document)
    here: Any = document.get(str(path[0]))
    for step in path[1:]:
        here = _inner(here, step)
        field = field_of(model, step)
        if field is not None:
            ranges = [mark.table for mark in field.metadata if isinstance(mark, LevelsOf)]
            model = ranges[0] if ranges else _first_model(field.annotation)
        elif isinstance(step, int) and isinstance(here, dict) and here.get("kind") in ELEMENTS:
            model = ELEMENTS[here["kind"]]
    return model


def _inner(here: Any, step: str | int) -> Any:  # noqa: ANN401  (any value of a document)
    """Return what lies at one step of a path within a value of a document; None where nothing does."""
    if isinstance(here, dict):
        return here.get(step)
    return here[step] if isinstance(here, list) and isinstance(step, int) and step < len(here) else None


def in_file(path: Path, document: dict[str, Any]) -> Path:
    """Turn the path to a value of an element by its name into the path in the file.

    Parameters
    ----------
    path : tuple
        Such as ``("stage", "L1", "inductance")``.
    document : dict
        The whole document as read.

    Returns
    -------
    tuple
        Such as ``("stage", "elements", 0, "inductance")``; the same path where no element has that name.
    """
    stage = document.get("stage")
    if len(path) > 1 and path[0] == "stage" and isinstance(stage, dict):
        for table in ("elements", "outputs"):
            entries = stage.get(table)
            for k, entry in enumerate(entries if isinstance(entries, list) else ()):
                if isinstance(entry, dict) and entry.get("name") == path[1]:
                    return ("stage", table, k, *path[2:])
    return path


def field_of(model: type[BaseModel] | None, key: str | int) -> FieldInfo | None:
    """Return the field that a key of the file fills."""
    if model is None or not isinstance(key, str):
        return None
    return next((field for name, field in model.model_fields.items() if (field.alias or name) == key), None)


def _first_model(annotation: object) -> type[BaseModel] | None:
    """Return the first model within an annotation such as ``tuple[Capacitor, ...]``."""
    if isinstance(annotation, type) and get_origin(annotation) is None and issubclass(annotation, BaseModel):
        return annotation
    return next((model for part in get_args(annotation) if (model := _first_model(part)) is not None), None)


def quantity_of(field: FieldInfo | None) -> QuantityField | None:
    """Return the quantity that a field holds."""
    return next((mark for mark in field.metadata if isinstance(mark, QuantityField)), None) if field else None


def choices_of(field: FieldInfo | None) -> tuple[str, ...]:
    """Return the words that a field takes."""
    if field is None or get_origin(field.annotation) is not Literal:
        return ()
    return get_args(field.annotation)


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
    path = in_file(path, document)
    return quantity_of(field_of(model_at(path[:-1], document), path[-1])) if path[0] in SECTIONS else None
