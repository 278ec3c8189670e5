"""What a person reads on the terminal. These functions return text; printing is the command line's job."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from loopdesign.report.basics import tables
from loopdesign.report.basics.layout import PIPE, Display, laid_out, lettered, paragraph
from loopdesign.report.basics.status import ALARMS, headline, verdict_sentence
from loopdesign.report.loop.outputs import cross_table
from loopdesign.report.loop.ratings import clamp_sentence, clamp_table, ratings_table
from loopdesign.report.loop.worst import effective_table, worst_table

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.filter_study import FilterStudy
    from loopdesign.analysis.filter_study.output import OutputFilterStudy
    from loopdesign.report.basics.tables import Table

_GOOD, _BAD = re.compile(r"\b(stable|ok)\b"), re.compile(rf"\b({'|'.join(ALARMS)})\b")
FURTHER = "operating points, currents and voltages, part values at bias, poles and zeros, limits, stability by mode"
"""What ``--details`` adds to a check, in words."""


def check_text(
    found: CheckResult,
    *,
    chosen: Mapping[str, float] | None = None,
    choice: str = "",
    further: str = "",
    report: str = "",
    display: Display = PIPE,
) -> str:
    """Write what a check or a design found: the verdict and the margins first, what they cover last.

    Parameters
    ----------
    found
        The check.
    chosen
        Parts that design chose, by name, in SI units.
    choice
        How they were chosen.
    further
        What the study of the input filter says.
    report
        Name of the report that was written.
    display
        What the text is shown on; its details add every other table.

    Returns
    -------
    str
        Text whose last paragraph is the verdict with what it covers, in one sentence.
    """
    chosen = chosen or {}
    blocks = [f"{' '.join(found.case.title.split())} ({found.case.converter.topology})", headline(found)]
    blocks += [bullets("What fails", found.reasons, display)] if found.reasons else []
    blocks.append(_shown(tables.margins_table(found) if found.margins else tables.stability_table(found), display))
    worst = worst_table(found)
    blocks += [] if worst is None else [_shown(worst, display)]
    blocks += [parts_line(found, chosen, display)] if found.parts or chosen else []
    blocks += [choice] if choice else []
    blocks += [paragraph(told, display, hanging="    ")] if (told := step_sentence(found)) else []
    blocks += [paragraph(clamp_sentence(clamp), display, hanging="    ")] if (clamp := found.clamp) is not None else []
    blocks += [further] if further else []
    warnings = [paragraph(f"warning: {w}", display, hanging="    ") for w in all_warnings(found)]
    blocks += ["\n".join(warnings)] if warnings else []
    blocks += [_shown(t, display) for t in detail_tables(found, chosen)] if display.details else []
    last = [f"report: {report}"] if report else []
    last += [] if display.details else [paragraph(f"--details adds: {FURTHER}", display)]
    blocks += ["\n".join(last)] if last else []
    return lettered("\n\n".join([*blocks, paragraph(verdict_sentence(found), display)]), display)


def detail_tables(found: CheckResult, chosen: Mapping[str, float]) -> tuple[Table, ...]:
    """Return the tables that only ``--details`` shows, in reading order."""
    shown = [tables.operating_table(found), tables.stress_table(found), tables.roots_summary(found)]
    shown += [t for t in (cross_table(found), effective_table(found), ratings_table(found)) if t is not None]
    shown += [clamp_table(clamp)] if (clamp := found.clamp) is not None else []
    shown += [tables.parts_table(found, chosen)] if found.parts or chosen else []
    shown += [tables.limits_table(found), tables.stability_table(found)] if found.margins else []
    return tuple(shown)


def step_sentence(found: CheckResult) -> str:
    """Say what the largest departure at the load step is and rests on; empty where the case has no target for it."""
    return "" if found.step_deviation is None else found.step_deviation.how()


def all_warnings(found: CheckResult) -> tuple[str, ...]:
    """Return the warnings of the case file, of the operating points and of the loop."""
    return found.warnings


def _shown(table: Table, display: Display) -> str:
    return laid_out(tables.without_empty(table), display)


def bullets(title: str, sentences: Sequence[str], display: Display) -> str:
    """Write sentences one below the other under a title."""
    return "\n".join([title, *(paragraph(f"- {s}", display, indent="  ", hanging="    ") for s in sentences)])


def parts_line(found: CheckResult, chosen: Mapping[str, float], display: Display) -> str:
    """Write the parts of the loop in one sentence, those that were chosen apart from those that were given."""
    rows = tables.parts_table(found, chosen).rows
    told = []
    for origin in dict.fromkeys(str(row[2]) for row in rows):
        named = ", ".join(f"{name} {value}" for name, value, from_ in rows if from_ == origin)
        told.append(f"{origin}: {named}")
    return "\n".join(["Parts of the loop", *(paragraph(x, display, indent="  ", hanging="    ") for x in told)])


def filter_text(study: FilterStudy, *, display: Display = PIPE) -> str:
    """Say what the input filter does to the loop, with its tables where details are asked for."""
    from loopdesign.report.filter.section import damper_table, filter_sentences, filter_table  # noqa: PLC0415

    marks = ["warning: " + s if s in study.warnings else s for s in filter_sentences(study)]
    sentences = [paragraph(m, display, hanging="    ") for m in marks]
    if not display.details:
        return "\n".join(sentences)
    dampers = damper_table(study)
    shown = [filter_table(study), *([] if dampers is None else [dampers])]
    return "\n\n".join([*(_shown(t, display) for t in shown), "\n".join(sentences)])


def output_filter_text(study: OutputFilterStudy, *, display: Display = PIPE) -> str:
    """Say what the output filter does to the loop, and which damper it needs."""
    from loopdesign.analysis.filter_study.output import output_filter_sentences  # noqa: PLC0415

    return "\n".join(paragraph(s, display, hanging="    ") for s in output_filter_sentences(study))


def painted(text: str) -> str:
    """Paint the status words in a text: good ones green, bad ones bold red."""
    from rich.style import Style  # noqa: PLC0415  (only where colour is wanted)

    good, bad = Style(color="green"), Style(color="red", bold=True)
    text = _BAD.sub(lambda m: bad.render(m.group()), text)
    return _GOOD.sub(lambda m: good.render(m.group()), text)


def parts_text(parts: Mapping[str, float], *, ascii_only: bool = False) -> str:
    """Write parts in one line, such as "R1 12.1 kΩ, C1 10.0 nF, C2 not fitted"."""
    return ", ".join(f"{n} {tables.part_value(n, v, ascii_only=ascii_only)}" for n, v in parts.items())
