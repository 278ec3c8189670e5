"""Every value of the case, with all its digits, tolerances and curves, as tables: one for each section of the file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import BaseModel

from loopdesign.case import PART_UNITS, Case, Compensation, Levels, Tolerance
from loopdesign.case.fields import CurveField, LevelsOf, QuantityField
from loopdesign.case.reference.rows import meaning_of
from loopdesign.report.basics.exact import exact_text, tolerance_text
from loopdesign.report.basics.tables import Column, Table
from loopdesign.report.content.blocks import Paragraph, SectionHeading, TableBlock

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pydantic.fields import FieldInfo

    from loopdesign.report.content.blocks import Block

SECTIONS = (
    "converter", "specification", "stage", "input_filter", "output_filter", "modulator", "error_amplifier", "divider",
    "current_sense", "compensation", "targets", "ratings", "candidates",
)  # fmt: skip
"""Sections in the order of the file; who signs the document stands in the title block."""
LEFT_OUT = "not given"
NODES = ("between", "of", "primary", "secondary")
"""Keys of an element that name two nodes, or the two inductors of a coupling."""
_COLUMNS = (
    Column(heading="key", key=True), Column(heading="value"), Column(heading="from"), Column(heading="meaning"),
)  # fmt: skip


def inputs_chapter(case: Case) -> tuple[Block, ...]:
    """List every value of the case.

    Parameters
    ----------
    case
        The case.

    Returns
    -------
    tuple of Block
        One table for each section that the case has. What the file leaves out stands there with its default.
    """
    tables = input_tables(case)
    return (
        SectionHeading(text="What was given"),
        Paragraph(
            text="Every value that the results rest on, as the case file has it and with all its digits. Where the "
            "file leaves a key out, its default stands here and says so; keys that have no default and are not "
            "given are named below the table."
        ),
        *(TableBlock(table=table) for table in tables),
    )


def input_tables(case: Case) -> tuple[Table, ...]:
    """Write one table for each section that the case has.

    Parameters
    ----------
    case
        The case.

    Returns
    -------
    tuple of Table
        Key, value, where it is from and what it means.
    """
    return tuple(_table(case, name) for name in SECTIONS if isinstance(getattr(case, name), BaseModel))


def _table(case: Case, name: str) -> Table:
    """Write one section: its rows in the order of the file, and in a note what it leaves out."""
    rows = sorted(_rows(getattr(case, name), ""), key=lambda row: _order(case, name, row[0]))
    absent = [key for key, text, *_ in rows if text == LEFT_OUT]
    told = ["Candidates are no part of this report: it examines the parts of [stage]."] if name == "candidates" else []
    return Table(
        title=f"Inputs: [{name}]",
        columns=_COLUMNS,
        rows=tuple(row for row in rows if row[1] != LEFT_OUT),
        note=" ".join([*told, *([f"Not given: {', '.join(absent)}."] if absent else [])]),
    )


def _order(case: Case, section: str, key: str) -> tuple[float, float]:
    """Place of a key, or of the part it belongs to, in the file; keys that the file does not have come last."""
    head = key.partition(".")[0].partition("[")[0]
    place = case.place(f"{section}.{head}")
    return (float("inf"), 0.0) if place is None or place == case.place(section) else place


def _rows(table: BaseModel, path: str) -> Iterator[tuple[str, str, str, str]]:
    """Yield a row for each value of a table and of the tables in it."""
    unfit = set(PART_UNITS) - set(table.parts) if isinstance(table, Compensation) else set()
    unfit |= {"name", "kind", *NODES} if _is_named(table) else set()
    for name, field in type(table).model_fields.items():
        value, key = getattr(table, name), f"{path}{field.alias or name}"
        if name in unfit:
            continue
        if isinstance(value, BaseModel):
            yield from _rows(value, f"{key}.")
        elif isinstance(value, tuple) and value and isinstance(value[0], BaseModel):
            for k, part in enumerate(value):
                if _is_named(part):
                    yield part.name, _what_and_where(part), "file", "what it is, and its nodes"
                    yield from _rows(part, f"{part.name}.")
                else:
                    yield from _rows(part, f"{key}." if len(value) == 1 else f"{key}[{k + 1}].")
        else:
            origin = "file" if name in table.model_fields_set else "default"
            yield key, value_text(value, field) or LEFT_OUT, origin, meaning_of(type(table), name).replace("`", '"')


def _is_named(table: BaseModel) -> bool:
    """Whether a table is found by a name of its own: an element or a further output of a custom stage."""
    name = type(table).model_fields.get("name")
    return name is not None and name.is_required()


def _what_and_where(part: BaseModel) -> str:
    """Say in one line what a named part is and which nodes it joins, or which inductors it couples."""
    joined = [f"{key} {' and '.join(getattr(part, key))}" for key in NODES if hasattr(part, key)]
    return f"{getattr(part, 'kind', 'further output')}{', ' if len(joined) > 1 else ' '}{', '.join(joined)}"


def value_text(value: Any, field: FieldInfo) -> str:  # noqa: ANN401  (whatever a key holds)
    """Write one value with all its digits and its unit.

    Parameters
    ----------
    value
        What the case has.
    field
        The field that holds it; its unit stands there.

    Returns
    -------
    str
        Empty for nothing.
    """
    mark = next((m for m in field.metadata if isinstance(m, QuantityField | LevelsOf | CurveField)), None)
    if value is None:
        return next((w for w, meaning in mark.words if meaning is None), "") if isinstance(mark, QuantityField) else ""
    if isinstance(value, Tolerance):
        return tolerance_text(value)
    if isinstance(value, Levels) and isinstance(mark, LevelsOf):
        return _levels(value, mark.each.unit)
    if isinstance(mark, CurveField):
        return _curve(value, mark)
    if isinstance(mark, QuantityField) and isinstance(value, float | int):
        word = next((w for w, meaning in mark.words if meaning == value), "")
        return word or exact_text(float(value), mark.unit)
    return ", ".join(value) if isinstance(value, tuple) else str(value)


def _levels(value: Levels, unit: str) -> str:
    """Write every level, and which of them is nominal where there are several."""
    told = ", ".join(exact_text(v, unit) for v in value.values)
    if len(value.values) == 1:
        return told
    return f"{told} (nominal {exact_text(value.nominal, unit)})"


def _curve(points: tuple[tuple[float, ...], ...], mark: CurveField) -> str:
    """Write every point of a curve: where, and what is left there."""
    units = [field.unit for _, field in mark.columns]
    told = []
    for point in points:
        at, *shares = (exact_text(v, u) for v, u in zip(point, units, strict=True))
        told.append(f"{at}: {' and '.join(shares)}")
    return "; ".join(told)
