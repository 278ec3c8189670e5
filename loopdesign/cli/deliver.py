"""What a command returns: text for the terminal, an object for --json, the report folder."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from loopdesign.cli.console import Progress

if TYPE_CHECKING:
    from pathlib import Path

    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.filter_study import FilterStudy
    from loopdesign.analysis.filter_study.output import OutputFilterStudy
    from loopdesign.report.basics.layout import Display
    from loopdesign.synthesis.choice import Choice


def told(
    found: CheckResult,
    study: FilterStudy | None = None,
    choice: Choice | None = None,
    *,
    report: Path | None = None,
    display: Display,
) -> str:
    """Write everything a person reads on the terminal: the verdict first, what it covers last."""
    from loopdesign.report.choice.text import choice_text
    from loopdesign.report.loop.terminal import check_text

    return check_text(
        found,
        chosen=None if choice is None else choice.chosen,
        choice="" if choice is None else choice_text(choice, display=display),
        further=_further(found, study, display),
        report="" if report is None else str(report / "report.md"),
        display=display,
    )


def _further(found: CheckResult, study: FilterStudy | None, display: Display) -> str:
    """Say what the filters ahead of and behind the converter do to the loop."""
    from loopdesign.report.loop.terminal import filter_text, output_filter_text

    second = behind(found)
    told = [] if study is None else [filter_text(study, display=display)]
    told += [] if second is None else [output_filter_text(second, display=display)]
    return "\n".join(told)


def filter_of(found: CheckResult, *, quiet: bool) -> FilterStudy | None:
    """Study the input filter, where the case has one."""
    from loopdesign.analysis.filter_study import filter_study

    if found.case.input_filter is None:
        return None
    with Progress("studying the input filter", quiet=quiet):
        return filter_study(found.case, found.parts)


def behind(found: CheckResult) -> OutputFilterStudy | None:
    """Study the output filter, where the case has one and a loop."""
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


def deliver_report(
    found: CheckResult,
    folder: Path,
    study: FilterStudy | None,
    *,
    quiet: bool,
    choice: Choice | None = None,
    chosen_case: str | None = None,
) -> None:
    """Write the report with a section for everything the case asks for."""
    from loopdesign.analysis.curves import report_data
    from loopdesign.analysis.given import with_parts
    from loopdesign.analysis.impedances import impedances
    from loopdesign.analysis.transient.steps import step
    from loopdesign.report.choice.text import choice_rows
    from loopdesign.report.folder import write_report
    from loopdesign.report.impedances.section import impedance_answer, impedance_section
    from loopdesign.report.sections import choice_section, filter_section, step_section
    from loopdesign.synthesis.cures.current_loop import current_loop_cures

    s = found.case.specification
    sections = [] if choice is None else [choice_section(choice)]
    sections += [] if study is None else [filter_section(study)]
    shown = impedances(found)
    sections.append(impedance_section(shown))
    if found.parts and (s.load_step is not None or s.line_step is not None):
        with Progress("stepping", quiet=quiet) as progress:
            sections.append(step_section(step(with_parts(found.case, found.parts), progress=progress)))
    with Progress("writing the report", quiet=quiet):
        content = answered(found, study)
        content["impedances"] = impedance_answer(shown)
        content |= {} if choice is None else {"chosen": choice.chosen, "choice": choice_rows(choice)}
        chosen = choice.chosen if choice is not None else None
        write_report(
            found,
            report_data(found, proposals=current_loop_cures(found.stage)[0]),
            folder,
            content=content,
            chosen=chosen,
            chosen_case=chosen_case,
            sections=sections,
        )
