"""``spread``: what part tolerances do in production."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from loopdesign.cli.console import Progress, display, say
from loopdesign.cli.labour import ClusterAddress, WorkerCount, labour
from loopdesign.cli.options import MET, MISSED, CasePath, Details, Folder, Json, Pictures, whole_number


def spread(  # noqa: PLR0913  (one parameter for each option)
    case: CasePath,
    /,
    *,
    samples: Annotated[
        int, Parameter(converter=whole_number, help="Number of converters to sample, such as 10000.")
    ] = 10_000,
    seed: Annotated[
        int, Parameter(converter=whole_number, help="Whole number; the same seed gives the same samples.")
    ] = 1,
    workers: WorkerCount = None,
    cluster: ClusterAddress = None,
    output: Folder = None,
    pictures: Pictures = (),
    details: Details = False,
    json_: Json = False,
) -> int:
    """Sample every tolerance: how often production fails, and why.

    Exit status 0 where every sample is stable and meets every target, 1 where one does not.
    """
    from loopdesign.analysis.spread.sample import spread as sample_all
    from loopdesign.case import parse_case, read_file
    from loopdesign.report.spread.text import spread_rows, spread_text

    given = read_file(case)  # once: the worst sample belongs to the text that was sampled
    loaded = parse_case(given.text, str(case))
    with labour(workers, cluster) as executor, Progress("sampling", quiet=json_) as progress:
        found = sample_all(loaded, samples=samples, seed=seed, executor=executor, progress=progress)
    page = "" if output is None else str(output / "report.pdf")
    if output is not None:
        from loopdesign.analysis.spread.envelope import envelope
        from loopdesign.report.basics.date import report_date
        from loopdesign.report.content.single import spread_content
        from loopdesign.report.folder import write_report
        from loopdesign.report.spread.worst_sample import worst_case_text

        worst, band = worst_case_text(given.text, found), envelope(found, found.ranked_condition)
        content = spread_content(found, band, worst, given, report_date(loaded))
        write_report(output, content, spread_rows(found), pictures=pictures)
    if json_:
        say(json_, spread_rows(found), "")
    else:
        say(json_, {}, spread_text(found, report=page, display=display(details=details)))
    return MISSED if found.unstable.count or found.off_target.count else MET
