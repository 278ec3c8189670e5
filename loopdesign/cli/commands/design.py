"""``design``: choose the open parts and write the report."""

from __future__ import annotations

from loopdesign.cli.console import Progress, display, say
from loopdesign.cli.deliver import answered, deliver_report, filter_of, told
from loopdesign.cli.labour import helpers, steps_ahead
from loopdesign.cli.options import MET, MISSED, CasePath, Details, Json, Pictures, ReportFolder
from loopdesign.cli.setting import document_setter
from loopdesign.errors import DataError
from loopdesign.printable import printable


def design(
    case: CasePath,
    /,
    *,
    output: ReportFolder = None,
    pictures: Pictures = (),
    details: Details = False,
    json_: Json = False,
) -> int:
    """Choose the parts that the case file leaves open, and write the report.

    A report that is already there is replaced once the new one is complete. Exit status 3 where no parts meet the
    targets: the nearest miss is shown.
    """
    from dataclasses import replace

    from loopdesign.analysis.given import missing_for_a_loop
    from loopdesign.analysis.worst import beyond_nominal
    from loopdesign.case import parse_case, read_file, write_parts
    from loopdesign.report.choice.text import choice_rows
    from loopdesign.report.replace import require_replaceable
    from loopdesign.synthesis.choice.choose import choose

    given = read_file(case)  # once: what is chosen belongs to the text it was chosen for, whatever happens meanwhile
    loaded = parse_case(given.text, str(case))
    missing = missing_for_a_loop(loaded)
    if missing:
        needed = " and ".join(missing)
        raise DataError(f"{printable(str(case))}: design needs {needed}: say which amplifier closes the loop")
    folder = case.with_name(f"{case.stem}-report") if output is None else output
    require_replaceable(folder)
    with document_setter() as setter, helpers() as executor:
        ahead = steps_ahead(executor)
        with Progress("choosing parts", quiet=json_) as progress:
            found = choose(loaded, progress, ahead=ahead)
            found = replace(found, check=beyond_nominal(found.check, found.extremes))
        chosen = write_parts(given.text, {_key(k): v for k, v in found.chosen.items()}) if found.chosen else given.text
        study = filter_of(found.check, quiet=json_)
        dynamics = deliver_report(
            found.check, folder, study, given=given, pictures=pictures, quiet=json_, choice=found, chosen_text=chosen,
            executor=executor, ahead=ahead, setter=setter,
        )  # fmt: skip
    if json_:
        extra = {"chosen": found.chosen, "choice": choice_rows(found), "report": str(folder)}
        say(json_, answered(found.check, study) | extra, "")
    else:
        say(
            json_,
            {},
            told(found.check, study, found, report=folder, dynamics=dynamics, display=display(details=details)),
        )
    return MET if found.check.targets_met else MISSED


def _key(name: str) -> str:
    """Return the key of a chosen value in the case file."""
    return {"slope": "modulator.slope"}.get(name, name)
