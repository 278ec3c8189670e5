"""Start-ups and line drop-outs as text and as the object that ``--json`` prints."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from loopdesign.report.basics.layout import PIPE, Display, laid_out, lettered, paragraph
from loopdesign.report.basics.tables import INPUT, LOAD, Column, Table

if TYPE_CHECKING:
    from loopdesign.analysis.startup.rise import RiseStudy


def start_answer(study: RiseStudy) -> dict[str, Any]:
    """Turn the runs into plain numbers, ready for JSON.

    Parameters
    ----------
    study : RiseStudy
        Every run.

    Returns
    -------
    dict
        ``corners`` holds the starts, ``others`` the drop-outs of the line.
    """
    return {
        "title": study.case.title,
        "topology": study.case.converter.topology,
        "corners": [r.to_dict() for r in study.results if r.kind == "start"],
        "others": [r.to_dict() for r in study.results if r.kind != "start"],
        "verdict": {"stable": study.stable, "reasons": list(study.reasons)},
        "notes": list(study.notes),
        "warnings": list(study.case.warnings),
    }


def start_table(study: RiseStudy) -> Table:
    """List what is read from every run.

    Parameters
    ----------
    study : RiseStudy
        Every run.

    Returns
    -------
    Table
        One row per run.
    """
    columns = (
        Column(heading="run"), INPUT, LOAD, Column(heading="verdict"), Column(heading="overshoot", unit="V"),
        Column(heading="lowest output", unit="V"), Column(heading="regulated after", unit="s"),
        Column(heading="peak sensed current", unit="A"), Column(heading="cycles at the current limit"),
    )  # fmt: skip
    rows = tuple(
        (
            "start" if r.kind == "start" else "line drop-out", r.input_voltage, r.load_current,
            "regulated" if r.stable else "LATCHED" if r.latched else "NOT REGULATED", r.overshoot_v,
            r.lowest_output_v, r.settling_time_s, r.peak_current_a, str(r.limited_cycles) if r.limited_cycles else None,
        )
        for r in study.results
    )  # fmt: skip
    return Table(title="Start-up and line drop-out", columns=columns, rows=rows)


def start_text(study: RiseStudy, *, display: Display = PIPE) -> str:
    """Write the runs for a terminal.

    Parameters
    ----------
    study : RiseStudy
        Every run.
    display : Display
        What it is shown on.

    Returns
    -------
    str
        Table, notes, and last what was found.
    """
    blocks = [f"{' '.join(study.case.title.split())} ({study.case.converter.topology}): start-up"]
    blocks.append(laid_out(start_table(study), display))
    blocks.append("\n".join(paragraph(f"note: {n}", display, hanging="    ") for n in study.notes))
    return lettered("\n\n".join([*blocks, paragraph(start_verdict(study), display)]), display)


def start_verdict(study: RiseStudy) -> str:
    """Say in a sentence whether the output comes to regulation, or where it does not.

    Parameters
    ----------
    study : RiseStudy
        Every run.

    Returns
    -------
    str
        What fails, or that nothing does.
    """
    count = len(study.results)
    return "; ".join(study.reasons) if study.reasons else f"The output comes to regulation in all {count} runs."


def start_sentence(study: RiseStudy, *, display: Display = PIPE) -> str:
    """Tell a terminal beside a verdict whether the output comes to regulation, and that the verdict is not about it.

    Parameters
    ----------
    study : RiseStudy
        Every run.
    display : Display
        What it is shown on.

    Returns
    -------
    str
        A paragraph; it begins with a word of warning where something fails.
    """
    kinds = {r.kind for r in study.results}
    what = " and ".join(word for kind, word in (("start", "start-up"), ("dropout", "line drop-out")) if kind in kinds)
    head = f"{what or 'start-up'}, not part of the verdict"
    if study.reasons:
        return paragraph(f"warning: {head}: {'; '.join(study.reasons)}", display, hanging="    ")
    return paragraph(
        f"{head}: the output comes to regulation in all {len(study.results)} runs", display, hanging="    "
    )
