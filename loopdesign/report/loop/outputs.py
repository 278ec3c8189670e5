"""Further outputs of a stage and its elements, as tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.corners.custom.listing import stage_elements
from loopdesign.report.basics.tables import INPUT, LOAD, Column, Table

if TYPE_CHECKING:
    from loopdesign import case as cases
    from loopdesign.analysis.check import CheckResult


def cross_table(found: CheckResult) -> Table | None:
    """List the average of every further output over line and loads.

    Parameters
    ----------
    found : CheckResult
        The check.

    Returns
    -------
    Table or None
        One row per combination; None where the stage has no further outputs.
    """
    study = found.cross_regulation
    if study is None:
        return None
    columns = [INPUT, LOAD]
    series = []
    for name in study.voltages:
        columns += [Column(heading=f"{name} load", unit="A"), Column(heading=name, unit="V", digits=4)]
        series += [study.currents[name], study.voltages[name]]
    rows = tuple(
        (float(study.input_voltage[k]), float(study.load_current[k]), *(float(s[k]) for s in series))
        for k in range(len(study.input_voltage))
    )
    return Table(title="Cross regulation of the further outputs", columns=tuple(columns), rows=rows)


def elements_table(case: cases.Case) -> Table | None:
    """List the elements of a stage with their nodes.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    Table or None
        One row per element; None where the stage is a named one, which has a drawing.
    """
    rows = tuple((e.name, e.kind, " - ".join(e.nodes), e.value) for e in stage_elements(case))
    if not rows:
        return None
    columns = tuple(Column(heading=h) for h in ("element", "kind", "between", "value"))
    return Table(title="Net list of the power stage", columns=columns, rows=rows)
