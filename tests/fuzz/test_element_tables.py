"""Whatever stands in the element table of a stage, a command answers or names what is wrong: element, line, or corner.

A handful of damaged tables runs with every test run; ``pytest -m nightly`` draws thousands, other ones each time.
"""

import re

import pytest
from element_tables import damaged_stages, told
from harness import run_case
from hypothesis import HealthCheck, given, settings

SOME = {"deadline": None, "suppress_health_check": list(HealthCheck)}
MANY = SOME | {"max_examples": 3000, "derandomize": False, "print_blob": True}
WHOLE = re.compile(r"stage\.(elements|output|outputs)\b|compensation leaves|converter\.rectifier")
"""What belongs to no single element: a table, the output, the parts a design would choose."""
CORNER = re.compile(r"\d V, \d\S* A|\d V input and \d\S* A")


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return tmp_path_factory.mktemp("fuzz") / "stage.toml"


def examine(path, text, names, *words):
    """Run a command; every line of a refusal names an element with its line, a table of the stage, or a corner."""
    complained = run_case(text, path, *words)
    for line in (complained or "").splitlines():
        if path.name not in line:
            continue
        named = any(re.search(rf"(?<!\w){re.escape(name)}(?!\w)", line) for name in names)
        assert named or WHOLE.search(line) or CORNER.search(line), line


@settings(**SOME, max_examples=20)
@given(damaged_stages().map(told))
def test_any_damage_to_a_stage(path, case):
    examine(path, *case, "check", "--nominal")


@pytest.mark.nightly
@settings(**MANY)
@given(damaged_stages(most=4).map(told))
def test_much_damage_to_a_stage(path, case):
    examine(path, *case, "check", "--nominal")


@pytest.mark.nightly
@pytest.mark.parametrize(
    "words",
    [("check",), ("step", "--start", "--cycles", "40"), ("response", "--quantity", "loop"), ("loads",)],
    ids=" ".join,
)
@settings(**MANY | {"max_examples": 400})
@given(damaged_stages(most=1, ways=("size", "swap", "loose", "add", "drop")).map(told))
def test_further_commands_on_damaged_stages(path, words, case):
    examine(path, *case, *words)
