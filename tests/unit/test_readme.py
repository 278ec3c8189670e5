"""The README against the program: the case-file reference, the commands, the output and the Python lines it shows."""

import re
from pathlib import Path

import pytest

from loopdesign.case import json_schema, load_case
from loopdesign.case.reference import BEGIN, END, reference, reference_markdown
from loopdesign.case.template import CUSTOM
from loopdesign.cli import main
from loopdesign.cli.commands import app
from loopdesign.network.topologies import TOPOLOGIES
from loopdesign.report.basics.layout import Display
from loopdesign.report.loop.terminal import check_text

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def schema_keys(schema):
    """Keys of every table of the JSON Schema, which pydantic writes without knowing of the reference."""
    tables = [schema, *schema["$defs"].values()]
    return {key for table in tables for key in table.get("properties", {})}


def test_reference_holds_every_key_of_the_schema():
    page = README.partition(BEGIN)[2].partition(END)[0]
    sections = set(re.findall(r"^\*\*`\[(\w+)\]`", page, re.MULTILINE))
    keys = set(re.findall(r"^\| `(\w+)` \|", page, re.MULTILINE))
    assert schema_keys(json_schema()) - sections - keys == set()


def test_reference_is_the_one_that_the_models_give():
    """``python -m loopdesign.case.reference README.md`` brings it up to date."""
    assert README.partition(BEGIN)[2].partition(END)[0].strip() == reference_markdown().strip()


def test_every_key_has_a_meaning_in_the_reference_and_in_the_schema():
    assert [(title, row.key) for title, rows in reference() for row in rows if not row.meaning] == []
    schema = json_schema()
    bare = [k for d in schema["$defs"].values() for k, v in d.get("properties", {}).items() if "description" not in v]
    assert bare == []


def test_readme_names_every_command():
    commands = {name for name in app if name not in {"--help", "-h", "--version"}}
    assert {name for name in commands if f"| `loopdesign {name}" not in README} == set()


def test_set_up_and_test_commands_are_what_ci_looks_for():
    """The lines that .ci/run takes from this page, each one line by itself."""
    lines = README.splitlines()
    assert sum(re.match(r"python3 -m venv .*\[test\]", line) is not None for line in lines) == 1
    assert sum(re.match(r"python3 -m venv .*loopdesign design", line) is not None for line in lines) == 1


@pytest.fixture
def in_root(monkeypatch):
    monkeypatch.chdir(ROOT)


@pytest.mark.usefixtures("in_root")
def test_output_and_python_lines_are_real(capsys):
    lines = re.search(r"```python\n(.*?)```", README, re.DOTALL).group(1)
    names = {}
    exec(compile(lines, "README.md", "exec"), names)  # noqa: S102  (the README's own lines)
    assert capsys.readouterr().out.count("coupling resonance") >= 6
    case = load_case(Path("cases/tide_gauge_sepic_undamped.toml"))
    told = check_text(names["ld"].check(case), display=Display(width=100))
    shown = re.search(r"```text\n(.*?)```", README, re.DOTALL).group(1)
    rows = [line for line in shown.splitlines() if re.match(r" +[\d.]+ +[\d.]+ ", line)]
    assert len(rows) == 6
    assert [row for row in rows if row not in told] == []


def test_shipped_cases_are_listed():
    assert [p.name for p in (ROOT / "cases").glob("*.toml") if f"| `cases/{p.name}` |" not in README] == []


def test_help_of_start_names_every_topology(capsys):
    assert main(["start", "--help"]) == 0
    told = re.search(r"TOPOLOGY +(sepic.*?\.)", " ".join(capsys.readouterr().out.replace("│", "").split())).group(1)
    assert re.split(r", | or ", told.rstrip(".")) == [*TOPOLOGIES, CUSTOM]
