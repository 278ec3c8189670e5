"""What a command returns: text for the terminal, an object for --json, the report folder."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from itertools import islice
from typing import TYPE_CHECKING, Any, TypeAlias

from loopdesign.cli.console import Progress
from loopdesign.errors import DataError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from concurrent.futures import Executor
    from pathlib import Path

    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.filter_study import FilterStudy
    from loopdesign.analysis.filter_study.output import OutputFilterStudy
    from loopdesign.analysis.startup.rise import RiseStudy
    from loopdesign.analysis.transient.steps import StepStudy
    from loopdesign.case import CaseFile
    from loopdesign.cli.ahead import StepsAhead
    from loopdesign.explore.sensitivity import Sensitivities
    from loopdesign.report.basics.layout import Display
    from loopdesign.report.content.findings import Findings
    from loopdesign.report.folder import Text
    from loopdesign.synthesis.choice import Choice
    from loopdesign.workers.rehearsal import Rehearsal

Dynamics: TypeAlias = "tuple[StepStudy | None, RiseStudy | None]"
"""Steps, and start-ups with drop-outs of the line; None where a report made none."""


def write_table(path: Path, text: str) -> None:
    """Write a table for --csv; says which file cannot be written, and why."""
    try:
        path.write_text(text, encoding="utf-8", newline="")
    except OSError as fault:
        raise DataError(f"{path} cannot be written: {fault.strerror}") from fault


def told(
    found: CheckResult,
    study: FilterStudy | None = None,
    choice: Choice | None = None,
    *,
    report: Path | None = None,
    further: str = "",
    dynamics: Dynamics = (None, None),
    display: Display,
) -> str:
    """Write everything a person reads on the terminal: the verdict first, what it covers last."""
    from loopdesign.report.loop.terminal import check_text

    chosen = ""
    if choice is not None:
        from loopdesign.report.choice.text import choice_text

        chosen = choice_text(choice, display=display)
    more = (_further(found, study, display), further.rstrip(), _dynamics(dynamics, display))
    return check_text(
        found,
        chosen=None if choice is None else choice.chosen,
        choice=chosen,
        further="\n\n".join(filter(None, more)),
        report="" if report is None else str(report / "report.pdf"),
        display=display,
    )


def _further(found: CheckResult, study: FilterStudy | None, display: Display) -> str:
    """Say what the filters ahead of and behind the converter do to the loop."""
    from loopdesign.report.loop.terminal import filter_text, output_filter_text

    second = behind(found)
    told = [] if study is None else [filter_text(study, display=display)]
    told += [] if second is None else [output_filter_text(second, display=display)]
    return "\n".join(told)


def _dynamics(dynamics: Dynamics, display: Display) -> str:
    """Say which currents surge on the way of the report's steps, and whether its starts come to regulation."""
    from loopdesign.report.steps.start import start_sentence
    from loopdesign.report.steps.surges import surge_text

    steps, starts = dynamics
    told = [] if steps is None else [surge_text(steps, display=display)]
    told += [] if starts is None else [start_sentence(starts, display=display)]
    return "\n".join(filter(None, told))


def filter_of(found: CheckResult, *, quiet: bool) -> FilterStudy | None:
    """Study the input filter, where the case has one."""
    if found.case.input_filter is None:
        return None
    from loopdesign.analysis.filter_study import filter_study

    with Progress("studying the input filter", quiet=quiet):
        return filter_study(found.case, found.parts)


def behind(found: CheckResult) -> OutputFilterStudy | None:
    """Study the output filter, where the case has one and a loop."""
    if found.case.output_filter is None:
        return None
    from loopdesign.analysis.filter_study.output import output_filter_study

    return output_filter_study(found.case, found.parts)


def answered(found: CheckResult, study: FilterStudy | None) -> dict[str, Any]:
    """Return the object that --json prints."""
    from loopdesign.report.loop.answer import answer, filter_answer, output_filter_answer

    told = answer(found)
    second = behind(found)
    if second is not None:
        told["output_filter"] = output_filter_answer(second)
    if study is not None:
        told["input_filter"] = filter_answer(study)
        told["warnings"] = [*told["warnings"], *study.warnings]
    return told


