"""Loads of a case in words and tables: boundaries, what happens below them, and the output characteristic."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.report.basics.layout import laid_out, lettered, paragraph
from loopdesign.report.basics.tables import without_empty
from loopdesign.report.loads.tables import (
    below_table,
    boundary_table,
    ends_table,
    input_volts,
    levels_table,
    overload_table,
)
from loopdesign.report.loop.terminal import bullets
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Mapping

    from loopdesign.analysis.loads.result import LoadsResult
    from loopdesign.analysis.regimes.overload.curve import OverloadCurve
    from loopdesign.report.basics.layout import Display


def loads_verdict(found: LoadsResult) -> str:
    """Say whether every load of the case lies between the boundaries.

    Parameters
    ----------
    found : LoadsResult
        The loads.

    Returns
    -------
    str
        A sentence.
    """
    given = found.case.specification.output_current
    span = f"{format_quantity(given.lowest, 'A')} to {format_quantity(given.highest, 'A')}"
    if found.reasons:
        return f"Not every load of the case ({span}) was found regulated: {'; '.join(found.reasons)}."
    if found.case.specification.regulate == "current" and found.overload:
        return (
            f"Every regulated current of the case ({span}) lies above the lower boundary at every input voltage"
            f"{_with_ends(found)}; at the listed input voltages the controller's limits allow it at the voltage of the "
            "load, nominal parts; run check for stability."
        )
    lower = "above the lower boundary" if found.largest_load_a is None else "within the boundaries"
    upper = ""
    if found.largest_load_a is None:
        upper = " no upper boundary was traced, the listed loads were examined at the listed input voltages;"
    told = f"lies {lower} at every input voltage{_with_ends(found)}"
    return f"Every load of the case ({span}) {told};{upper} run check for stability."


def _with_ends(found: LoadsResult) -> str:
    """Say which boundaries were traced at the tolerance ends, and that the rest is for nominal parts."""
    ranges = () if found.ends is None or not found.ends.causes else found.ends.ranges
    names = {r.name for r in ranges}
    traced = [word for word, name in (("lower", "least_load_a"), ("upper", "largest_load_a")) if name in names]
    if not traced:
        return " with nominal parts (their tolerance ends not examined)"
    which = " and ".join(traced)
    return f" with nominal parts, at the listed ones with tolerance ends of the {which} boundary too"


def curve_sentence(curve: OverloadCurve) -> str:
    """Say where an output characteristic ends, and which way it goes.

    Parameters
    ----------
    curve : OverloadCurve
        The curve.

    Returns
    -------
    str
        A sentence.
    """
    shape = "over part of the curve the current falls together with the output" if curve.folds_back else ""
    shape = shape or ("" if curve.levels else "the current rises while the output falls")
    bad = sum(p.stable is False for p in curve.points)
    growing = f"; {bad} of its points {'is' if bad == 1 else 'are'} not stable or not kept" if bad else ""
    told = f"{'; ' if shape else ''}{shape}{growing}" if curve.points else ""
    return f"{input_volts(curve.input_voltage)}: {curve.reason}{told}"


def loads_text(found: LoadsResult, display: Display, *, wrote: tuple[str, ...] = ()) -> str:
    """Write the loads for a terminal.

    Parameters
    ----------
    found : LoadsResult
        The loads.
    display : Display
        What it is shown on.
    wrote : tuple of str
        Files that were written.

    Returns
    -------
    str
        The verdict first.
    """
    case = found.case
    head = f"{' '.join(case.title.split())} ({case.converter.topology}): loads over input voltage"
    blocks = [head, paragraph(loads_verdict(found), display), laid_out(without_empty(boundary_table(found)), display)]
    ends = ends_table(found)
    if ends.rows:
        blocks.append(laid_out(ends, display))
    if found.below:
        blocks.append(laid_out(without_empty(below_table(found)), display))
    if any(c.levels for c in found.overload):
        blocks.append(laid_out(without_empty(levels_table(found)), display))
    if found.overload:
        blocks.append(bullets("Overload", tuple(curve_sentence(c) for c in found.overload), display))
    blocks += [laid_out(without_empty(overload_table(c)), display) for c in found.overload if c.points]
    blocks.append(bullets("Notes", found.notes, display))
    blocks += [f"wrote {name}" for name in wrote]
    return lettered("\n\n".join(blocks), display)


def _written(ends: Mapping[str, float]) -> str:
    """Write the relative change of every cause in one cell."""
    return "; ".join(f"{name} {change:+.6g}" for name, change in ends.items())


def loads_csv(found: LoadsResult) -> str:
    """Write everything as comma-separated values in SI units, with a heading.

    Parameters
    ----------
    found : LoadsResult
        The loads.

    Returns
    -------
    str
        One line per boundary, light load, held level and point of an output characteristic, by ``kind``.
    """
    rows = [{"kind": "boundary", **row} for row in found.to_rows()]
    for r in () if found.ends is None else found.ends.ranges:
        for side, end in (("lowest", r.lowest), ("highest", r.highest)):
            value = end.value if np.isfinite(end.value) else None
            at = {"input_voltage": r.input_voltage, "temperature": end.temperature, "ends": _written(end.ends)}
            rows.append({"kind": f"{side} at tolerance ends", **at, r.name: value})
    for row in found.below:
        told = row.to_dict()
        light = told.pop("light_load") or {}
        rows.append({"kind": "below", **told, **light})
    for c in found.overload:
        rows += [{"kind": "level", "input_voltage": c.input_voltage, **level.to_dict()} for level in c.levels]
        for point in c.points:
            told = point.to_dict()
            outputs = {f"output {name}": volts for name, volts in told.pop("outputs").items()}
            rows.append({"kind": "overload", "input_voltage": c.input_voltage, **told, **outputs})
    names = list(dict.fromkeys(name for row in rows for name in row))
    stream = io.StringIO()
    writer = csv.DictWriter(stream, names, lineterminator="\n", restval="")
    writer.writeheader()
    writer.writerows({k: "" if v is None else v for k, v in row.items()} for row in rows)
    return stream.getvalue()
