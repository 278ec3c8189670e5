"""Writing chosen parts back into a case file, comments kept, and the JSON Schema for editors."""

from __future__ import annotations

from collections.abc import MutableMapping, MutableSequence
from typing import TYPE_CHECKING, Any

from loopdesign.case.kinds import SECTIONS, models_of
from loopdesign.case.model import Case
from loopdesign.case.reference.rows import meaning_of, nested
from loopdesign.case.tables.candidates import ENTRY_ONLY
from loopdesign.case.tables.control import PART_UNITS
from loopdesign.case.tables.stage import STAGES
from loopdesign.case.vary import quantity_path
from loopdesign.case.words import spelled
from loopdesign.errors import DataError
from loopdesign.units.quantities import exact_quantity

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pydantic import BaseModel


def write_parts(text: str, parts: Mapping[str, float]) -> str:
    """Write chosen parts into the text of a case file and keep everything else as it is.

    Parameters
    ----------
    text : str
        A valid case file.
    parts : mapping of str to float
        Values in SI units by name: parts of the compensation network ("R1"), or dotted keys ("modulator.slope",
        "divider.upper", "stage.damper.resistance", "stage.Co2.esr"). Zero for a part of the network means "none".

    Returns
    -------
    str
        The new text.

    Raises
    ------
    DataError
        A key is not one that holds a quantity.
    """
    import tomlkit  # noqa: PLC0415 - only needed when a file is written

    document = tomlkit.parse(text.removeprefix("\ufeff"))
    plain = spelled(document.unwrap())
    for name, value in parts.items():
        steps, mark = quantity_path(plain, f"compensation.{name}" if name in PART_UNITS else name)
        if mark is None:
            raise DataError(f'"{name}" is not a part that can be written into this case file')
        table: Any = document
        for depth, step in enumerate(steps[:-1]):
            if isinstance(step, str) and step not in table:
                table[step] = tomlkit.table() if depth == 0 else tomlkit.inline_table()
            table = table[step]
            if not isinstance(table, MutableMapping | MutableSequence):
                raise DataError(f'"{name}" does not name a key in a table of this case file')
        fitted = value != 0 or not any(word == "none" for word, _ in mark.words)
        table[steps[-1]] = exact_quantity(value, mark.unit) if fitted else "none"
    return tomlkit.dumps(document)


def write_candidates(text: str, chosen: Mapping[str, int]) -> str:
    """Write chosen candidates into the stage of a case file and keep everything else as it is.

    Parameters
    ----------
    text : str
        A valid case file with candidates.
    chosen : mapping of str to int
        Number of the candidate, counted from 0, by the designator whose place it takes [unitless].

    Returns
    -------
    str
        The new text; quantities as the candidate's own entry writes them.
    """
    import tomlkit  # noqa: PLC0415 - only needed when a file is written

    document = tomlkit.parse(text.removeprefix("\ufeff"))
    stage: Any = document["stage"]
    for name, number in chosen.items():
        entry = stage_entry(document.unwrap(), name, number)
        table = tomlkit.table() if isinstance(stage.get(name), tomlkit.items.Table) else tomlkit.inline_table()
        table.update(entry)
        if isinstance(stage.get(name), tomlkit.items.AoT):
            del stage[name]
        stage[name] = table
    return tomlkit.dumps(document)


def stage_entry(document: Mapping[str, Any], name: str, number: int) -> dict[str, Any]:
    """Return a candidate as an entry of [stage]: without its price, size and name.

    Parameters
    ----------
    document : mapping
        The case file as read.
    name : str
        Designator.
    number : int
        Number of the candidate, counted from 0 [unitless].

    Returns
    -------
    dict
        Keys and values as the file has them.
    """
    entry = document["candidates"][name][number]
    return {key: value for key, value in entry.items() if key not in ENTRY_ONLY}


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema of a case file, for editors.

    Returns
    -------
    dict
        JSON Schema; quantities are strings with units or plain SI numbers, every key is described, and the stage
        follows the topology.
    """
    schema = Case.model_json_schema(by_alias=True)
    _describe(schema)
    _drop_null(schema)
    for name in ("source", "warnings"):
        schema["properties"].pop(name)
    schema["title"] = "loopdesign case file"
    schema["properties"]["stage"] = {"type": "object", "description": "the parts, by the designators of the topology"}
    schema["allOf"] = [
        {
            "if": {"properties": {"converter": {"properties": {"topology": {"const": topology}}}}},
            "then": {"properties": {"stage": {"$ref": f"#/$defs/{model.__name__}"}}},
        }
        for topology, model in STAGES.items()
    ]
    return schema


def _drop_null(schema: Any) -> None:  # noqa: ANN401  (any piece of a schema)
    """Take out null, which the file format does not have."""
    if isinstance(schema, dict):
        if "anyOf" in schema:
            schema["anyOf"] = [kind for kind in schema["anyOf"] if kind != {"type": "null"}]
        if schema.get("default", "") is None:
            del schema["default"]
    for inner in schema.values() if isinstance(schema, dict) else schema if isinstance(schema, list) else ():
        _drop_null(inner)


def _describe(schema: dict[str, Any]) -> None:
    """Put the meaning of each key into the schema, for an editor to show."""
    models: dict[str, type[BaseModel]] = {"Case": Case}
    for section in SECTIONS:
        for model in models_of(section):
            models |= {m.__name__: m for m in (model, *nested(model))}
    for name, model in models.items():
        table = schema if model is Case else schema["$defs"].get(name, {"properties": {}})
        table.pop("description", None)
        for field, info in model.model_fields.items():
            entry = table["properties"].get(info.alias or field)
            meaning = meaning_of(model, field)
            if entry is None or not meaning:
                continue
            entry.pop("title", None)
            takes = entry.get("description", "")
            entry["description"] = f"{meaning}: {takes}" if takes else meaning