def deliver_report(  # noqa: PLR0913  (what a report may hold)
    found: CheckResult,
    folder: Path,
    study: FilterStudy | None,
    *,
    given: CaseFile,
    pictures: tuple[str, ...] = (),
    quiet: bool,
    sensitivity: Sensitivities | None = None,
    choice: Choice | None = None,
    chosen_text: str | None = None,
    executor: Executor | None = None,
    ahead: StepsAhead | None = None,
    setter: Rehearsal | None = None,
) -> Dynamics:
    """Write the report with a chapter for everything the case asks for; an executor makes steps, pictures and files.

    Steps begun ahead are taken where they are those of the case, and made otherwise. A setter rehearses the document
    with words and tables while pictures are drawn.
    What it made of steps, and of start-ups and drop-outs of the line, comes back: it is told beside the verdict. None
    were made where the case gives neither load_step nor line_step, and neither soft_start nor line_dropout.
    """
    from loopdesign.analysis.given import with_parts
    from loopdesign.analysis.startup.rise import rises
    from loopdesign.analysis.transient.steps import step
    from loopdesign.cli.beside import beside_steps
    from loopdesign.report.basics.date import report_date
    from loopdesign.report.content.chapters.drawing import schematic_figures
    from loopdesign.report.content.chapters.dynamics import step_figures
    from loopdesign.report.content.findings import Findings
    from loopdesign.report.content.pictures import drawings
    from loopdesign.report.replace import require_replaceable
    from loopdesign.workers.branch import branch, shared

    require_replaceable(folder)
    meanwhile = branch(partial(beside_steps, found))
    s, amplifier, date = found.case.specification, found.case.error_amplifier, report_date(found.case)
    whole = with_parts(found.case, found.parts) if found.parts else found.case
    steps, starts = None, None
    soft = amplifier is not None and amplifier.soft_start > 0.0
    starting = bool(found.parts) and (soft or s.line_dropout is not None)
    # only this process can show how far the starts are: without a child they are made in their turn
    started = branch(partial(rises, whole)) if starting and shared() else None
    if found.parts and (s.load_step is not None or s.line_step is not None):
        with Progress("stepping", quiet=quiet) as progress:
            outcomes = None if ahead is None else ahead.outcomes(whole)
            steps = step(whole, progress=progress, executor=executor, begun=outcomes)
    schematic, begun = drawings(schematic_figures(found)), None
    if ahead is not None:
        begun = ahead.draw(schematic | ({} if steps is None else drawings(step_figures(steps))))
    if starting:
        with Progress("starting", quiet=quiet) as progress:
            starts = rises(whole, progress=progress) if started is None else started.result()
    with Progress("writing the report", quiet=quiet):
        beside = meanwhile.result()
        findings = Findings(
            check=found,
            curves=replace(beside.curves, check=found),
            given=given,
            date=date,
            chosen_text=given.text if chosen_text is None else chosen_text,
            choice=choice,
            input_filter=study,
            output_filter=behind(found),
            impedances=beside.impedances,
            steps=steps,
            starts=starts,
            worst_curves=beside.worst_curves,
            plan=beside.plan,
            sensitivities=sensitivity,
        )
        write_findings(
            findings, folder, pictures=pictures, begun=begun, first=len(schematic), executor=executor, setter=setter
        )
    return steps, starts


def write_findings(
    findings: Findings,
    folder: Path,
    *,
    pictures: tuple[str, ...] = (),
    begun: Iterator[tuple[str, str]] | None = None,
    first: int = 0,
    executor: Executor | None = None,
    setter: Rehearsal | None = None,
) -> None:
    """Write the report of what was computed: words and tables, then the pictures, then the files.

    The first pictures that were begun are those whose size nobody knows before; the document is rehearsed with them.
    """
    from loopdesign.report.content.gather import gather
    from loopdesign.report.content.typst import document_files
    from loopdesign.report.folder import CHOSEN_CASE, write_report
    from loopdesign.report.live.page import PAGE, report_page

    content = gather(findings)
    if begun is not None:
        content = content.with_pictures(dict(islice(begun, first)))
    if setter is not None:
        setter.rehearse(document_files(content, preview=True))
    told = report_answer(findings)
    if begun is not None:
        content = content.with_pictures(dict(begun))
    files: dict[str, Text] = {PAGE: partial(report_page, found=findings.check), CHOSEN_CASE: findings.chosen_text}
    write_report(folder, content, told, files=files, pictures=pictures, executor=executor, setter=setter)


def report_answer(findings: Findings) -> dict[str, Any]:
    """Return the object of ``report.json``: that of ``--json``, with every curve of the report."""
    from loopdesign.report.choice.text import choice_rows
    from loopdesign.report.impedances.section import impedance_answer
    from loopdesign.report.loop.answer import curves_answer
    from loopdesign.report.steps.start import start_answer
    from loopdesign.report.steps.text import step_answer

    told = answered(findings.check, findings.input_filter)
    told["proposals"] = list(findings.curves.proposals)
    told["case_file"] = {"name": findings.given.name, "sha256": findings.given.sha256}
    told["date"] = findings.date
    told["curves"] = curves_answer(findings.curves)
    if findings.impedances is not None:
        told["impedances"] = impedance_answer(findings.impedances)
    if findings.steps is not None:
        told["steps"] = step_answer(findings.steps)
    if findings.starts is not None:
        told["starts"] = start_answer(findings.starts)
    if findings.choice is not None:
        told |= {"chosen": findings.choice.chosen, "choice": choice_rows(findings.choice)}
    return told
