"""Inputs and results are frozen, slotted and built by keyword, everywhere: none can be changed or mixed up by position."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "loopdesign"


def decorators():
    """Every dataclass decorator of the package: where it stands and the keywords it sets to true."""
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            for mark in getattr(node, "decorator_list", []):
                call = mark.func if isinstance(mark, ast.Call) else mark
                if isinstance(call, ast.Name) and call.id == "dataclass":
                    keywords = mark.keywords if isinstance(mark, ast.Call) else []
                    true = {k.arg for k in keywords if isinstance(k.value, ast.Constant) and k.value.value is True}
                    yield f"{path.relative_to(PACKAGE)}::{node.name}", true


# A field's marker is written with its unit first, Quantity("Hz", above=0), and a private record stays within its module.
BY_POSITION = ("case/fields/", "::_")


@pytest.mark.parametrize("wanted", ["frozen", "slots", "kw_only"])
def test_every_dataclass(wanted):
    found = dict(decorators())
    assert len(found) > 50
    spared = BY_POSITION if wanted == "kw_only" else ()
    assert [w for w, true in found.items() if wanted not in true and not any(s in w for s in spared)] == []
