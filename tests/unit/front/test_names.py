"""The public names: what is promised is there, what is there is promised, and each has an example that runs."""

import doctest
import inspect
import pickle
import re
import subprocess
import sys
import tomllib
from dataclasses import is_dataclass
from pathlib import Path

import pytest

import loopdesign as ld
from loopdesign import errors

ROOT = Path(__file__).parents[3]
PROMISED = {"load_case", "check", "design", "response", "step", "spread", "bench", "LoopDesignError", "__version__"}
FUNCTIONS = [name for name in ld.__all__ if inspect.isfunction(getattr(ld, name))]
RESULTS = [name for name in ld.__all__ if is_dataclass(getattr(ld, name))]


def test_names_are_those_promised_and_visible():
    assert set(ld.__all__) >= PROMISED
    assert dir(ld) == sorted(ld.__all__)
    assert len(set(ld.__all__)) == len(ld.__all__)
    for name in ld.__all__:
        assert getattr(ld, name) is getattr(ld, name)
        assert name.startswith("__") or f"`{name}`" in ld.__doc__, f"{name} is not in the package's map"


def test_star_import_brings_the_public_names():
    space = {}
    exec("from loopdesign import *", space)  # noqa: S102  (what a newcomer may type)
    assert set(ld.__all__) <= set(space)


def test_every_error_is_public_and_of_one_tree():
    classes = [c for _, c in inspect.getmembers(errors, inspect.isclass) if issubclass(c, Exception)]
    assert len(classes) > 5
    for each in classes:
        assert issubclass(each, ld.LoopDesignError)
        assert getattr(ld, each.__name__) is each


def test_errors_survive_the_way_to_another_process():
    """A sample examined in another process may fail; its error comes back whole."""
    fault = errors.Fault(file="a.toml", message="wrong", line=3)
    samples = [
        ld.CaseError([fault]), ld.QuantityError("is a voltage", found='"3 V"'), ld.DataError("two\nlines"),
        ld.NoDesignError("none", nearest={"parts": {"R1": 1.0}}, obstacles=["a"]), ld.ConvergenceError("no", items=(3,)),
        ld.UnreachableOutputError("far", input_voltage=8.0, load_current=1.0, target=15.0, highest_output=9.0, duty=0.9),
    ]  # fmt: skip
    for error in samples:
        back = pickle.loads(pickle.dumps(error))  # noqa: S301  (our own)
        assert (type(back), str(back), vars(back)) == (type(error), str(error), vars(error))


@pytest.mark.parametrize(("word", "near"), [("chek", "check"), ("Check_", "Check"), ("loadcase", "load_case")])
def test_misspelt_name_is_told_the_near_one(word, near):
    with pytest.raises(AttributeError, match=rf"no attribute '{word}'; did you mean .*{near}"):
        getattr(ld, word)


def test_name_from_nowhere_is_an_attribute_error():
    with pytest.raises(AttributeError, match=r"no attribute 'zzz'$"):
        _ = ld.zzz
    assert not hasattr(ld, "assess")


def test_version_is_that_of_the_project():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert ld.__version__ == project["version"]


def test_import_is_light():
    """Nothing heavy is loaded before a name is asked for, and asking for an error loads no numpy."""
    code = (
        "import sys, loopdesign as ld; dir(ld); ld.LoopDesignError\n"
        "print([m for m in ('numpy', 'scipy', 'pydantic', 'matplotlib', 'control', 'pandas') if m in sys.modules])"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert told.stdout.strip() == "[]"


@pytest.mark.parametrize("name", [n for n in FUNCTIONS if n != "load_case"])
def test_functions_take_the_case_first_and_options_by_name(name):
    """One or two obvious arguments by position, the others by keyword only; a case or the path of one."""
    parameters = list(inspect.signature(getattr(ld, name)).parameters.values())
    assert parameters[0].name == "case"
    by_position = [p.name for p in parameters[1:] if p.kind is not p.KEYWORD_ONLY]
    assert by_position in ([], ["parts"], ["quantity"], ["vary"], ["data"], ["others"])
    if name not in {"sweep", "compare", "size"}:  # what is varied or chosen are parts; what is compared has its own
        assert "parts" in [p.name for p in parameters]


def test_signatures_are_the_promised_ones():
    check = inspect.signature(ld.check).parameters
    assert list(check) == ["case", "parts", "nominal"]
    assert (check["parts"].default, check["nominal"].default) == (None, False)
    assert check["nominal"].kind is inspect.Parameter.KEYWORD_ONLY
    response = inspect.signature(ld.response).parameters
    assert set(response) == {
        "case", "quantity", "frequencies_hz", "input_voltage", "load_current", "model", "open_loop", "output", "parts"
    }  # fmt: skip
    assert response["model"].default == "switched"
    assert {"samples", "seed", "executor"} <= set(inspect.signature(ld.spread).parameters)


@pytest.mark.parametrize("name", RESULTS)
def test_results_are_frozen_and_slotted(name):
    kind = getattr(ld, name)
    assert kind.__dataclass_params__.frozen
    assert not hasattr(kind, "__dict__") or "__dict__" not in dir(object.__new__(kind))


@pytest.mark.parametrize("name", [n for n in ld.__all__ if n != "__version__"])
def test_example_runs(name, monkeypatch):
    """Each public name shows itself in an example that does what it says, begun at the root of the project."""
    monkeypatch.chdir(ROOT)
    finder = doctest.DocTestFinder(recurse=False, exclude_empty=False)
    tests = [t for t in finder.find(getattr(ld, name), name, module=False, globs={}) if t.examples]
    assert tests, f"{name} has no example"
    for test in tests:
        runner = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE, verbose=False)
        lines = []
        runner.run(test, out=lines.append)
        assert not runner.failures, "".join(lines)


def test_readme_lines_run_as_they_stand(monkeypatch, capsys):
    monkeypatch.chdir(ROOT)
    blocks = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL)
    assert blocks
    for block in blocks:
        exec(compile(block, "README.md", "exec"), {})  # noqa: S102  (our own page)
    assert "UNSTABLE" in capsys.readouterr().out
