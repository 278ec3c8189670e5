"""The report as a folder: every file of it, written whole or not at all. A failed run leaves the old report alone."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from loopdesign.printable import json_text
from loopdesign.report.loop.answer import answer
from loopdesign.report.page import page
from loopdesign.report.replace import MARK, replace

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.figure import Figure

    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.curves import ReportData
    from loopdesign.report.sections import ReportSection

CHOSEN_CASE = "case.toml"
RESOLUTION = 150
"""Dots per inch of the PNG files."""


def write_report(
    assessment: CheckResult,
    data: ReportData,
    folder: Path,
    *,
    content: dict[str, Any] | None = None,
    chosen: Mapping[str, float] | None = None,
    chosen_case: str | None = None,
    sections: Sequence[ReportSection] = (),
) -> tuple[str, ...]:
    """Write the report folder; an existing report is replaced only by a complete one.

    Parameters
    ----------
    assessment
        What a check found.
    data
        What `report_data` made of it.
    folder
        Where the report goes.
    content
        The answer for machines, for ``report.json``; that of the assessment unless given.
    chosen
        What design chose, by name, in SI units.
    chosen_case
        Text of the case file with the chosen parts, written beside the report.
    sections
        Further sections with their figures and files.

    Returns
    -------
    tuple of str
        Names of the files written. Files of an old report are replaced; whatever else lay beside them is kept.

    Raises
    ------
    DataError
        Where the folder exists and is not a report, or cannot be written.
    """
    names: list[str] = []

    def fill(fresh: Path) -> None:
        _fill(fresh, assessment, data, dict(chosen or {}), chosen_case, sections)
        told = answer(assessment) if content is None else content
        names[:] = _write_answer(fresh, told | {"proposals": list(data.proposals)})

    replace(Path(folder), fill)
    return tuple(names)


def write_section(section: ReportSection, content: dict[str, Any], folder: Path) -> None:
    """Write one section as a folder of its own, whole or not at all.

    Parameters
    ----------
    section
        Text, figures and files.
    content
        The answer for machines, for ``report.json``.
    folder
        Where it goes; an older report there is replaced.

    Raises
    ------
    DataError
        Where the folder exists and is not a report, or cannot be written.
    """

    def fill(fresh: Path) -> None:
        _write_sections(fresh, [section])
        (fresh / "report.md").write_text(section.markdown(), encoding="utf-8")
        _write_answer(fresh, content)

    replace(Path(folder), fill)


def _write_sections(fresh: Path, sections: Sequence[ReportSection]) -> None:
    """Write figures and files of sections."""
    for section in sections:
        for name, figure in section.figures.items():
            save_figure(figure, fresh / name)
        for name, text in section.files.items():
            (fresh / name).write_text(text, encoding="utf-8")


def _write_answer(fresh: Path, content: dict[str, Any]) -> tuple[str, ...]:
    """Write ``report.json`` with the mark and the names of all files."""
    names = tuple(sorted([*(p.name for p in fresh.iterdir()), "report.json"]))
    marked = {MARK: {"kind": "report", "files": list(names)}, **content}
    (fresh / "report.json").write_text(json_text(marked) + "\n", encoding="utf-8")
    return names


def _fill(
    fresh: Path,
    assessment: CheckResult,
    data: ReportData,
    chosen: dict[str, float],
    chosen_case: str | None,
    sections: Sequence[ReportSection],
) -> None:
    """Write every file of the report but the answer for machines."""
    from loopdesign.report.loop.plots import loop_bode_figure, nyquist_figure, plant_bode_figure  # noqa: PLC0415

    drawn = {"plant_bode": plant_bode_figure}
    if data.loop is not None:
        drawn = {"loop_bode": loop_bode_figure, "nyquist": nyquist_figure, **drawn}
    for name, figure in drawn.items():
        save_figure(figure(data), fresh / name)
    if chosen_case is not None:
        (fresh / CHOSEN_CASE).write_text(chosen_case, encoding="utf-8")
    _write_sections(fresh, sections)
    text = page(
        assessment,
        data,
        plots=tuple(drawn),
        chosen=chosen,
        chosen_case=None if chosen_case is None else CHOSEN_CASE,
        sections=tuple(x.markdown() for x in sections),
    )
    (fresh / "report.md").write_text(text, encoding="utf-8")


def save_figure(figure: Figure, stem: Path) -> None:
    """Save a figure as PNG and SVG with the same bytes for the same data.

    Parameters
    ----------
    figure
        What to save.
    stem
        Path without its ending.
    """
    from matplotlib import rc_context  # noqa: PLC0415

    figure.savefig(stem.with_name(stem.name + ".png"), dpi=RESOLUTION, metadata={"Software": None})
    figure.set_layout_engine("none")  # what was laid out once need not be laid out again
    with rc_context({"svg.hashsalt": "loopdesign"}):
        figure.savefig(stem.with_name(stem.name + ".svg"), metadata={"Date": None, "Creator": None})
