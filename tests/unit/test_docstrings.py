"""Docstrings of the public functions: every parameter is there, and every number has its unit."""

import ast
import re
from pathlib import Path

import pytest

import loopdesign

ROOT = Path(loopdesign.__file__).parent

ROOMS = ("front", "analysis", "compensation", "margins", "models", "orbit")
NUMBER = re.compile(r"\b(float|int|complex|NDArray|ArrayLike|Array|Real|Complex|FloatArray|ComplexArray|Value)\b")
"""Annotations of what has a unit."""


def documented():
    """Public functions of the rooms and public methods of their classes, by place and name."""
    for room in ROOMS:
        for path in sorted((ROOT / room).rglob("*.py")):
            place = path.relative_to(ROOT).as_posix()
            for node in ast.parse(path.read_text(encoding="utf-8")).body:
                stub = any(ast.unparse(d) == "overload" for d in getattr(node, "decorator_list", ()))
                if isinstance(node, ast.FunctionDef) and not node.name.startswith("_") and not stub:
                    yield pytest.param(node, False, id=f"{place}:{node.name}")
                if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                    for inner in node.body:
                        public = isinstance(inner, ast.FunctionDef) and not inner.name.startswith("_")
                        if public and not any(ast.unparse(d) == "property" for d in inner.decorator_list):
                            yield pytest.param(inner, True, id=f"{place}:{node.name}.{inner.name}")


def arguments(node):
    every = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
    return [a for a in every if a.arg not in {"self", "cls"}]


def is_number(argument):
    """Whether an argument carries a number; what a callable takes and returns is its own affair."""
    said = ast.unparse(argument.annotation) if argument.annotation else ""
    return "Callable" not in said and NUMBER.search(said) is not None


def section(text, name):
    """Text below a heading of numpydoc, None where the docstring has none."""
    found = re.search(rf"^{name}\n-+\n(.*?)(?=^\w+\n-+$|\Z)", text, re.MULTILINE | re.DOTALL)
    return None if found is None else found.group(1)


def entries(text):
    """Text of each parameter by name; several may share one entry."""
    told, names = {}, []
    for line in text.splitlines():
        if line and not line.startswith(" "):
            names = [name.strip().lstrip("*") for name in line.split(" : ")[0].split(",")]
            told |= dict.fromkeys(names, line)
        else:
            told |= {name: f"{told[name]} {line}" for name in names}
    return told


@pytest.mark.parametrize(("node", "method"), list(documented()))
def test_parameters_are_documented_with_their_units(node, method):
    """A short method may say it in one sentence, the unit of each number in it."""
    text = ast.get_docstring(node) or ""
    given = section(text, "Parameters")
    numbers = [a.arg for a in arguments(node) if is_number(a)]
    if method and given is None:
        assert not numbers or "[" in text, f"no unit of {numbers}"
        return
    if not arguments(node):
        return
    assert given is not None, "no section Parameters"
    told = entries(given)
    assert [a.arg for a in arguments(node) if a.arg not in told] == [], "not documented"
    assert [n for n in numbers if "[" not in told[n]] == [], "no unit; [unitless] where there is none"


@pytest.mark.parametrize(("node", "method"), list(documented()))
def test_what_comes_back_is_documented(node, method):
    comes_back = node.returns is not None and ast.unparse(node.returns) != "None"
    if comes_back and not method:
        text = ast.get_docstring(node) or ""
        assert section(text, "Returns") or section(text, "Yields"), "no section Returns"


def test_reader_of_docstrings_sees_what_is_missing():
    """The two checks above can fail: a function without its unit, its parameter or its section is caught."""
    good = '''def f(x: float, name: str) -> float:
        """Do.

        Parameters
        ----------
        x : float
            A length [m].
        name : str
            A word.

        Returns
        -------
        float
            Twice [m].
        """'''
    test_parameters_are_documented_with_their_units(ast.parse(good).body[0], method=False)
    for wrong in (
        good.replace("[m].\n        name", "in metres.\n        name"),
        good.replace("name : str", "word : str"),
    ):
        with pytest.raises(AssertionError, match=r"no unit|not documented"):
            test_parameters_are_documented_with_their_units(ast.parse(wrong).body[0], method=False)
    with pytest.raises(AssertionError, match="no section"):
        test_what_comes_back_is_documented(ast.parse(good.replace("Returns", "Gives")).body[0], method=False)
