"""The report as a folder: written whole beside its place, then swapped in. A failed run leaves the old report alone."""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loopdesign.errors import DataError
from loopdesign.report.answer import answer
from loopdesign.report.page import page

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from loopdesign.assess import Assessment
    from loopdesign.report.data import ReportData

MARK = "loopdesign"
"""Key of ``report.json`` by which a folder is known as a report that may be replaced."""
CHOSEN_CASE = "case.toml"
RESOLUTION = 150
"""Dots per inch of the PNG files."""


def write_report(
    assessment: Assessment, data: ReportData, folder: Path, *, chosen_case: str | None = None
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
    chosen_case
        Text of the case file with the chosen parts, written beside the report.

    Returns
    -------
    tuple of str
        Names of the files written. Files of an old report are replaced; whatever else lay beside them is kept.

    Raises
    ------
    DataError
        Where the folder exists and is no report, or cannot be written.
    """
    folder = Path(folder)
    require_replaceable(folder)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=f".{folder.name}-", dir=folder.parent) as holder:
            fresh = Path(holder) / "fresh"
            fresh.mkdir()
            names = _fill(fresh, assessment, data, chosen_case)
            _keep_others(folder, fresh)
            _swap(folder, fresh, Path(holder) / "old")
    except OSError as fault:
        raise DataError(f"the report cannot be written to {folder}: {fault.strerror or fault}") from fault
    return names


def require_replaceable(folder: Path) -> None:
    """Refuse a place that holds something other than a report or an empty folder.

    Raises
    ------
    DataError
        Says what is there and what to do.
    """
    if folder.is_symlink():
        raise DataError(f"{folder} is a link; name the folder itself with --output")
    if not folder.exists():
        return
    if not folder.is_dir():
        raise DataError(f"{folder} is a file; name another folder with --output")
    if any(folder.iterdir()) and MARK not in _marked(folder):
        raise DataError(f"{folder} exists and is not a report of this program; name another folder with --output")


def _marked(folder: Path) -> dict[str, Any]:
    """Content of the folder's report.json, empty where it is none."""
    try:
        content = json.loads((folder / "report.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return content if isinstance(content, dict) else {}


def _fill(fresh: Path, assessment: Assessment, data: ReportData, chosen_case: str | None) -> tuple[str, ...]:
    """Write every file of the report."""
    from loopdesign.report.plots import loop_bode_figure, nyquist_figure, plant_bode_figure  # noqa: PLC0415

    drawn = {"plant_bode": plant_bode_figure}
    if data.loop is not None:
        drawn = {"loop_bode": loop_bode_figure, "nyquist": nyquist_figure, **drawn}
    for name, figure in drawn.items():
        save_figure(figure(data), fresh / name)
    if chosen_case is not None:
        (fresh / CHOSEN_CASE).write_text(chosen_case, encoding="utf-8")
    text = page(assessment, data, plots=tuple(drawn), chosen_case=None if chosen_case is None else CHOSEN_CASE)
    (fresh / "report.md").write_text(text, encoding="utf-8")
    names = tuple(sorted([*(p.name for p in fresh.iterdir()), "report.json"]))
    content = {MARK: {"kind": "report", "files": list(names)}, **answer(assessment)}
    content["proposals"] = list(data.proposals)
    text = json.dumps(content, indent=1, allow_nan=False, ensure_ascii=False) + "\n"
    (fresh / "report.json").write_text(text, encoding="utf-8")
    return names


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
    with rc_context({"svg.hashsalt": "loopdesign"}):
        figure.savefig(stem.with_name(stem.name + ".svg"), metadata={"Date": None, "Creator": None})


def _keep_others(folder: Path, fresh: Path) -> None:
    """Copy what lay in the old folder and is not the report's own."""
    if not folder.is_dir():
        return
    own = set(_marked(folder).get(MARK, {}).get("files", ()))
    for path in folder.iterdir():
        if path.name in own or (fresh / path.name).exists():
            continue
        if path.is_dir() and not path.is_symlink():
            shutil.copytree(path, fresh / path.name, symlinks=True)
        else:
            shutil.copy2(path, fresh / path.name, follow_symlinks=False)


def _swap(folder: Path, fresh: Path, old: Path) -> None:
    """Put the fresh folder in place; the old one goes back where that fails."""
    if not folder.exists():
        fresh.rename(folder)
        return
    folder.rename(old)
    try:
        fresh.rename(folder)
    except OSError:
        old.rename(folder)
        raise
