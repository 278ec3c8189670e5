"""The commands: each reads its words, calls one function, prints, and returns the exit status.

Exit status: 0 all targets met, 1 a target or verdict fails; the others are set by `loopdesign.cli.entry`. Heavy
libraries are imported inside the commands, so that ``--help`` answers at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import App, Parameter

from loopdesign.cli.console import Progress, ascii_wanted, say, tell
from loopdesign.cli.deliver import answered, deliver_report, filter_of, told
from loopdesign.errors import DataError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cyclopts import Token

    from loopdesign import case as cases

MET, MISSED = 0, 1

app = App(
    name="loopdesign",
    help="Close the feedback loop of a switching converter from one text file. Every margin comes with its verdict.",
    version="0.1.0",
    result_action="return_value",
    help_format="plaintext",
    help_epilogue="Should the program itself fail, --debug anywhere among the words shows the trace.",
    suppress_keyboard_interrupt=False,
)


def _whole(_type: object, tokens: Sequence[Token]) -> int:
    """Read a whole number; 2.5 is not one."""
    try:
        return int(tokens[0].value)
    except ValueError:
        raise ValueError(f'"{tokens[0].value}" is not a whole number') from None


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
def schema(*, json_: Json = False) -> int:  # noqa: ARG001  (the schema is JSON either way)
    """Print the JSON Schema of the case file, for editors."""
    from loopdesign.case import json_schema

    say(as_json=True, answer=json_schema(), text="")
    return MET


@app.command
def check(case: CasePath, /, *, output: Folder = None, json_: Json = False) -> int:
    """Examine parts already chosen: margins and verdict at every corner.

    A report is written only where --output names a folder.
    """
    from loopdesign.analysis.check import check
    from loopdesign.case import load_case

    found = check(load_case(case))
    study = filter_of(found, quiet=json_)
    if output is not None:
        deliver_report(found, output, study, quiet=json_)
    say(json_, answered(found, study) if json_ else {}, "" if json_ else told(found, study))
    return MET if found.targets_met else MISSED


@app.command
def design(case: CasePath, /, *, output: Folder = None, json_: Json = False) -> int:
    """Choose the open parts, show operating points, margins and verdict, write the report.

    The report goes to a folder beside the case file, or to --output; a complete one replaces an older one.
    """
    from loopdesign.case import load_case, read_text, write_parts
    from loopdesign.report.choice.text import choice_rows
    from loopdesign.report.replace import require_replaceable
    from loopdesign.synthesis.choice.choose import choose

    loaded = load_case(case)
    missing = [f"[{n}]" for n in ("error_amplifier", "divider") if getattr(loaded, n) is None]
    if missing:
        raise DataError(f"{case}: design needs {' and '.join(missing)}: say which amplifier closes the loop")
    folder = case.with_name(f"{case.stem}-report") if output is None else output
    require_replaceable(folder)
    with Progress("choosing parts", quiet=json_) as progress:
        found = choose(loaded, progress)
    chosen = write_parts(read_text(case), {_key(k): v for k, v in found.chosen.items()})
    study = filter_of(found.check, quiet=json_)
    deliver_report(found.check, folder, study, quiet=json_, choice=found, chosen_case=chosen)
    extra = {"chosen": found.chosen, "choice": choice_rows(found), "report": str(folder)}
    text = "" if json_ else told(found.check, study, found, report=folder / "report.md")
    say(json_, answered(found.check, study) | extra if json_ else {}, text)
    return MET if found.check.targets_met else MISSED


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

    from loopdesign.analysis.responses import response
    from loopdesign.case import load_case
    from loopdesign.units.quantities import parse_list, parse_quantity

    loaded = load_case(case)
    _require_slope(loaded)
    s = loaded.specification
    hz = np.array(parse_list(frequencies, "Hz"))
    voltage = s.input_voltage.nominal if input_voltage is None else parse_quantity(input_voltage, "V")
    current = s.output_current.highest if load_current is None else parse_quantity(load_current, "A")
    if hz.size == 0 or hz.min() <= 0.0:
        raise DataError(f"--frequencies must be above zero; found {frequencies}")
    if voltage <= 0.0:
        raise DataError(f"--input-voltage must be above zero; found {input_voltage}")
    if current < 0.0 or (current == 0.0 and loaded.converter.rectifier == "diode"):
        raise DataError(f"--load-current must be above zero with a diode rectifier; found {load_current}")
    found = response(
        loaded,
        quantity,
        frequencies_hz=hz,
        input_voltage=voltage,
        load_current=current,
        open_loop=open_loop,
        model=model,
    )
    answer = {
        "quantity": quantity,
        "frequencies_hz": [float(f) for f in hz],
        "real": [float(v.real) for v in found.values],
        "imag": [float(v.imag) for v in found.values],
        "model": model,
    }
    from loopdesign.report.loop.terminal import OSCILLATES, response_text

    if json_ and not found.stable:
        tell(OSCILLATES)  # standard output holds the object and nothing else

    say(json_, answer, "" if json_ else response_text(found, ascii_only=ascii_wanted()))
    return MET


@app.command
def step(
    case: CasePath,
    /,
    *,
    cycles: Annotated[
        int | None, Parameter(converter=_whole, help="Switching cycles of each run; until at rest unless given.")
    ] = None,
    output: Folder = None,
    json_: Json = False,
) -> int:
    """Make the case's load and line steps cycle by cycle, at every input voltage.

    Plots are written only where --output names a folder.
    """
    from loopdesign.analysis.transient.steps import step
    from loopdesign.case import load_case
    from loopdesign.report.steps.text import step_answer, step_text

    loaded = load_case(case)
    _require_slope(loaded)
    if cycles is not None and cycles < 1:
        raise DataError(f"--cycles is {cycles}; it must be at least 1")
    with Progress("stepping", quiet=json_) as progress:
        found = step(loaded, cycles=cycles, progress=progress)
    if output is not None:
        from loopdesign.report.folder import write_section
        from loopdesign.report.sections import step_section

        write_section(step_section(found), step_answer(found), output)
    say(
        json_,
        step_answer(found) if json_ else {},
        "" if json_ else step_text(found, ascii_only=ascii_wanted()),
    )
    return MET if found.stable else MISSED


@app.command
def spread(
    case: CasePath,
    /,
    *,
    samples: Annotated[int, Parameter(converter=_whole, help="Number of samples.")] = 10_000,
    seed: Annotated[int, Parameter(converter=_whole, help="The same seed gives the same samples.")] = 1,
    output: Folder = None,
    json_: Json = False,
) -> int:
    """Sample every tolerance: how often does it fail in production, and which part is to blame.

    Plots and the worst sample's case file are written only where --output names a folder.
    """
    from loopdesign.analysis.spread.sample import spread as sample_all
    from loopdesign.case import load_case, read_text
    from loopdesign.report.spread.text import spread_rows, spread_text

    loaded = load_case(case)
    with Progress("sampling", quiet=json_) as progress:
        found = sample_all(loaded, samples=samples, seed=seed, progress=progress)
    if output is not None:
        from loopdesign.analysis.spread.envelope import envelope
        from loopdesign.report.folder import write_section
        from loopdesign.report.sections import spread_section
        from loopdesign.report.spread.worst_sample import worst_case_text

        worst = worst_case_text(read_text(case), found)
        write_section(spread_section(found, envelope(found, found.ranked_condition), worst), spread_rows(found), output)
    say(json_, spread_rows(found) if json_ else {}, "" if json_ else spread_text(found, ascii_only=ascii_wanted()))
    return MISSED if found.unstable.count or found.off_target.count else MET


def _key(name: str) -> str:
    """Key of a chosen value in the case file."""
    return {"slope": "modulator.slope"}.get(name, name)


def _require_slope(loaded: cases.Case) -> None:
    if loaded.modulator.scheme == "peak current" and loaded.modulator.slope is None:
        raise DataError(f"{loaded.where('modulator.slope')} is open; run 'loopdesign design' to choose it, or give it")
