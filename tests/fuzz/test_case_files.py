"""Whatever stands in a case file, a command answers or says what is wrong and where; it never breaks, warns or hangs.

Two hundred damaged files run with every test run; ``pytest -m nightly`` draws thousands, other ones each time.
"""

import pytest
from harness import run_case
from hypothesis import HealthCheck, given, settings
from mutations import documents, hurt_texts, started, toml

SOME = {"deadline": None, "suppress_health_check": list(HealthCheck)}
MANY = SOME | {"max_examples": 2000, "derandomize": False, "print_blob": True}
FURTHER = (
    ("check",),
    ("response", "--quantity", "loop"),
    ("response", "--quantity", "input-impedance", "--open-loop"),
    ("step", "--cycles", "30"),
    ("spread", "--samples", "4"),
)
"""Commands beside the nominal check, kept short, and the check with every temperature and tolerance end."""


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return tmp_path_factory.mktemp("fuzz") / "fuzz.toml"


@settings(**SOME, max_examples=45)
@given(documents().map(toml))
def test_any_change_of_structure(path, text):
    run_case(text, path, "check", "--nominal")


@settings(**SOME, max_examples=30)
@given(documents(gentle=True).map(toml))
def test_any_size_of_any_number(path, text):
    run_case(text, path, "check", "--nominal")


@settings(**SOME, max_examples=25)
@given(hurt_texts())
def test_any_harm_to_the_text(path, text):
    run_case(text, path, "check", "--nominal")


@settings(**SOME, max_examples=8)
@given(started(gentle=True).map(toml))
def test_any_start_up(path, text):
    run_case(text, path, "step", "--start")


@pytest.mark.nightly
@settings(**MANY)
@given(started(gentle=True).map(toml))
def test_many_start_ups(path, text):
    run_case(text, path, "step", "--start")


@pytest.mark.nightly
@settings(**MANY)
@given(documents(most=5).map(toml))
def test_many_changes_of_structure(path, text):
    run_case(text, path, "check", "--nominal")


@pytest.mark.nightly
@settings(**MANY)
@given(documents(gentle=True, most=5).map(toml))
def test_many_sizes_of_numbers(path, text):
    run_case(text, path, "check", "--nominal")


@pytest.mark.nightly
@settings(**MANY)
@given(hurt_texts())
def test_much_harm_to_the_text(path, text):
    run_case(text, path, "check", "--nominal")


@pytest.mark.nightly
@pytest.mark.parametrize("words", FURTHER, ids=" ".join)
@settings(**MANY | {"max_examples": 300})
@given(documents(gentle=True, most=2).map(toml))
def test_further_commands(path, words, text):
    run_case(text, path, *words)
