"""``compare``: two or more cases side by side."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003  (cyclopts reads the annotation)
from typing import Annotated

from cyclopts import Parameter

from loopdesign.cli.console import Progress, display, say
from loopdesign.cli.options import MET, MISSED, Details, Json
from loopdesign.errors import DataError


def compare(
    cases: Annotated[
        tuple[Path, ...], Parameter(help="Two or more case files; the first is what the others are held against.")
    ],
    /,
    *,
    nominal: Annotated[
        bool, Parameter(negative="", show_default=False, help="Leave tolerances and temperatures out.")
    ] = False,
    slack: Annotated[
        str, Parameter(help='Share by which a margin or the step deviation may be worse, such as "1 %".')
    ] = "0 %",
    picture: Annotated[
        Path | None, Parameter(help="File to draw the loops of all cases into, such as loops.png or loops.svg.")
    ] = None,
    details: Details = False,
    json_: Json = False,
) -> int:
    """Set cases side by side: inputs that differ, parts, margins, verdict, step deviation.

    Exit status 1 where any case is worse than the first: unstable or off target where the first is not, less phase,
    gain or modulus margin, or a larger departure at the load step.
    """
    from loopdesign.front.explore.compare import compare as compare_cases
    from loopdesign.report.explore.compare_text import compare_text, loops_figure
    from loopdesign.units.quantities import parse_quantity

    share = parse_quantity(slack, "%")
    with Progress("checking cases", quiet=json_):
        found = compare_cases(*cases, nominal=nominal, slack=share)
    wrote: tuple[str, ...] = ()
    if picture is not None:
        if picture.suffix not in {".png", ".svg", ".pdf"}:
            raise DataError(f"{picture} must end in .png, .svg or .pdf")
        try:
            loops_figure(found).savefig(picture)
        except OSError as fault:
            raise DataError(f"{picture} cannot be written: {fault.strerror}") from fault
        wrote = (str(picture),)
    say(json_, found.to_dict(), "" if json_ else compare_text(found, display(details=details), wrote=wrote))
    return MISSED if found.any_worse else MET
