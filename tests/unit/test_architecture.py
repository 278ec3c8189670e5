"""The house: arrows point down only, the core needs numpy and scipy only, the command line starts light."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import loopdesign

ROOT = Path(loopdesign.__file__).parent
FLOORS = (
    ("errors", "elements", "linalg"),
    ("quantities",),
    ("eseries",),
    ("circuit",),
    ("modulator",),
    ("topologies.base",),
    ("topologies",),
    ("periodic",),
    ("steady",),
    ("converter",),
    ("discontinuous",),
    ("averaged", "switched", "boundary"),
    ("crossings", "compensator"),
    ("margins", "features", "ideal_parts"),
    ("placement",),
    ("case",),
    ("conditions",),
    ("input_filter",),
    ("corners",),
    ("verdict", "insight", "waveforms"),
    ("assess",),
    ("responses", "impedances", "damping", "judge", "filter_study"),
    ("transient", "synthesis", "extremes"),
    ("choice", "spread"),
    ("report",),
    ("console",),
    ("deliver",),
    ("cli",),
    ("__main__",),
)
HEAVY = ("scipy", "control", "matplotlib", "pydantic", "numpy", "rich.progress", "tomlkit", "jinja2")


def modules():
    for path in sorted(ROOT.rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        name = ".".join(p for p in parts if p != "__init__")
        if name:
            yield name, path


def floor_of(name):
    for rank, floor in enumerate(FLOORS):
        for room in floor:
            if name == room or (name.startswith(room + ".") and name != "topologies.base"):
                return rank, room
    pytest.fail(f"{name} stands on no floor: give it one in tests/unit/test_architecture.py")


def imports(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "loopdesign":
            base = node.module.removeprefix("loopdesign").lstrip(".")
            for alias in node.names:
                inner = f"{base}.{alias.name}".lstrip(".")
                candidate = ROOT.joinpath(*inner.split("."))
                yield inner if candidate.with_suffix(".py").exists() or candidate.is_dir() else base
        elif isinstance(node, ast.Import):
            for alias in node.names:
                if alias.name.startswith("loopdesign."):
                    yield alias.name.removeprefix("loopdesign.")


@pytest.mark.parametrize(("name", "path"), [pytest.param(n, p, id=n) for n, p in modules()])
def test_arrows_point_down(name, path):
    rank, room = floor_of(name)
    for target in imports(path):
        if not target:
            continue
        other, other_room = floor_of(target)
        assert other < rank or other_room == room, f"{name} imports {target}, which does not lie below it"


@pytest.mark.parametrize(("name", "path"), [pytest.param(n, p, id=n) for n, p in modules()])
def test_modules_stay_small(name, path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 400


@pytest.mark.parametrize(("name", "path"), [pytest.param(n, p, id=n) for n, p in modules()])
def test_core_stands_on_numpy_and_scipy(name, path):
    if name.split(".")[0] in {"case", "cli", "console", "deliver", "report", "__main__"}:
        return
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in tree.body:
        names = []
        if isinstance(node, ast.Import):
            names = [a.name for a in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module]
        for found in names:
            root = found.split(".")[0]
            assert root in {"numpy", "scipy", "loopdesign"} or root in sys.stdlib_module_names, f"{name}: {found}"


def test_help_loads_nothing_heavy():
    code = (
        "import sys\nfrom loopdesign.cli import main\n"
        "status = main(['--help'])\n"
        f"print('LOADED', [m for m in {HEAVY!r} if m in sys.modules], file=sys.stderr)\nsys.exit(status)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert "LOADED []" in done.stderr


def test_every_public_function_and_class_is_documented():
    missing = []
    for name, path in modules():
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            public = isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")
            if public and not ast.get_docstring(node):
                missing.append(f"{name}.{node.name}")
    assert missing == []


def test_package_shows_what_it_names():
    """What __all__ names exists, is documented in the package's map, and is all that the package shows."""
    for name in loopdesign.__all__:
        assert callable(getattr(loopdesign, name))
        assert f"`{name}`" in loopdesign.__doc__
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = loopdesign.nothing
