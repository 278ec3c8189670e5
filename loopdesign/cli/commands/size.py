"""``size``: the smallest parts with which the best compensation meets every target."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003  (read from the annotations)
from typing import Annotated

from cyclopts import Parameter

from loopdesign.cli.console import Progress, display, say
from loopdesign.cli.deliver import write_table
from loopdesign.cli.labour import ClusterAddress, WorkerCount, labour
from loopdesign.cli.options import IMPOSSIBLE, MET, CasePath, CsvFile, Details, Folder, Json, Pictures
from loopdesign.errors import DataError

USUAL_SECONDS = 60.0
"""What a search takes one processor, about, reckoned with before anything is read [s]."""


def size(  # noqa: PLR0913  (one parameter for each option)
    case: CasePath,
    /,
    *,
    nominal: Annotated[
        bool, Parameter(negative="", show_default=False, help="Leave tolerances and temperatures out.")
    ] = False,
    cheapest: Annotated[
        bool,
        Parameter(
            negative="", show_default=False,
            help="Stop at the smallest: leave out what costs more. There is no front then.",
        ),
    ] = False,
    yes: Annotated[
        bool, Parameter(negative="", show_default=False, help="Run any number of combinations, however long it takes.")
    ] = False,
    write: Annotated[
        Path | None,
        Parameter(help="Case file to write with the smallest parts and their compensation, such as chosen.toml."),
    ] = None,
    workers: WorkerCount = None,
    cluster: ClusterAddress = None,
    output: Folder = None,
    pictures: Pictures = (),
    csv: CsvFile = None,
    details: Details = False,
    json_: Json = False,
) -> int:  # fmt: skip
    """Find the smallest parts with which the best compensation meets every target.

    Examines every combination of the candidates for Co, Cs and damper that the case lists in [candidates], by their
    total price or size. Exit status 0 where one meets every target, 3 where none does.
    """
    from loopdesign.bench.board import write_new
    from loopdesign.explore.size import sized_case
    from loopdesign.front.explore.size import size as size_case
    from loopdesign.report.explore.size_text import size_csv, size_text
    from loopdesign.report.replace import require_replaceable

    if write is not None and write.exists():
        raise DataError(f"{write} exists already; name a new file")
    if output is not None:
        require_replaceable(output)
    with (
        labour(workers, cluster, USUAL_SECONDS) as executor,
        Progress("examining combinations", quiet=json_) as progress,
    ):
        found = size_case(
            case, nominal=nominal, cheapest=cheapest, unlimited=yes, executor=executor, progress=progress
        )  # fmt: skip
    wrote = []
    if write is not None and found.smallest is not None:
        from loopdesign.case import read_file

        write_new(write, sized_case(read_file(case).text, found.smallest))
        wrote.append(str(write))
    if csv is not None:
        write_table(csv, size_csv(found))
        wrote.append(str(csv))
    if output is not None:
        from loopdesign.case import parse_case, read_file
        from loopdesign.report.basics.date import report_date
        from loopdesign.report.content.single import size_content
        from loopdesign.report.folder import write_report

        given = read_file(case)
        loaded = parse_case(given.text, str(case))
        content = size_content(found, loaded, given, report_date(loaded))
        write_report(output, content, found.to_dict(), files={"size.csv": size_csv(found)}, pictures=pictures)
        wrote.append(str(output / "report.pdf"))
    say(json_, found.to_dict(), "" if json_ else size_text(found, display(details=details), wrote=tuple(wrote)))
    return MET if found.smallest is not None else IMPOSSIBLE
