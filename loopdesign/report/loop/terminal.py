"""Tables as aligned text for the terminal. These functions return text; printing is the command line's job."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.report.basics import tables
from loopdesign.report.basics.status import verdict_sentence

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.filter_study import FilterStudy
    from loopdesign.analysis.responses import FrequencyResponse
    from loopdesign.report.basics.tables import Table

OSCILLATES = (
    "UNSTABLE: this operating point oscillates with the loop as asked for; the numbers are those of the linear model "
    "around it, and no analyser would read them."
)
_GOOD, _BAD = re.compile(r"\b(stable|ok)\b"), re.compile(r"\b(UNSTABLE|MISSED)\b")
_PLAIN = str.maketrans({"µ": "u", "Ω": "ohm", "°": "deg", "×": "x"})


def aligned(table: Table, *, ascii_only: bool = False) -> str:
    """Lay a table out in columns: numbers to the right, words to the left, as wide as it takes.

    Parameters
    ----------
    table
        The table; its title is the first line.
    ascii_only
        Write u, ohm and deg in place of µ, Ω and °.

    Returns
    -------
    str
        Lines without trailing blanks.
    """
    headings = [_heading_lines(c.heading) for c in table.columns]
    cells = table.cells(ascii_only=ascii_only)
    widths = [max(len(text) for text in (*headings[k], *(row[k] for row in cells))) for k in range(len(table.columns))]
    right = [c.numeric for c in table.columns]
    head = [_line([h[part] for h in headings], widths, right) for part in (0, 1)]
    body = [_line(row, widths, right) for row in cells]
    rule = "  " + "  ".join("-" * w for w in widths)
    return "\n".join([table.title, *(h for h in head if h.strip()), rule, *body])


def _heading_lines(heading: str) -> tuple[str, str]:
    """Break a heading of several words over two lines, the break before the last word."""
    first, _, last = heading.rpartition(" ")
    return first, last


def _line(cells: Sequence[str], widths: Sequence[int], right: Sequence[bool]) -> str:
    padded = [c.rjust(w) if r else c.ljust(w) for c, w, r in zip(cells, widths, right, strict=True)]
    return ("  " + "  ".join(padded)).rstrip()


def assessment_text(
    found: CheckResult,
    chosen: Mapping[str, float] | None = None,
    *,
    choice: str = "",
    further: Sequence[str] = (),
    ascii_only: bool = False,
) -> str:
    """Say everything a check says: parts, limits, operating points, poles and zeros, margins, and the verdict last.

    Parameters
    ----------
    found
        The assessment.
    chosen
        Parts that design chose, by name, in SI units.
    choice
        How they were chosen, to stand before them.
    further
        Blocks of text to stand before the verdict.
    ascii_only
        Write u, ohm and deg in place of µ, Ω and °.

    Returns
    -------
    str
        Text whose last line is the verdict in one sentence.
    """
    stage = [tables.operating_table(found), tables.stress_table(found), tables.roots_summary(found)]
    shown = [tables.parts_table(found, chosen or {})] if found.parts or chosen else []
    shown += [tables.limits_table(found)] if found.margins else []
    shown += [tables.stability_table(found)]
    shown += [tables.margins_table(found)] if found.margins else []
    one_line = " ".join(found.case.title.split())
    blocks = [f"{one_line} ({found.case.converter.topology})"]
    blocks += [aligned(tables.without_empty(t), ascii_only=ascii_only) for t in stage]
    blocks += [choice] if choice else []
    blocks += [aligned(tables.without_empty(t), ascii_only=ascii_only) for t in shown]
    told = [f"  - {r}" for r in found.reasons]
    blocks += ["\n".join(["What fails", *told])] if told else []
    warnings = [f"warning: {w}" for w in (*found.case.warnings, *found.stage.warnings)]
    blocks += ["\n".join(warnings)] if warnings else []
    text = "\n\n".join([*blocks, *further, verdict_sentence(found)])
    return text.translate(_PLAIN) if ascii_only else text


def filter_text(study: FilterStudy, *, ascii_only: bool = False) -> str:
    """Say on the terminal what the input filter does: both verdicts, smallest separation, warnings, damper."""
    from loopdesign.report.filter.section import damper_table, filter_sentences, filter_table  # noqa: PLC0415

    dampers = damper_table(study)
    shown = [filter_table(study), *([] if dampers is None else [dampers])]
    blocks = [aligned(tables.without_empty(t), ascii_only=ascii_only) for t in shown]
    marks = ["warning: " + s if s in study.warnings else s for s in filter_sentences(study)]
    return "\n\n".join([*blocks, "\n".join(marks)])


def painted(text: str) -> str:
    """Paint the status words in a text: good ones green, bad ones bold red."""
    from rich.style import Style  # noqa: PLC0415  (only where colour is wanted)

    good, bad = Style(color="green"), Style(color="red", bold=True)
    text = _BAD.sub(lambda m: bad.render(m.group()), text)
    return _GOOD.sub(lambda m: good.render(m.group()), text)


def parts_text(parts: Mapping[str, float], *, ascii_only: bool = False) -> str:
    """Write parts in one line, such as "R1 12.1 kΩ, C1 10.0 nF, C2 not fitted"."""
    return ", ".join(f"{n} {tables.part_value(n, v, ascii_only=ascii_only)}" for n, v in parts.items())


def response_text(found: FrequencyResponse, *, ascii_only: bool = False) -> str:
    """Lay out a response: frequency, magnitude and phase.

    Parameters
    ----------
    found
        The response.
    ascii_only
        Write u, ohm and deg in place of µ, Ω and °.

    Returns
    -------
    str
        A table; gains in dB, impedances in ohm.
    """
    impedance = found.quantity.endswith("impedance")
    size = np.abs(found.values)
    with np.errstate(divide="ignore"):
        magnitude = size if impedance else 20.0 * np.log10(size)
    columns = (
        tables.Column(heading="frequency", unit="Hz", digits=4),
        tables.Column(heading="magnitude", unit="ohm" if impedance else "dB", digits=4),
        tables.Column(heading="phase", unit="deg", digits=4),
    )
    phase = np.degrees(np.angle(found.values))
    rows = tuple((float(f), float(m), float(p)) for f, m, p in zip(found.frequencies_hz, magnitude, phase, strict=True))
    table = tables.Table(title=f"{found.quantity}, {found.model} model", columns=columns, rows=rows)
    text = aligned(table, ascii_only=ascii_only)
    return text if found.stable else f"{text}\n\n{OSCILLATES}"
