"""Every key of the case file with what it takes, its default and its meaning, read off the models."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, get_args, get_origin

from pydantic import BaseModel

from loopdesign.case.fields import CurveField, Levels, LevelsOf, QuantityField, Tolerance
from loopdesign.case.fields.tolerance import ToleranceField
from loopdesign.case.kinds import SECTIONS, models_of
from loopdesign.case.model import Case
from loopdesign.case.reference.meanings import MEANINGS
from loopdesign.units.quantities import exact_quantity

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pydantic.fields import FieldInfo

PARTS: dict[str, str] = {
    "LoadStep": "load step",
    "LineStep": "line step",
    "LineDropout": "line drop-out",
    "VoltageLoad": "voltage load",
    "InductorEntry": "inductor",
    "CapacitorEntry": "capacitor",
    "FilterCapacitor": "capacitor",
    "Damper": "damper",
    "FilterDamper": "filter damper",
    "CapacitorCandidate": "candidate capacitor",
    "DamperCandidate": "candidate damper",
    "InductorElement": "element of kind inductor",
    "CapacitorElement": "element of kind capacitor",
    "ResistorElement": "element of kind resistor",
    "SwitchElement": "element of kind switch",
    "RectifierElement": "element of kind rectifier",
    "CouplingElement": "element of kind coupling",
    "TransformerElement": "element of kind transformer",
    "OutputEntry": "further output",
    "SwitchEntry": "switch",
    "DiodeEntry": "diode",
    "Source": "source",
    "Clamp": "clamp",
    "Leakage": "leakage",
    "SwitchClamp": "clamp of the switch",
}
"""Names of the tables that sections hold, by their models."""
CHOOSERS = ("scheme", "kind", "regulate")
"""Keys that choose the kind of their section."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyRow:
    """One key of the case file.

    Attributes
    ----------
    key
        As the file writes it.
    takes
        Its unit, its words, or what kind of table it is.
    default
        "required", the value where the key is left out, or empty where its absence is explained by the meaning.
    meaning
        What it says.
    """

    key: str
    takes: str
    default: str
    meaning: str


def meaning_of(model: type[BaseModel], field: str) -> str:
    """Return the meaning of a field, empty where none is written.

    Parameters
    ----------
    model
        A table of the case file.
    field
        Name of its field.
    """
    return next((MEANINGS[c.__name__][field] for c in model.__mro__ if field in MEANINGS.get(c.__name__, {})), "")


def key_rows(model: type[BaseModel]) -> tuple[KeyRow, ...]:
    """Return a row for each key of one table.

    Parameters
    ----------
    model
        The table.
    """
    return tuple(
        KeyRow(
            key=field.alias or name, takes=_takes(field), default=_default(field), meaning=meaning_of(model, name)
        )
        for name, field in model.model_fields.items()
        if not (model is Case and name in {"source", "warnings"})
    )  # fmt: skip


def reference() -> tuple[tuple[str, tuple[KeyRow, ...]], ...]:
    """Return the whole reference: the title and the rows of each table, in the order of a case file.

    A section of several kinds is a table of what they share and a table of what each adds; the parts that sections
    hold follow.
    """
    tables: list[tuple[str, tuple[KeyRow, ...]]] = [("Top of the file", key_rows(Case)[:2])]
    parts: dict[str, type[BaseModel]] = {}
    for name in SECTIONS[2:]:
        models = list(dict.fromkeys(models_of(name)))
        tables += _section_tables(name, models)
        parts |= {m.__name__: m for model in models for m in nested(model)}
    named = {PARTS[name]: name for name in reversed(PARTS) if name in parts}
    tables += [(title.capitalize(), key_rows(parts[name])) for title, name in reversed(named.items())]
    return tuple(tables)


def _section_tables(name: str, models: list[type[BaseModel]]) -> list[tuple[str, tuple[KeyRow, ...]]]:
    """Return what every kind of a section has, and what each adds."""
    rows = [key_rows(m) for m in models]
    shared = tuple(r for r in rows[0] if all(r in other for other in rows[1:]))
    tables = [(f"`[{name}]`", shared)]
    for model, own in zip(models, rows, strict=True):
        added = sorted((r for r in own if r not in shared), key=lambda r: r.key not in CHOOSERS)
        tables += [(f"`[{name}]` {_kind(model)}", tuple(added))] if added else []
    return tables


