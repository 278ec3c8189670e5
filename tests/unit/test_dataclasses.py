"""Inputs and results are frozen, slotted and built by keyword, everywhere: none can be changed or mixed up by position."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "loopdesign"


@cache
def decorators():
    """Every dataclass decorator of the package: where it stands and the keywords it sets to true."""
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        for node in ast.walk(ast.parse(text)) if "@dataclass" in text else ():
            for mark in getattr(node, "decorator_list", []):
                call = mark.func if isinstance(mark, ast.Call) else mark
                if isinstance(call, ast.Name) and call.id == "dataclass":
                    keywords = mark.keywords if isinstance(mark, ast.Call) else []
                    true = {k.arg for k in keywords if isinstance(k.value, ast.Constant) and k.value.value is True}
                    found[f"{path.relative_to(PACKAGE)}::{node.name}"] = true
    return found


# A field's marker is written with its unit first, Quantity("Hz", above=0), and a private record stays within its module.
BY_POSITION = ("case/fields/", "::_")


@pytest.mark.parametrize("wanted", ["frozen", "slots", "kw_only"])
def test_every_dataclass(wanted):
    found = decorators()
    assert len(found) > 50
    spared = BY_POSITION if wanted == "kw_only" else ()
    assert [w for w, true in found.items() if wanted not in true and not any(s in w for s in spared)] == []
