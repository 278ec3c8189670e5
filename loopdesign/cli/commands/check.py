"""``check``: parts already chosen at every corner, once or each time the case file is saved."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from loopdesign.cli.console import display, say
from loopdesign.cli.deliver import answered, deliver_report, filter_of, told
from loopdesign.cli.labour import helpers, steps_ahead
from loopdesign.cli.options import MET, MISSED, CasePath, Details, Folder, Json, Pictures
from loopdesign.cli.setting import document_setter
from loopdesign.errors import DataError

if TYPE_CHECKING:
    from pathlib import Path

    from loopdesign.cli.deliver import Dynamics


def check(
    case: CasePath,
    /,
    *,
    output: Folder = None,
    pictures: Pictures = (),
    details: Details = False,
    nominal: Annotated[
        bool,
        Parameter(negative="", show_default=False, help="Leave tolerances and temperatures out."),
    ] = False,
    watch: Annotated[
        bool,
        Parameter(negative="", show_default=False, help="Check again each time the file is saved; Ctrl-C ends it."),
    ] = False,
    sensitivity: Annotated[
        bool,
        Parameter(
            negative="",
            show_default=False,
            help="Add what one percent of each value does to each margin, and to the largest multiplier.",
        ),
    ] = False,
    json_: Json = False,
) -> int:
    """Examine parts already chosen: verdict and margins at every corner, temperature and worst tolerance end.

    Exit status 0 where the converter is stable and meets every target, 1 where it does not.
    """
    once = partial(
        _check_once, case, output, pictures, details=details, nominal=nominal, sensitivity=sensitivity, json_=json_
    )
    if not watch:
        return once()
    if json_:
        raise DataError("--watch checks again and again, and --json prints one object: give one of the two")
    from loopdesign.cli.watch import watched

    return watched(case, once)


def _check_once(
    case: Path,
    output: Path | None,
    pictures: tuple[str, ...],
    *,
    details: bool,
    nominal: bool,
    sensitivity: bool,
    json_: bool,
) -> int:
    """Check the case as the file has it now."""
    from loopdesign.case import parse_case, read_file
    from loopdesign.front.check import check as check_case

    given = read_file(case)
    loaded = parse_case(given.text, str(case))
    wanted = output is not None
    with document_setter(wanted=wanted) as setter, helpers(wanted=wanted) as executor:
        ahead = steps_ahead(executor)
        if ahead is not None:
            ahead.prepare(loaded)
        found = check_case(loaded, nominal=nominal)
        if ahead is not None and found.parts:
            ahead.begin(found.case, found.parts)
        study = filter_of(found, quiet=json_)
        moved = found.sensitivity() if sensitivity else None
        dynamics: Dynamics = (None, None)
        if output is not None:
            dynamics = deliver_report(
                found, output, study, given=given, pictures=pictures, quiet=json_, sensitivity=moved,
                executor=executor, ahead=ahead, setter=setter,
            )  # fmt: skip
    if json_:
        say(json_, answered(found, study) | ({} if moved is None else {"sensitivity": moved.to_dict()}), "")
        return MET if found.targets_met else MISSED
    shown = display(details=details)
    further = ""
    if moved is not None:
        from loopdesign.report.explore.sensitivity_text import sensitivity_text

        further = sensitivity_text(moved, shown) + "\n"
    say(json_, {}, told(found, study, report=output, display=shown, further=further, dynamics=dynamics))
    return MET if found.targets_met else MISSED
