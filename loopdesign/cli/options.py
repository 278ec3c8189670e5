"""Options that several commands share, and how their words are read."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cyclopts import Token

MET, MISSED, IMPOSSIBLE = 0, 1, 3
"""Exit statuses of a command that answered; an error brings its own."""


def whole_number(_type: object, tokens: Sequence[Token]) -> int:
    """Read a whole number from the command line; 2.5 is refused."""
    try:
        return int(tokens[0].value)
    except ValueError:
        raise ValueError(f'"{tokens[0].value}" is not a whole number') from None


def picture_kinds(_type: object, tokens: Sequence[Token]) -> tuple[str, ...]:
    """Read the endings of the pictures to write, separated by commas."""
    kinds = tuple(dict.fromkeys(word.strip().lower() for t in tokens for word in t.value.split(",") if word.strip()))
    wrong = [kind for kind in kinds if kind not in {"png", "svg"}]
    if wrong or not kinds:
        raise ValueError(f'"{wrong[0] if wrong else ""}" is not a kind of picture: give png, svg or both as png,svg')
    return kinds


CasePath = Annotated[Path, Parameter(help="Case file (TOML), such as sepic.toml.")]
Json = Annotated[
    bool,
    Parameter(
        name="--json", negative="", show_default=False,
        help="Print one JSON object in SI units to standard output and nothing else there.",
    ),
]  # fmt: skip
Folder = Annotated[
    Path | None,
    Parameter(name="--output", help="Folder to write a report to, such as review. Written only where given."),
]
Details = Annotated[
    bool,
    Parameter(
        name="--details", negative="", show_default=False,
        help="Show every table in full, whatever the width of the terminal.",
    ),
]  # fmt: skip
ScriptFile = Annotated[
    Path | None, Parameter(name="--output", help="File to write, such as loopdesign.bash. [default: by the shell]")
]
CsvFile = Annotated[
    Path | None,
    Parameter(name="--csv", help="File to write the numbers to as comma-separated values, such as loop.csv."),
]
ReportFolder = Annotated[
    Path | None,
    Parameter(
        name="--output", help="Folder of the report, such as review. [default: CASE-report beside the case file]"
    ),
]
Pictures = Annotated[
    tuple[str, ...],
    Parameter(
        name="--pictures", converter=picture_kinds, n_tokens=1, negative="", show_default=False,
        help="Write every picture of the report as a file of its own too, such as png, svg, or png,svg for both.",
    ),
]  # fmt: skip
