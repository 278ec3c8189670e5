"""The tree of errors: exit statuses as the design lists them, what each carries, and that nothing else is raised."""

import ast
import builtins
import inspect
from pathlib import Path

import pytest

import loopdesign
from loopdesign import errors

ROOT = Path(loopdesign.__file__).parent
TREE = {
    name: kind
    for name, kind in vars(errors).items()
    if inspect.isclass(kind) and issubclass(kind, errors.LoopDesignError)
}
PROGRAMMING = {
    "ValueError": {
        # arguments that the callers within the package never give: each function says so under Raises
        "analysis/filter_study/study.py",
        "compensation/compensator.py",
        "compensation/ideal_parts.py",
        "compensation/netlist.py",
        "explore/together.py",  # cases that cannot be one batch; met by whoever solves them one by one
        "corners/converters.py",
        "margins/margins.py",
        "models/averaged.py",
        "models/periodic_response.py",
        "network/topologies/base.py",
        "network/topologies/flyback.py",
        "analysis/variants/worst_curves.py",
        "report/loop/plots.py",
        "synthesis/baseline/placement.py",
        "synthesis/cures/damping.py",
        "synthesis/cures/divider.py",
        "synthesis/search/search.py",
        "cli/options.py",  # how a converter tells cyclopts that a word does not fit; it becomes a UsageError
    },
    "KeyError": {"analysis/limits.py"},  # a limit that no row has, asked for by name within the package
    "AssertionError": {"synthesis/choice/choose.py"},  # a place that is never reached
    "FloatingPointError": {"network/linear_algebra.py"},  # as numpy raises it: a breakdown, which callers expect
    "AttributeError": {"__init__.py", "case/__init__.py"},  # how a module says that it has no such name
    "BrokenPipeError": {"cli/entry.py"},  # the reader of the output has gone; met a few lines above
    "OSError": {"report/replace.py"},  # a system call that ctypes makes; becomes a DataError
    "ValidationError": {
        "case/fields/curve.py",
        "case/fields/levels.py",
        "case/fields/tolerance.py",
    },  # collected by pydantic
}
"""Exceptions outside the tree, and the only modules that may raise them."""


@pytest.mark.parametrize(
    ("name", "status"),
    [
        ("CaseError", 2),
        ("QuantityError", 2),
        ("CircuitError", 2),
        ("DataError", 2),
        ("UnreachableOutputError", 3),
        ("UsageError", 2),
        ("NoDesignError", 3),
        ("PlacementError", 3),
        ("NumericalError", 3),
        ("ConvergenceError", 3),
    ],
)
def test_exit_status_and_place_in_the_tree(name, status):
    kind = getattr(errors, name)
    assert issubclass(kind, errors.LoopDesignError)
    assert kind.exit_status == status
    assert name in errors.__doc__


def test_quantity_error_is_a_value_error():
    with pytest.raises(ValueError, match=r'"x" is odd; expected y \(do z\)'):
        raise errors.QuantityError("is odd", found='"x"', expected="y", hint="do z")


def test_unreachable_output_carries_its_numbers():
    error = errors.UnreachableOutputError(
        "out of reach", input_voltage=8.0, load_current=1.5, target=30.0, highest_output=21.0, duty=0.83
    )
    assert (error.input_voltage, error.load_current, error.target) == (8.0, 1.5, 30.0)
    assert (error.highest_output, error.duty) == (21.0, 0.83)


def test_no_design_carries_the_nearest_miss():
    error = errors.NoDesignError("none fits", nearest={"R1": 12e3}, obstacles=["phase margin 48 deg"])
    assert error.nearest == {"R1": 12e3}
    assert error.obstacles == ("phase margin 48 deg",)
    assert errors.NoDesignError("none fits").nearest == {}


def test_fault_without_a_place():
    assert str(errors.Fault(file="a.toml", message="the file is empty")) == "a.toml: the file is empty"
    assert str(
        errors.Fault(file="a.toml", line=2, column=3, key="k", message="m", found="f", expected="e", hint="h")
    ) == ("a.toml:2:3: k: m; found f; expected e\n    hint: h")


def raised(path):
    """Names of what a module raises: a class, or what a function called there is said to return."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Raise) and node.exc is not None:
            called = node.exc.func if isinstance(node.exc, ast.Call) else node.exc
            name = ast.unparse(called).removesuffix(".from_exception_data").rpartition(".")[2]
            yield RETURNS.get(name, name), node.lineno


RETURNS = {
    node.name: ast.unparse(node.returns)
    for path in ROOT.rglob("*.py")
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
    if isinstance(node, ast.FunctionDef) and node.returns is not None and ast.unparse(node.returns) in TREE
}
"""Functions that build an error of the tree for others to raise."""


@pytest.mark.parametrize("path", sorted(ROOT.rglob("*.py")), ids=lambda path: str(path.relative_to(ROOT)))
def test_whatever_is_raised_belongs_to_the_tree_or_is_a_programming_error(path):
    module = path.relative_to(ROOT).as_posix()
    for name, line in raised(path):
        allowed = name in TREE or module in PROGRAMMING.get(name, ())
        assert allowed, f"{module}:{line} raises {name}: take an error of the tree, or say here why not"


def test_list_of_programming_errors_is_no_longer_than_needed():
    found = {(name, path.relative_to(ROOT).as_posix()) for path in ROOT.rglob("*.py") for name, _ in raised(path)}
    assert {(name, module) for name, modules in PROGRAMMING.items() for module in modules} <= found
    assert all(hasattr(builtins, name) for name in PROGRAMMING if name != "ValidationError")


def test_every_error_stands_in_the_tree_that_is_drawn_and_in_the_developers_table():
    table = (ROOT.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    for name, kind in TREE.items():
        assert any(name in line and str(kind.exit_status) in line for line in errors.__doc__.splitlines()), name
        assert f"| `{name}` | {kind.exit_status} |" in table, name
        assert kind.__doc__
    elsewhere = [
        f"{path.relative_to(ROOT)}: {node.name}"
        for path in ROOT.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ClassDef) and any("Error" in ast.unparse(base) for base in node.bases)
    ]
    assert {x.rpartition(" ")[2] for x in elsewhere} | {"LoopDesignError"} == set(TREE), elsewhere


def test_no_message_steers_a_terminal():
    hostile = "\x1b[2J\u202e"
    for error in (
        errors.DataError(hostile),
        errors.QuantityError("is odd", found=hostile),
        errors.CaseError([errors.Fault(file=hostile, key=hostile, message=hostile, found=hostile, hint=hostile)]),
        errors.NoDesignError(hostile),
    ):
        assert "\x1b" not in str(error)
        assert "\u202e" not in str(error)
        assert "\\x1b[2J" in str(error)
