"""The mutation run: it covers the rooms below analysis, its tests exist, and it leaves out only what cannot differ."""

from __future__ import annotations

import ast
import importlib.util
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.nightly  # every mutant of every room is written down first: half a minute


@pytest.fixture(scope="module")
def mutate():
    spec = importlib.util.spec_from_file_location("mutate", ROOT / ".ci" / "mutate.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_rooms_and_their_tests_exist(mutate):
    config = tomllib.loads((ROOT / ".ci" / "mutation.toml").read_text(encoding="utf-8"))["cosmic-ray"]
    assert {Path(p).name for p in config["module-path"]} == mutate.TESTS.keys()
    assert all((ROOT / p).is_dir() for p in config["module-path"])
    assert config["test-command"] == "python .ci/mutate.py test"
    assert [p for paths in mutate.TESTS.values() for p in paths if not (ROOT / p).exists()] == []


def test_what_cannot_differ_is_left_out(mutate):
    """Annotations and imports for type checkers; defaults and bodies stay in."""
    tree = ast.parse(
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    import numpy\nx: int | None = 3 | 4\n"
        "def f(a: int | str = 1 | 2) -> int | None:\n    return a | 8\n"
    )
    assert mutate.inert(tree) == {2, 3}
    spans = mutate.annotated(tree)
    inside = [
        n.lineno
        for n in ast.walk(tree)
        if isinstance(n, ast.BinOp) and any(a <= (n.lineno, n.col_offset) < b for a, b in spans)
    ]
    outside = [
        n.lineno
        for n in ast.walk(tree)
        if isinstance(n, ast.BinOp) and not any(a <= (n.lineno, n.col_offset) < b for a, b in spans)
    ]
    assert (sorted(inside), sorted(outside)) == ([4, 5, 5], [4, 5, 6])