def reference_markdown() -> str:
    """Write the reference as Markdown tables, as the README carries it."""
    blocks = []
    for title, rows in reference():
        lines = [f"| `{r.key}` | {r.takes} | {r.default} | {_escaped(r.meaning)} |" for r in rows]
        head = ["| key | takes | default | meaning |", "|---|---|---|---|"]
        blocks.append("\n".join([f"**{title}**", "", *head, *lines]))
    return "\n\n".join(blocks) + "\n"


def _escaped(text: str) -> str:
    return text.replace("|", "\\|")


def _code(text: str) -> str:
    return f"`{text}`"


def _kind(model: type[BaseModel]) -> str:
    """Name one kind of a section by the word that chooses it."""
    words = {
        "TwoInductorStage": "of sepic, cuk and zeta",
        "OneInductorStage": "of boost, buck and inverting",
        "FlybackStage": "of flyback",
        "CustomStage": "of custom",
    }
    if model.__name__ in words:
        return words[model.__name__]
    chooser = next(n for n in CHOOSERS if n in model.model_fields)
    word = get_args(model.model_fields[chooser].annotation)[0]
    return f'with `{chooser} = "{word}"`'


def nested(model: type[BaseModel]) -> Iterator[type[BaseModel]]:
    """Yield the tables that a table holds, and those that these hold in turn.

    Parameters
    ----------
    model
        The table.
    """
    for field in model.model_fields.values():
        for inner in tables_in(field):
            yield inner
            yield from nested(inner)


def tables_in(field: FieldInfo) -> Iterator[type[BaseModel]]:
    """Yield the tables that a field may hold.

    Parameters
    ----------
    field
        A field of a table of the case file.
    """
    yield from _models_in(field.annotation)


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:  # noqa: ANN401  (any annotation)
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _models_in(part)


def _mark(field: FieldInfo) -> object | None:
    """Return what says how a field is read, looking into unions such as ``float | None``."""
    marks = (QuantityField, LevelsOf, CurveField, ToleranceField)
    return next((m for m in field.metadata if isinstance(m, marks)), None)


def _takes(field: FieldInfo) -> str:
    """Say what a field takes: its unit, its words, or which table."""
    mark = _mark(field)
    if isinstance(mark, QuantityField):
        return " or ".join([_unit(mark), *(_code(f'"{word}"') for word, _ in mark.words)])
    if isinstance(mark, LevelsOf):
        keys = ", ".join(mark.table.model_fields)
        return f"{_unit(mark.each)}: `{{ {keys} }}`" + (", a list or one value" if mark.listed else " or one value")
    if isinstance(mark, CurveField):
        return f"list of `[{', '.join(_unit(q) for _, q in mark.columns)}]`"
    return "tolerance" if mark is not None else _plain(field)


def _plain(field: FieldInfo) -> str:
    """Say what a field without quantity takes."""
    literal = next((a for a in _flat(field.annotation) if get_origin(a) is Literal), None)
    if literal is not None:
        return ", ".join(_code(f'"{word}"') for word in get_args(literal))
    models = list(_models_in(field.annotation))
    if models:
        name = PARTS.get(models[0].__name__, "section")
        if len(models) > 1 and name.startswith("element"):
            return "list of elements"
        if name == "further output" or name.startswith("candidate"):
            return f"list of {name}s"
        name += ", with `esr`" if models[0].__name__ == "FilterCapacitor" else ""
        return f"{name}, or a list of them" if get_origin(field.annotation) is tuple else name
    if field.annotation == tuple[str, str]:
        return "two names"
    return "whole number" if field.annotation is int else "text"


def _flat(annotation: Any) -> Iterator[Any]:  # noqa: ANN401  (any annotation)
    yield annotation
    if get_origin(annotation) is not Literal:
        for part in get_args(annotation):
            yield from _flat(part)


def _unit(mark: QuantityField) -> str:
    return mark.unit or "number"


def _default(field: FieldInfo) -> str:
    """Write the value of a key that is left out; empty where the meaning says what its absence does."""
    if field.is_required():
        return "required"
    value, mark = field.default, _mark(field)
    if isinstance(mark, QuantityField):
        word = next((word for word, meaning in mark.words if meaning == value and (word == "auto" or value == 0.0)), "")
        return _code(f'"{word}"') if word else "" if value is None else exact_quantity(float(value), mark.unit)
    if isinstance(value, Levels):
        return f"{value.nominal:g}"
    if isinstance(value, str) and value:
        return _code(f'"{value}"')
    if isinstance(value, tuple) and value and all(isinstance(v, str) for v in value):
        return _code("[" + ", ".join(f'"{v}"' for v in value) + "]")
    return str(value) if isinstance(value, int | Tolerance) else ""
