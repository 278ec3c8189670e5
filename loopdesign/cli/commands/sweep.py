"""``sweep``: margins and verdict against one or two quantities of a case."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from loopdesign.cli.console import Progress, display, say
from loopdesign.cli.options import MET, MISSED, CasePath, Details, Json, whole_number
from loopdesign.errors import DataError

COVERS = "Each point is the worst over the nominal corners of line and load; tolerances and temperatures are left out."


def sweep(
    case: CasePath,
    /,
    *,
    vary: Annotated[
        list[tuple[str, str, str]],
        Parameter(
            negative_iterable="",
            metavar="KEY FROM TO",
            help="Path of a quantity in the case file and the ends of its range, such as "
            '--vary stage.Cs.capacitance "2 uF" "10 uF". Give it once or twice.',
        ),
    ],
    points: Annotated[int, Parameter(converter=whole_number, help="Points of each range, such as 21.")] = 21,
    log: Annotated[bool, Parameter(negative="", show_default=False, help="Space the points by equal ratios.")] = False,
    yes: Annotated[
        bool, Parameter(negative="", show_default=False, help="Run any number of points, however long it takes.")
    ] = False,
    details: Details = False,
    json_: Json = False,
) -> int:
    """Check a case at many values of one or two of its quantities.

    Each point is the worst over the nominal corners. Exit status 0 where every point is stable, 1 where one is not.
    """
    from loopdesign.front.sweep import sweep as sweep_case
    from loopdesign.front.sweep import sweep_table
    from loopdesign.report.basics.layout import laid_out, lettered, paragraph
    from loopdesign.report.basics.tables import without_empty
    from loopdesign.report.loop.terminal import bullets

    keys = [key for key, _, _ in vary]
    if len(set(keys)) < len(keys):
        raise DataError(f"--vary names a key twice: {', '.join(keys)}")
    with Progress("checking points", quiet=json_) as progress:
        found = sweep_case(
            case, {key: (low, high) for key, low, high in vary}, points=points, log=log, unlimited=yes,
            progress=progress,
        )  # fmt: skip
    if json_:
        say(json_, found.to_dict(), "")
        return MET if all(p.stable for p in found.points) else MISSED
    told, shown = found.brief(), display(details=details)
    blocks = [f"Verdict: {told.verdict}", laid_out(without_empty(sweep_table(found)), shown)]
    blocks += [bullets("What could not be examined", told.notes, shown)] if told.notes else []
    say(json_, {}, lettered("\n\n".join([*blocks, paragraph(COVERS, shown)]), shown))
    return MET if all(p.stable for p in found.points) else MISSED
