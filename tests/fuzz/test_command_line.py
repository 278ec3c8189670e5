"""Whatever words stand on the command line, it answers or refuses in a sentence."""

import pytest
from harness import run
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mutations import CASES, NUMBERS, TEXTS, UNITS

CASE = str(CASES / "tide_gauge_sepic_undamped.toml")
COMMANDS = ("check", "response", "start", "schema", "--help", "--version", "step", "spread", "design", "", "frobnicate")
OPTIONS = (
    "--json", "--quantity", "--input-voltage", "--load-current", "--frequencies", "--open-loop", "--model", "--details",
    "--help", "--start", "--tea", "-x", "-", "--", "--json=true", "--no-json", "--quantity=plant", "-h",
)  # fmt: skip
VALUES = (
    CASE, "nowhere.toml", ".", "/dev/null", "/dev/zero", "-supply.toml", "plant", "loop", "line", "averaged", "1k,10k", "8V",
    "1.2A", "1,2,,3", "sepic", "../sepic", "\udcff\udcfe", "x" * 300,
)  # fmt: skip
words = st.sampled_from(OPTIONS) | st.sampled_from(VALUES) | st.sampled_from(TEXTS) | st.sampled_from(NUMBERS)
words |= st.builds("{}{}".format, st.sampled_from(NUMBERS), st.sampled_from(UNITS)) | st.text(max_size=6)


@st.composite
def command_lines(draw):
    """A command, often a good case, and words that fit more or less; nothing that writes."""
    line = [draw(st.sampled_from(COMMANDS))]
    if draw(st.booleans()):
        line.append(CASE)
    line += draw(st.lists(words, max_size=5))
    if line[0] in {"step", "spread", "design", "start"}:  # the first three work long, the last one writes
        line = [w for w in line if w not in {CASE, "sepic"}]
    return line


def runs(line):
    status, told, complained = run(line)
    assert told or complained
    assert status in {0, 1} or complained


@settings(deadline=None, suppress_health_check=list(HealthCheck), max_examples=80)
@given(command_lines())
def test_any_words(line):
    runs(line)


@pytest.mark.nightly
@settings(deadline=None, suppress_health_check=list(HealthCheck), max_examples=3000, derandomize=False, print_blob=True)
@given(command_lines())
def test_many_words(line):
    runs(line)
