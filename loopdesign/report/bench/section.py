"""Measurements beside their prediction as a section of a report, with pictures and the fitted case file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from loopdesign.report.bench.plots import bench_figures
from loopdesign.report.bench.text import bench_facts, bench_notes, bench_tables
from loopdesign.report.page import markdown_table, neutral
from loopdesign.report.sections import ReportSection

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.figure import Figure

    from loopdesign.bench.result import BenchResult

CAUTION = (
    "A converter on the bench holds energy and may carry voltages that kill. Discharge capacitors, use an isolated "
    "injection transformer and probes rated for the voltage, and keep one hand free of the circuit."
)


def bench_section(found: Sequence[BenchResult], files: Mapping[str, str] | None = None) -> ReportSection:
    """Describe how measurements compare with their prediction.

    Parameters
    ----------
    found : sequence of BenchResult
        One for each file.
    files : mapping of str to str, optional
        Further files by name.

    Returns
    -------
    ReportSection
        Sentences, tables and pictures.
    """
    several = len(found) > 1
    pieces, figures = [], dict[str, "Figure"]()
    for number, held in enumerate(found, 1):
        tables = [f"**{neutral(t.title)}**\n\n{markdown_table(t)}" for t in bench_tables(held)]
        facts = [f"- {neutral(fact)}" for fact in (*bench_facts(held), *bench_notes(held))]
        pieces += [neutral(held.sentence), "\n".join(facts), *tables]
        figures |= bench_figures(held, number if several else None)
    pieces.append(neutral(CAUTION))
    return ReportSection(title="From the bench", text="\n\n".join(pieces), figures=figures, files=files or {})


def bench_content(found: Sequence[BenchResult]) -> dict[str, Any]:
    """Return everything a machine may want of a comparison: the answers, and the verdict with the fitted values.

    Parameters
    ----------
    found : sequence of BenchResult
        One for each file.

    Returns
    -------
    dict
        ``measurements``, and ``board`` where values were fitted.
    """
    board = found[0].board
    told: dict[str, Any] = {"measurements": [held.to_dict() for held in found]}
    return told if board is None else told | {"board": board.to_dict()}
