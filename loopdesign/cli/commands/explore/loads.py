"""``loads``: every load over the input voltages, from the lightest to a short."""

from __future__ import annotations

from loopdesign.cli.console import Progress, display, say
from loopdesign.cli.deliver import write_table
from loopdesign.cli.options import MET, MISSED, CasePath, CsvFile, Details, Folder, Json, Pictures


def loads(
    case: CasePath,
    /,
    *,
    output: Folder = None,
    pictures: Pictures = (),
    csv: CsvFile = None,
    details: Details = False,
    json_: Json = False,
) -> int:
    """Follow every load over the input voltages, from the lightest to a short.

    The load where continuous conduction ends, the load below which regulation by a pulse every period ends and what
    happens there, the load at which the limit is reached, and the output characteristic beyond it. Exit status 0 where
    every load of the case lies between these boundaries, at the listed input voltages at their tolerance ends too, and
    the controller keeps the operating points of the case; 1 where one does not or could not be followed. Stability is
    no part of it: see check.
    """
    from loopdesign.analysis.loads.loads import loads as examine_loads
    from loopdesign.case import parse_case, read_file
    from loopdesign.report.loads.text import loads_csv, loads_text

    given = read_file(case)
    loaded = parse_case(given.text, str(case))
    with Progress("following the loads", quiet=json_) as progress:
        found = examine_loads(loaded, progress=progress)
    wrote = []
    if csv is not None:
        write_table(csv, loads_csv(found))
        wrote.append(str(csv))
    if output is not None:
        from loopdesign.report.basics.date import report_date
        from loopdesign.report.content.single import loads_content
        from loopdesign.report.folder import write_report

        content = loads_content(found, given, report_date(loaded))
        write_report(output, content, found.to_dict(), files={"loads.csv": loads_csv(found)}, pictures=pictures)
        wrote.append(str(output / "report.pdf"))
    say(json_, found.to_dict(), "" if json_ else loads_text(found, display(details=details), wrote=tuple(wrote)))
    return MISSED if found.reasons else MET
