"""One word for one thing: the table of names in DEVELOPERS.md against everything public."""

import inspect
import re
from dataclasses import fields
from pathlib import Path

import pytest

import loopdesign as ld
from loopdesign.analysis.limits import Limit, Limits
from loopdesign.cli.commands import app
from loopdesign.compensation.state_space import Compensator
from loopdesign.corners.conditions import Corners
from loopdesign.margins.margins import LoopMargins
from loopdesign.models.insight import Feature, Plant
from loopdesign.models.state_space import LinearSystem
from loopdesign.models.verdict import Mode, Verdict
from loopdesign.report.loop.answer import answer

ROOT = Path(__file__).parents[3]
CASE = ROOT / "cases" / "tide_gauge_sepic_undamped.toml"
BOARD = ROOT / "tests" / "simulated" / "data" / "bench"
BOOST = {"R1": 9.09e3, "C1": 27e-9, "C2": 1.8e-9}
"""Parts that the boost leaves open."""
TYPES = (
    ld.Check, ld.CornerResult, ld.Design, ld.FilterCheck, ld.Response, ld.Steps, ld.StepResult, ld.Spread, ld.Bench, Mode, Verdict, Plant,
    Feature, LinearSystem, Compensator, LoopMargins, Corners, Limits, Limit,
)  # fmt: skip
SUFFIXES = {"_hz": "Hz", "_deg": "deg", "_db": "dB", "_per_s": "1/s", "_v": "V", "_s": "s"}
TERMINAL_ONLY = {
    "output", "details", "watch", "json_", "frequencies", "from_", "to", "points", "csv", "topology", "shell", "install",
    "pictures",
    "workers", "cluster", "sensitivity",
}  # fmt: skip
"""Options that say how a command hands over its answer; what they ask for has no counterpart in Python."""


def section():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    return text.split("## Words and symbols\n")[1].split("\n## ")[0]


def table():
    """Rows of the table: symbols, names, unit, meaning, source."""
    lines = [line for line in section().splitlines() if line.startswith("|")][2:]
    return [[cell.strip() for cell in re.split(r"(?<!\w)\|(?!m)|\|(?=$)| \| ", line.strip("|"))] for line in lines]


def names_in(text):
    return re.findall(r"`([^`]+)`", text)


NAMES = {name: row for row in table() for name in names_in(row[1])}
STRUCTURAL = set(names_in(section()[section().index("Structural words") :]))


def public(kind):
    """Fields and properties of a type that a caller sees."""
    found = {f.name for f in fields(kind)}
    return found | {n for n, _ in inspect.getmembers(kind) if not n.startswith("_")}


def test_every_row_is_whole():
    rows = table()
    assert len(rows) > 40
    for row in rows:
        assert len(row) == 5, row
        assert all(row[1:]), f"something is missing in the row of {row[1]}"


def test_no_name_stands_twice():
    listed = [name for row in table() for name in names_in(row[1])]
    assert len(set(listed)) == len(listed)
    assert not set(listed) & STRUCTURAL


@pytest.mark.parametrize("kind", TYPES, ids=lambda kind: kind.__name__)
def test_every_field_of_a_result_has_its_row(kind):
    unknown = public(kind) - set(NAMES) - STRUCTURAL
    assert not unknown, f"{kind.__name__}: give {sorted(unknown)} a row in DEVELOPERS.md, or list them"


def test_every_parameter_has_its_row():
    functions = [getattr(ld, name) for name in ld.__all__ if inspect.isfunction(getattr(ld, name))]
    given = {p for f in functions for p in inspect.signature(f).parameters}
    assert not given - set(NAMES) - STRUCTURAL


def test_every_key_of_an_answer_has_its_row():
    """Keys of ``check --json`` and of the rows of every result are the names of Python."""
    case = ld.load_case(CASE)
    examined = ld.check(case)
    told = answer(examined)
    rows = [
        told, told["corners"][0], told["verdict"], told["limits"][0], told["corners"][0]["worst_mode"],
        ld.response(case, "plant", frequencies_hz=[1e3]).to_dict(),
        ld.step(case, cycles=3).to_rows()[0],
        ld.check(ROOT / "cases" / "beacon_boost.toml", BOOST).filter_study().to_rows()[0],
        ld.bench(BOARD / "clean.nominal.toml", BOARD / "clean.csv").to_dict(),
        ld.bench(BOARD / "clean.nominal.toml", BOARD / "clean.csv").to_rows()[0],
        {k: v for k, v in ld.spread(case, samples=1).to_rows()[0].items() if "." not in k},
    ]  # fmt: skip
    unknown = {key for row in rows for key in row} - set(NAMES) - STRUCTURAL
    assert not unknown
    assert all(hasattr(examined.corners[0], key) or key == "missed" for key in told["corners"][0])


def test_options_of_the_command_line_are_the_parameters_of_python():
    for word in ("check", "design", "response", "step", "spread", "bench"):
        options = set(inspect.signature(app[word].default_command).parameters) - TERMINAL_ONLY
        parameters = set(inspect.signature(getattr(ld, word)).parameters)
        assert options <= parameters, f"{word}: {sorted(options - parameters)}"


def test_units_in_names_are_those_of_the_table():
    for name, row in NAMES.items():
        suffix = next((s for s in SUFFIXES if name.endswith(s)), None)
        if suffix:
            assert SUFFIXES[suffix] in row[2].split(", "), f"{name} is listed in {row[2]}"


def test_every_listed_name_is_in_use():
    """A row for a name that the package no longer has misleads."""
    text = "\n".join(p.read_text(encoding="utf-8") for p in (ROOT / "loopdesign").rglob("*.py"))
    gone = [name for name in {*NAMES, *STRUCTURAL} if not re.search(rf"(?<![\w]){re.escape(name)}(?![\w])", text)]
    assert not gone
