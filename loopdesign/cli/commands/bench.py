"""``bench``: the prediction held against measured responses, or against a measured load step."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003  (the command line reads the annotations)
from typing import TYPE_CHECKING, Annotated, Any, Literal

from cyclopts import Parameter

from loopdesign.cli.console import Progress, display, say, tell
from loopdesign.cli.options import IMPOSSIBLE, MET, CasePath, Json, Pictures
from loopdesign.errors import DataError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from loopdesign.bench.result import BenchResult
    from loopdesign.case import Case, CaseFile
    from loopdesign.synthesis.choice.result import Choice


def bench(  # noqa: C901, PLR0913  (one parameter for each option, and what each asks for)
    case: CasePath,
    /,
    *data: Annotated[Path, Parameter(help="Measured data as delimited text, such as board.csv; one file or several.")],
    step: Annotated[
        Path | None,
        Parameter(help="In place of data: time and output voltage of a load step, from an oscilloscope."),
    ] = None,
    input_voltage: Annotated[
        str | None,
        Parameter(
            help='Input voltage, such as "13V"; for several files one for each, such as "9V,16V". '
            "[default: by the file's words, else nominal]"
        ),
    ] = None,
    load_current: Annotated[
        str | None,
        Parameter(
            help='Load current, such as "1.5A"; for several files one for each. '
            "[default: by the file's words, else highest]"
        ),
    ] = None,
    quantity: Annotated[
        Literal["loop", "plant", "output-impedance"] | None,
        Parameter(help="What was measured. [default: loop, unless the data look like something else]"),
    ] = None,
    fit: Annotated[
        str | None,
        Parameter(
            help='Values to refine, separated by commas, such as "stage.Co.capacitance,stage.Co.esr", or "auto" to try '
            "single parts and pairs and name the likeliest."
        ),
    ] = None,
    redesign: Annotated[
        bool,
        Parameter(negative="", show_default=False, help="Choose new compensation for the board as the fit found it."),
    ] = False,
    columns: Annotated[
        str | None,
        Parameter(help='Columns of frequency and of both values, counted from 1, such as "1,3,4". [default: found]'),
    ] = None,
    values: Annotated[
        str | None,
        Parameter(
            help='What the two columns of values hold, such as "dB and degrees", "real and imaginary", '
            '"magnitude and degrees", "dB and radians" or "magnitude and radians". [default: found]'
        ),
    ] = None,
    frequency_unit: Annotated[
        Literal["Hz", "kHz", "MHz"] | None, Parameter(help="Unit of the frequencies. [default: found]")
    ] = None,
    fitted_case: Annotated[
        Path | None,
        Parameter(help="Case file to write with the fitted values, comments kept, such as board.toml."),
    ] = None,
    output: Annotated[
        Path | None,
        Parameter(help="Folder for a report with pictures of the overlay and of the difference, such as bench."),
    ] = None,
    pictures: Pictures = ("png",),
    json_: Json = False,
) -> int:
    """Hold the prediction against a measured loop, and refine parts until the two meet.

    Reads frequency with gain and phase, or with real and imaginary part, in any common layout and language. Exit status
    0 where the comparison was made, whatever it says.
    """
    from loopdesign.bench.board import write_new
    from loopdesign.bench.hold import Asked, compare_with
    from loopdesign.bench.reading.told import told_of
    from loopdesign.case import parse_case, read_file
    from loopdesign.report.bench.text import bench_text, redesign_text
    from loopdesign.report.loop.response_text import notes

    if step is not None and data:
        raise DataError("give measured responses, or a measured load step with --step: one of the two")
    if not data and step is None:
        raise DataError("no measured data given; name one file or several after the case")
    _require_fit(fit, fitted_case=fitted_case, redesign=redesign)
    if step is not None and redesign:
        raise DataError("--redesign goes with a measured response: fit one, or run design on the case of --fitted-case")
    if fitted_case is not None and fitted_case.exists():
        raise DataError(f"{fitted_case} exists already; name a new file")
    if output is not None:
        from loopdesign.report.replace import require_replaceable

        require_replaceable(output)
    asked = Asked(
        quantity=quantity, input_voltage=_several(input_voltage), load_current=_several(load_current), fit=fit or (),
        told=told_of(columns, values, frequency_unit),
    )  # fmt: skip
    given = read_file(case)
    loaded = parse_case(given.text, str(case))
    if step is not None:
        return _step(given, loaded, step, (input_voltage, fit or ""), (fitted_case, output), pictures, as_json=json_)
    with Progress("comparing", quiet=json_) as progress:
        found = compare_with(loaded, data, asked, progress=progress)
    choice = _chosen(found[0], quiet=json_) if redesign else None
    texts = _texts(given, found, choice)
    if fitted_case is not None:
        write_new(fitted_case, texts["fitted.toml"])
    if output is not None:
        _write_report(output, found, given, texts, pictures)
    if json_:
        for note in dict.fromkeys(note for held in found for note in notes(held.verdict)):
            tell(note)  # standard output holds the object and nothing else
        told = [held.to_dict() | _redesign_answer(found[0], choice) for held in found]
        say(json_, told[0] if len(told) == 1 else told, "")
    else:
        shown = display()
        written = "" if fitted_case is None else f"wrote {fitted_case} with the fitted values"
        pieces = [bench_text(held, written=written, display=shown) for held in found]
        if choice is not None and found[0].board is not None:
            pieces.append(redesign_text(choice, found[0].board, display=shown))
        pieces += [] if output is None else [f"report: {output / 'report.pdf'}"]
        say(json_, {}, "\n\n".join(pieces))
    return IMPOSSIBLE if isinstance(choice, str) else MET


def _step(
    given: CaseFile, case: Case, data: Path, options: tuple[str | None, str], places: tuple[Path | None, Path | None],
    pictures: tuple[str, ...], *, as_json: bool,
) -> int:  # fmt: skip
    """Hold the load step of the case against a record, and hand the comparison over."""
    from loopdesign.bench.board import fitted_text, write_new
    from loopdesign.bench.steps.hold import compare_step
    from loopdesign.report.bench.step import step_comparison_text

    with Progress("stepping", quiet=as_json):
        held = compare_step(case, data, input_voltage=options[0], fit=options[1])
    files = {"fitted.toml": fitted_text(given.text, held.fitted, given.path)} if held.parts else {}
    if places[0] is not None:
        write_new(places[0], files["fitted.toml"])
    if places[1] is not None:
        from loopdesign.report.basics.date import report_date
        from loopdesign.report.bench.content import step_report
        from loopdesign.report.folder import write_report

        write_report(places[1], step_report(held, given, report_date(case), files), held.to_dict(), pictures=pictures)
    say(as_json, held.to_dict(), "" if as_json else step_comparison_text(held, display=display()))
    return MET


def _require_fit(fit: str | None, *, fitted_case: Path | None, redesign: bool) -> None:
    """Refuse options that need fitted values where none are asked for."""
    if fit is not None and fit.strip(", "):
        return
    if fitted_case is not None:
        raise DataError("--fitted-case writes the case with fitted values: give --fit as well")
    if redesign:
        raise DataError("--redesign chooses compensation for the board as a fit finds it: give --fit as well")


def _several(text: str | None) -> str | list[str] | None:
    """Part values given for several files."""
    return text if text is None or "," not in text else [piece.strip() for piece in text.split(",")]


def _chosen(held: BenchResult, *, quiet: bool) -> Choice | str:
    """Choose new compensation, or say why there is none."""
    from loopdesign.bench.board import redesigned
    from loopdesign.errors import NoDesignError

    if held.board is None:
        raise DataError("--redesign needs fitted values")
    try:
        with Progress("choosing parts", quiet=quiet):
            return redesigned(held.board.case)
    except NoDesignError as fault:
        return "; ".join([str(fault), *fault.obstacles])


def _redesign_answer(held: BenchResult, choice: Choice | str | None) -> dict[str, Any]:
    """Return what --redesign adds to the answer; nothing without it."""
    if choice is None:
        return {}
    board = {} if held.board is None else {"board": held.board.to_dict()}
    if isinstance(choice, str):
        return board | {"redesign": {"parts": None, "stable": None, "targets_met": False, "reasons": [choice]}}
    check = choice.check
    told = {"parts": dict(check.parts), "stable": check.stable, "targets_met": check.targets_met}
    return board | {"redesign": told | {"reasons": list(check.reasons)}}


def _texts(given: CaseFile, found: Sequence[BenchResult], choice: Choice | str | None) -> dict[str, str]:
    """Write the case with the fitted values, and with new compensation, comments kept, as texts by file name."""
    from loopdesign.bench.board import fitted_text
    from loopdesign.case import write_parts

    if found[0].fit is None:
        return {}
    text = fitted_text(given.text, found[0].fitted, given.path)
    if choice is None or isinstance(choice, str):
        return {"fitted.toml": text}
    return {"fitted.toml": text, "proposed.toml": write_parts(text, dict(choice.check.parts))}


def _write_report(
    folder: Path, found: Sequence[BenchResult], given: CaseFile, files: Mapping[str, str], pictures: tuple[str, ...]
) -> None:
    """Write the report with its pictures."""
    from loopdesign.report.basics.date import report_date
    from loopdesign.report.bench.content import bench_answer, bench_content
    from loopdesign.report.folder import write_report

    with Progress("writing the report", quiet=False):
        content = bench_content(found, given, report_date(found[0].case), files)
        write_report(folder, content, bench_answer(found), pictures=pictures)
