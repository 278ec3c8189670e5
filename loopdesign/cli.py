"""The command line: read the words, call one function, print, set the exit status.

Exit status: 0 all targets met, 1 a target or verdict fails, 2 the input is wrong, 3 the design cannot exist.
Heavy libraries are imported inside the commands, so that ``--help`` answers at once.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from cyclopts import App, CycloptsError, Parameter

from loopdesign.errors import CaseError, DataError, LoopDesignError, NoDesignError, UnreachableOutputError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from loopdesign import case as cases
    from loopdesign.assess import Assessment
    from loopdesign.synthesis import Design

MET, MISSED, WRONG_INPUT = 0, 1, 2

app = App(
    name="loopdesign",
    help="Close the feedback loop of a switching converter from one text file. Every margin comes with its verdict.",
    version="0.1.0",
    result_action="return_value",
    help_format="plaintext",
)

CasePath = Annotated[Path, Parameter(help="Case file (TOML).")]
Json = Annotated[bool, Parameter(name="--json", negative="", help="Print one JSON object and nothing else.")]
Folder = Annotated[Path | None, Parameter(name="--output", help="Folder of the report.")]


@app.command
def start(
    topology: str,
    *,
    output: Annotated[
        Path | None, Parameter(name="--output", help="File to write; TOPOLOGY.toml here unless given.")
    ] = None,
    json_: Json = False,
) -> int:
    """Write a commented case file to begin from.

    Parameters
    ----------
    topology
        sepic, boost, flyback, buck, inverting, cuk or zeta.
    """
    from loopdesign.case import template

    text = template(topology)
    target = Path(f"{topology}.toml") if output is None else output
    if target.exists():
        raise DataError(f"{target} is there already; name another file with --output")
    if not target.parent.is_dir():
        raise DataError(f"{target.parent} is not a folder")
    target.write_text(text, encoding="utf-8")
    _print(
        json_,
        {"written": str(target)},
        f"wrote {target}: invented values to replace by yours; then 'loopdesign design {target}'",
    )
    return MET


@app.command
def schema() -> int:
    """Print the JSON Schema of the case file, for editors."""
    from loopdesign.case import json_schema

    print(json.dumps(json_schema(), indent=2, ensure_ascii=False))
    return MET


@app.command
def check(case: CasePath, *, output: Folder = None, json_: Json = False) -> int:
    """Examine parts already chosen: margins and verdict at every corner.

    A report is written only where --output names a folder.
    """
    from loopdesign.assess import assess
    from loopdesign.case import load_case
    from loopdesign.report.answer import answer
    from loopdesign.responses import given_parts

    loaded = load_case(case)
    whole = all(x is not None for x in (loaded.error_amplifier, loaded.divider, loaded.compensation))
    _require_slope(loaded)
    found = assess(loaded, given_parts(loaded) if whole else {})
    if output is not None:
        _write_report(found, output, quiet=json_)
    _print(json_, answer(found) if json_ else {}, "" if json_ else _told(found))
    return MET if found.targets_met else MISSED


@app.command
def design(case: CasePath, *, output: Folder = None, json_: Json = False) -> int:
    """Choose the open parts, show operating points, margins and verdict, write the report.

    The report goes to a folder beside the case file, or to --output; a complete one replaces an older one.
    """
    from loopdesign.case import load_case, read_text, write_parts
    from loopdesign.report.answer import answer
    from loopdesign.synthesis import design as choose

    loaded = load_case(case)
    missing = [f"[{n}]" for n in ("error_amplifier", "divider") if getattr(loaded, n) is None]
    if missing:
        raise DataError(f"{case}: design needs {' and '.join(missing)}: say which amplifier closes the loop")
    with _Progress("choosing parts", quiet=json_) as progress:
        found = choose(loaded, progress)
    folder = case.with_name(f"{case.stem}-report") if output is None else output
    chosen = write_parts(read_text(case), {_key(k): v for k, v in found.chosen.items()})
    _write_report(found.assessment, folder, quiet=json_, chosen_case=chosen)
    extra = {"chosen": found.chosen, "method": found.method, "report": str(folder)}
    _print(
        json_,
        answer(found.assessment) | extra if json_ else {},
        "" if json_ else _told(found.assessment, found) + f"\nreport: {folder / 'report.md'}",
    )
    return MET if found.assessment.targets_met else MISSED


@app.command
def response(
    case: CasePath,
    *,
    quantity: Annotated[
        Literal["plant", "loop", "line", "output-impedance", "input-impedance"], Parameter(help="What to evaluate.")
    ] = "plant",
    input_voltage: Annotated[str | None, Parameter(help='Such as "13V"; nominal unless given.')] = None,
    load_current: Annotated[str | None, Parameter(help='Such as "1.5A"; the highest unless given.')] = None,
    frequencies: Annotated[str, Parameter(help='Such as "100,1k,10k".')] = "100,1k,10k,100k",
    open_loop: Annotated[bool, Parameter(negative="", help="Hold the control voltage.")] = False,
    model: Annotated[Literal["switched", "averaged"], Parameter(help="Exact, or averaged for insight.")] = "switched",
    json_: Json = False,
) -> int:
    """Print numbers at given frequencies for a chosen quantity and operating point."""
    import numpy as np

    from loopdesign.case import load_case
    from loopdesign.quantities import parse_list, parse_quantity
    from loopdesign.responses import respond

    loaded = load_case(case)
    _require_slope(loaded)
    s = loaded.specification
    hz = np.array(parse_list(frequencies, "Hz"))
    voltage = s.input_voltage.nominal if input_voltage is None else parse_quantity(input_voltage, "V")
    current = s.output_current.highest if load_current is None else parse_quantity(load_current, "A")
    if hz.size == 0 or hz.min() <= 0.0 or voltage <= 0.0 or current < 0.0:
        raise DataError("frequencies and input voltage must be above zero, the load current not below")
    found = respond(loaded, quantity, hz, input_voltage=voltage, load_current=current, open_loop=open_loop, model=model)
    answer = {
        "quantity": quantity,
        "frequencies_hz": [float(f) for f in hz],
        "real": [float(v.real) for v in found.values],
        "imag": [float(v.imag) for v in found.values],
        "model": model,
    }
    from loopdesign.report.terminal import response_text

    _print(json_, answer, "" if json_ else response_text(found))
    return MET


def _key(name: str) -> str:
    """Key of a chosen value in the case file."""
    return {"slope": "modulator.slope"}.get(name, name)


def _require_slope(loaded: cases.Case) -> None:
    if loaded.modulator.scheme == "peak current" and loaded.modulator.slope is None:
        raise DataError(f"{loaded.source}: modulator.slope is open; run 'loopdesign design' to choose it, or give it")


def _told(found: Assessment, chosen: Design | None = None) -> str:
    """Everything a person reads on the terminal."""
    from loopdesign.report.terminal import assessment_text

    return assessment_text(found, chosen.chosen if chosen else {}, colour=_colour())


def _write_report(found: Assessment, folder: Path, *, quiet: bool, chosen_case: str | None = None) -> None:
    from loopdesign.report.data import report_data
    from loopdesign.report.folder import write_report

    with _Progress("writing the report", quiet=quiet):
        write_report(found, report_data(found), folder, chosen_case=chosen_case)


def _colour() -> bool:
    """Whether colour may be used: on a terminal, unless NO_COLOR is set."""
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR")


def _print(as_json: bool, answer: dict[str, Any], text: str) -> None:
    if as_json:
        print(json.dumps(answer, indent=1, allow_nan=False, ensure_ascii=False))
    else:
        print(text)


class _Progress:
    """Progress on standard error, on a terminal only."""

    def __init__(self, words: str, *, quiet: bool) -> None:
        self.words = words
        self.shown = not quiet and sys.stderr.isatty()
        self.bar: Any = None
        self.task: Any = None

    def __enter__(self) -> Callable[[int, int], None]:
        if self.shown:
            from rich.console import Console
            from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

            self.bar = Progress(
                TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn(),
                console=Console(stderr=True), transient=True,
            )  # fmt: skip
            self.bar.start()
            self.task = self.bar.add_task(self.words, total=None)
        return self.step

    def step(self, done: int, total: int) -> None:
        """Show how far the work is."""
        if self.bar is not None:
            self.bar.update(self.task, completed=done, total=total)

    def __exit__(self, *_: object) -> None:
        if self.bar is not None:
            self.bar.stop()


def _fault_rows(error: LoopDesignError) -> dict[str, Any]:
    """Turn an error into its JSON form."""
    row: dict[str, Any] = {"kind": type(error).__name__, "message": str(error)}
    if isinstance(error, CaseError):
        row["faults"] = [
            {"file": f.file, "line": f.line, "column": f.column, "key": f.key, "message": f.message,
             "found": f.found, "expected": f.expected, "hint": f.hint}
            for f in error.faults
        ]  # fmt: skip
    if isinstance(error, NoDesignError):
        row |= {"nearest": error.nearest, "obstacles": list(error.obstacles)}
    if isinstance(error, UnreachableOutputError):
        row |= {
            "input_voltage": error.input_voltage,
            "load_current": error.load_current,
            "target": error.target,
            "highest_output": error.highest_output,
            "duty": error.duty,
        }
    return row


def _complain(error: LoopDesignError, as_json: bool) -> int:
    """Tell a person on standard error, a machine on standard output; nothing is half-written."""
    if as_json:
        print(json.dumps({"error": _fault_rows(error)}, indent=1, allow_nan=False, ensure_ascii=False))
    text = str(error)
    if isinstance(error, NoDesignError):
        text = "\n  - ".join([f"no design: {text}", *error.obstacles])
        if error.nearest.get("parts"):
            from loopdesign.report.terminal import parts_text

            text += f"\nnearest miss: {parts_text(error.nearest['parts'])}"
    print(text, file=sys.stderr)
    return error.exit_status


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    argv
        Words after the program's name; those of the process unless given.

    Returns
    -------
    int
        Exit status.
    """
    words = list(sys.argv[1:] if argv is None else argv)
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # many small matrices: threads inside a product only get in each other's way
    try:
        status = app(words, exit_on_error=False, print_error=False)
    except CycloptsError as fault:
        message = " ".join(str(fault).split())
        print(f"{message}\nsee 'loopdesign --help'", file=sys.stderr)
        return WRONG_INPUT
    except LoopDesignError as error:
        return _complain(error, "--json" in words)
    except BrokenPipeError:
        sys.stderr.close()
        return MET
    return int(status or 0)
