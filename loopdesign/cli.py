"""The command line: read the words, call one function, print, set the exit status.

Exit status: 0 all targets met, 1 a target or verdict fails, 2 the input is wrong, 3 the design cannot exist.
Heavy libraries are imported inside the commands, so that ``--help`` answers at once.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import App, CycloptsError, Parameter

from loopdesign.console import Progress, colour_wanted, complain, say
from loopdesign.errors import DataError, LoopDesignError

if TYPE_CHECKING:
    from collections.abc import Sequence

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
    /,
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
    say(
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
def check(case: CasePath, /, *, output: Folder = None, json_: Json = False) -> int:
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
    say(json_, answer(found) if json_ else {}, "" if json_ else _told(found))
    return MET if found.targets_met else MISSED


@app.command
def design(case: CasePath, /, *, output: Folder = None, json_: Json = False) -> int:
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
    with Progress("choosing parts", quiet=json_) as progress:
        found = choose(loaded, progress)
    folder = case.with_name(f"{case.stem}-report") if output is None else output
    chosen = write_parts(read_text(case), {_key(k): v for k, v in found.chosen.items()})
    _write_report(found.assessment, folder, quiet=json_, chosen_case=chosen)
    extra = {"chosen": found.chosen, "method": found.method, "report": str(folder)}
    say(
        json_,
        answer(found.assessment) | extra if json_ else {},
        "" if json_ else _told(found.assessment, found) + f"\nreport: {folder / 'report.md'}",
    )
    return MET if found.assessment.targets_met else MISSED


@app.command
def response(
    case: CasePath,
    /,
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

    say(json_, answer, "" if json_ else response_text(found))
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

    return assessment_text(found, chosen.chosen if chosen else {}, colour=colour_wanted())


def _write_report(found: Assessment, folder: Path, *, quiet: bool, chosen_case: str | None = None) -> None:
    from loopdesign.report.data import report_data
    from loopdesign.report.folder import write_report

    with Progress("writing the report", quiet=quiet):
        write_report(found, report_data(found), folder, chosen_case=chosen_case)


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
        return complain(error, "--json" in words)
    except BrokenPipeError:
        sys.stderr.close()
        return MET
    return int(status or 0)
