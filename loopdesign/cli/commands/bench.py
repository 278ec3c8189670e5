"""``bench``: the prediction held against measured responses."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003  (the command line reads the annotations)
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter

from loopdesign.cli.console import display, say, tell
from loopdesign.cli.options import MET, CasePath, Json
from loopdesign.errors import DataError

if TYPE_CHECKING:
    from loopdesign.bench.result import BenchResult


def bench(
    case: CasePath,
    /,
    *data: Annotated[Path, Parameter(help="Measured data as delimited text, such as board.csv; one file or several.")],
    input_voltage: Annotated[
        str | None, Parameter(help='Input voltage, such as "13V". [default: by the file\'s words, else nominal]')
    ] = None,
    load_current: Annotated[
        str | None, Parameter(help='Load current, such as "1.5A". [default: by the file\'s words, else highest]')
    ] = None,
    quantity: Annotated[
        Literal["loop", "plant", "output-impedance"] | None,
        Parameter(help="What was measured. [default: loop, unless the data look like something else]"),
    ] = None,
    fit: Annotated[
        str | None,
        Parameter(help='Values to refine, separated by commas, such as "stage.Co.capacitance,stage.Co.esr".'),
    ] = None,
    output: Annotated[
        Path | None, Parameter(help="Case file to write with the fitted values, comments kept, such as board.toml.")
    ] = None,
    json_: Json = False,
) -> int:
    """Hold the prediction against a measured loop, and refine parts until the two meet.

    Reads frequency with gain and phase, or with real and imaginary part, in any common layout and language.
    """
    from loopdesign.bench.hold import compare_with
    from loopdesign.case import load_case
    from loopdesign.report.bench.text import bench_text
    from loopdesign.report.loop.response_text import OSCILLATES

    if not data:
        raise DataError("no measured data given; name one file or several after the case")
    keys = [] if fit is None else [key.strip() for key in fit.split(",") if key.strip()]
    if output is not None and (not keys or len(data) > 1):
        raise DataError("--output writes the case with fitted values: give --fit, and one file of data")
    loaded = load_case(case)
    found = [
        compare_with(
            loaded, path, quantity=quantity, input_voltage=input_voltage, load_current=load_current, fit=keys
        )
        for path in data
    ]  # fmt: skip
    if output is not None:
        _write_case(case, output, found[0])
    if json_:
        if not all(held.stable for held in found):
            tell(OSCILLATES)  # standard output holds the object and nothing else
        told = [held.to_dict() for held in found]
        say(json_, told[0] if len(told) == 1 else told, "")
        return MET
    shown = display()
    written = "" if output is None else str(output)
    say(json_, {}, "\n\n".join(bench_text(held, written=written, display=shown) for held in found))
    return MET


def _write_case(case: Path, target: Path, held: BenchResult) -> None:
    """Write the case file with the fitted values in it, everything else as it is; never over an existing file."""
    from loopdesign.case import parse_case, read_text, write_parts

    text = write_parts(read_text(case), held.fitted)
    parse_case(text, str(target))
    try:
        with target.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise DataError(f"{target} exists already; name a new file") from None
    except OSError as fault:
        raise DataError(f"{target} cannot be written: {fault.strerror}") from fault
