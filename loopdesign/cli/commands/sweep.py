"""``sweep``: margins and verdict against one or two quantities of a case."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, NoReturn

from cyclopts import Parameter

from loopdesign.cli.console import Progress, display, say
from loopdesign.cli.deliver import write_table
from loopdesign.cli.labour import ClusterAddress, WorkerCount, labour
from loopdesign.cli.options import MET, MISSED, CasePath, CsvFile, Details, Folder, Json, Pictures, whole_number
from loopdesign.errors import DataError, NoDesignError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopdesign.explore.point import SweepPoint

ENDS = 2
COSTS = {"nominal": 0.08, "worst": 0.8, "redesign": 4.0}
"""What a point costs one processor, about [s]."""
MOST_REASONS = 5
"""Different reasons told where no point could be examined."""
USUAL_POINTS = 100
"""Points that are reckoned with before anything is read."""


def sweep(  # noqa: PLR0913  (one parameter for each option)
    case: CasePath,
    /,
    *,
    vary: Annotated[
        list[str],
        Parameter(
            negative_iterable="",
            consume_multiple=True,
            metavar="KEY FROM TO",
            help="Path of a quantity in the case file and the ends of its range, such as "
            '--vary stage.Cs.capacitance "2 uF" "10 uF", or its values with commas between, such as '
            "--vary stage.Cs.capacitance 4.7u,6.8u,10u. Give it once or twice.",
        ),
    ],
    points: Annotated[
        int | None,
        Parameter(
            converter=whole_number, help="Points of each range, such as 31. [default: 21, with two quantities 11]"
        ),
    ] = None,
    log: Annotated[bool, Parameter(negative="", show_default=False, help="Space the points by equal ratios.")] = False,
    series: Annotated[
        str | None, Parameter(help="Take the preferred values of a series within each range, such as E12.")
    ] = None,
    worst: Annotated[
        bool,
        Parameter(
            negative="", show_default=False, help="Count temperatures and the worst tolerance ends at every point."
        ),
    ] = False,
    redesign: Annotated[
        bool, Parameter(negative="", show_default=False, help="Choose the compensation anew at every point.")
    ] = False,
    step_deviation: Annotated[
        bool,
        Parameter(negative="", show_default=False, help="Make the load step at every point, target or none."),
    ] = False,
    yes: Annotated[
        bool, Parameter(negative="", show_default=False, help="Run any number of points, however long it takes.")
    ] = False,
    workers: WorkerCount = None,
    cluster: ClusterAddress = None,
    output: Folder = None,
    pictures: Pictures = (),
    csv: CsvFile = None,
    details: Details = False,
    json_: Json = False,
) -> int:
    """Check a case at many values of one or two of its quantities.

    Each point is the worst over the nominal corners, or over everything with --worst. Parts that the case leaves open
    are chosen once, for the case as it stands. Exit status 0 where every point is stable, 1 where one is not, 3 where
    none exists: its output is out of reach, or no parts meet the targets at it.
    """
    from loopdesign.front.explore.sweep import sweep as sweep_case
    from loopdesign.report.explore.sweep_text import sweep_csv, sweep_text
    from loopdesign.report.replace import require_replaceable

    wishes = wanted(vary)
    if output is not None:
        require_replaceable(output)
    kind = "redesign" if redesign else "worst" if worst else "nominal"
    seconds = COSTS[kind] * (USUAL_POINTS if len(wishes) > 1 else USUAL_POINTS / 4)
    words = "designing points" if redesign else "checking points"
    with labour(workers, cluster, seconds) as executor, Progress(words, quiet=json_) as progress:
        found = sweep_case(
            case, wishes, points=points, log=log, series=series, worst=worst, redesign=redesign, step=step_deviation,
            unlimited=yes, executor=executor, progress=progress,
        )  # fmt: skip
    if found.failed == len(found.points):
        _refuse(found.points)
    wrote = []
    if csv is not None:
        write_table(csv, sweep_csv(found))
        wrote.append(str(csv))
    if output is not None:
        from loopdesign.case import parse_case, read_file
        from loopdesign.report.basics.date import report_date
        from loopdesign.report.content.single import sweep_content
        from loopdesign.report.folder import write_report

        given = read_file(case)
        loaded = parse_case(given.text, str(case))
        content = sweep_content(found, loaded, given, report_date(loaded))
        write_report(output, content, found.to_dict(), files={"sweep.csv": sweep_csv(found)}, pictures=pictures)
        wrote.append(str(output / "report.pdf"))
    say(json_, found.to_dict(), "" if json_ else sweep_text(found, display(details=details), wrote=tuple(wrote)))
    return MET if all(p.stable for p in found.points) else MISSED


def _refuse(points: Sequence[SweepPoint]) -> NoReturn:
    """Refuse a sweep of which no point could be examined: its input is wrong at all of them, or some cannot exist."""
    reasons = list(dict.fromkeys(str(p.error) for p in points))
    more = [f"  - {len(reasons) - MOST_REASONS} more reasons"] if len(reasons) > MOST_REASONS else []
    told = "\n".join([*(f"  - {reason}" for reason in reasons[:MOST_REASONS]), *more])
    if any(p.refused for p in points):
        raise NoDesignError(f"no point could be examined:\n{told}")
    raise DataError(f"no point could be examined:\n{told}")


def wanted(words: Sequence[str]) -> dict[str, Sequence[str]]:
    """Read what is to be varied: paths, each with the two ends of a range or one list.

    Parameters
    ----------
    words : sequence of str
        Paths and values in the order given.

    Returns
    -------
    dict of str to sequence of str
        A tuple of two ends, or a list of values, by path.

    Raises
    ------
    DataError
        Where a path stands twice, or has neither two ends nor a list.
    """
    given: dict[str, list[str]] = {}
    key = ""
    for word in words:
        if _is_path(word):
            if word in given:
                raise DataError(f"--vary names {word} twice")
            key = word
            given[key] = []
        elif not key:
            raise DataError(f"--vary begins with the path of a quantity, such as stage.Cs.capacitance; found {word}")
        else:
            given[key].append(word)
    told: dict[str, Sequence[str]] = {}
    for path, values in given.items():
        if len(values) == 1 and "," in values[0]:
            told[path] = [v.strip() for v in values[0].split(",")]
        elif len(values) == ENDS and not any("," in v for v in values):
            told[path] = tuple(values)
        else:
            raise DataError(
                f"--vary {path} needs the two ends of a range, or values with commas between; found "
                f"{' '.join(values) or 'nothing'}"
            )
    return told


def _is_path(word: str) -> bool:
    """Whether a word is a path and not a value: it begins with a letter, and is not the word for a part left out."""
    return word[:1].isalpha() and word != "none"
