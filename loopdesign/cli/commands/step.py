"""``step``: the load and line steps of the case in time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from loopdesign.cli.console import Progress, display, say
from loopdesign.cli.options import MET, MISSED, CasePath, Details, Folder, Json, Pictures, whole_number
from loopdesign.errors import DataError

if TYPE_CHECKING:
    from pathlib import Path

    from loopdesign import case as cases


def step(
    case: CasePath,
    /,
    *,
    cycles: Annotated[
        int | None,
        Parameter(
            converter=whole_number,
            help="Switching cycles of each run, such as 2000. [default: until the output has settled]",
        ),
    ] = None,
    start: Annotated[
        bool,
        Parameter(
            negative="",
            show_default=False,
            help="Start from discharged capacitors at every input voltage and load instead, and make line_dropout.",
        ),
    ] = False,
    output: Folder = None,
    pictures: Pictures = (),
    details: Details = False,
    json_: Json = False,
) -> int:
    """Step the load and the line, cycle by cycle, at every input voltage.

    Exit status 0 where the output settles after every step, 1 where it does not, or a current exceeds its rating on the
    way.
    """
    from loopdesign.analysis.given import require_slope
    from loopdesign.analysis.transient.steps import step as make_steps
    from loopdesign.case import parse_case, read_file
    from loopdesign.report.steps.surges import exceeded
    from loopdesign.report.steps.text import step_answer, step_text

    given = read_file(case)
    loaded = parse_case(given.text, str(case))
    require_slope(loaded)
    if start:
        if cycles is not None:
            raise DataError("--start takes no --cycles: a start runs until the output rests")
        return _start(loaded, given, output, pictures, json_=json_)
    with Progress("stepping", quiet=json_) as progress:
        found = make_steps(loaded, cycles=cycles, progress=progress)
    page = "" if output is None else str(output / "report.pdf")
    if output is not None:
        from loopdesign.report.basics.date import report_date
        from loopdesign.report.content.single import steps_content
        from loopdesign.report.folder import write_report

        content = steps_content(found, given, report_date(loaded))
        write_report(output, content, step_answer(found), pictures=pictures)
    if json_:
        say(json_, step_answer(found), "")
    else:
        say(json_, {}, step_text(found, report=page, display=display(details=details)))
    return MET if found.stable and not exceeded(found) else MISSED


def _start(
    loaded: cases.Case, given: cases.CaseFile, output: Path | None, pictures: tuple[str, ...], *, json_: bool
) -> int:
    """Start the case from discharged capacitors, print what is read from each run, and write the report."""
    from loopdesign.analysis.startup.rise import rises
    from loopdesign.report.steps.start import start_answer, start_text

    with Progress("starting", quiet=json_) as progress:
        found = rises(loaded, progress=progress)
    if output is not None:
        from loopdesign.report.basics.date import report_date
        from loopdesign.report.content.single import start_content
        from loopdesign.report.folder import write_report

        content = start_content(found, given, report_date(loaded))
        write_report(output, content, start_answer(found), pictures=pictures)
    say(json_, start_answer(found), "" if json_ else start_text(found, display=display()))
    return MISSED if found.reasons else MET
