"""The house: arrows point down only, the core needs numpy and scipy only, the command line starts light."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import loopdesign

ROOT = Path(loopdesign.__file__).parent
ROOMS = (
    "printable",
    "errors",
    "workers",
    "units",
    "network",
    "orbit",
    "models",
    "margins",
    "compensation",
    "case",
    "corners",
    "analysis",
    "synthesis",
    "bench",
    "explore",
    "report",
    "front",
    "cli",
    "__main__",
)
"""The rooms from the ground up; a room may use those before it."""
LONGEST_MODULE = 350
LARGEST_ROOM = 10
HEAVY = (
    "scipy",
    "control",
    "matplotlib",
    "pydantic",
    "numpy",
    "rich.progress",
    "tomlkit",
    "jinja2",
    "typst",
    "schemdraw",
)


def modules():
    for path in sorted(ROOT.rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        name = ".".join(p for p in parts if p != "__init__")
        if name:
            yield name, path


def floor_of(name):
    room = name.split(".")[0]
    if room not in ROOMS:
        pytest.fail(f"{name} stands in no room: give it one in tests/unit/test_architecture.py")
    return ROOMS.index(room)


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
    for target in imports(path):
        if target:
            assert floor_of(target) <= floor_of(name), f"{name} imports {target}, which does not lie below it"


def circle(arrows):
    """Return one circle in a graph of names, or nothing."""
    state, trail = {}, []

    def visit(node):
        state[node] = "open"
        trail.append(node)
        for other in sorted(arrows.get(node, ())):
            if state.get(other) == "open":
                return [*trail[trail.index(other) :], other]
            if other not in state and (found := visit(other)):
                return found
        trail.pop()
        state[node] = "done"
        return []

    return next((found for node in sorted(arrows) if node not in state and (found := visit(node))), [])


def test_arrows_go_one_way_inside_each_room():
    """No circle among modules, nor among the folders of a room; a package's own front door is its member."""
    between, folders = {}, {}
    for name, path in modules():
        is_front = path.name == "__init__.py"
        for target in imports(path):
            if not target or target == name:
                continue
            front = ROOT.joinpath(*target.split("."), "__init__.py").exists()
            between.setdefault(name + ("." if is_front else ""), set()).add(target + ("." if front else ""))
            here, there = name.split("."), target.split(".")
            own, other = ".".join(here[:2]), ".".join(there[:2])
            nested = ROOT.joinpath(*here[:2]).is_dir() or ROOT.joinpath(*there[:2]).is_dir()
            if here[0] == there[0] and nested and own != other and len(here) > 1 and len(there) > 1:
                folders.setdefault(own, set()).add(other)
    assert circle(between) == []
    assert circle(folders) == []


@pytest.mark.parametrize(("name", "path"), [pytest.param(n, p, id=n) for n, p in modules()])
def test_modules_stay_small(name, path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LONGEST_MODULE


def test_rooms_stay_small():
    for folder in [ROOT, *(p for p in ROOT.rglob("*") if p.is_dir() and p.name != "__pycache__")]:
        files = [p for p in folder.glob("*") if p.is_file() and p.name != "__init__.py"]
        assert len(files) <= LARGEST_ROOM, f"{folder.relative_to(ROOT)} holds {len(files)} files"


@pytest.mark.parametrize(("name", "path"), [pytest.param(n, p, id=n) for n, p in modules()])
def test_core_stands_on_numpy_and_scipy(name, path):
    if name.split(".")[0] in {"case", "cli", "report", "bench", "__main__"}:
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


UNUSED = (
    *(m for m in HEAVY if m not in {"numpy", "pydantic"}),
    *("numpy.testing", "numpy.ma", "asyncio", "multiprocessing"),
    *(f"loopdesign.{m}" for m in ("synthesis", "explore", "analysis.transient", "analysis.filter_study")),
    *(f"loopdesign.{m}" for m in ("orbit.search.several", "orbit.stepping.cycle", "case.write", "cli.commands.bench")),
)
"""What no check of a plain stage has a use for."""


def test_check_loads_nothing_it_does_not_use():
    """Neither scipy nor anything that draws, steps in time or chooses: half of a short check is its imports."""
    case = ROOT.parent / "cases" / "tide_gauge_sepic_undamped.toml"
    code = (
        "import sys\nfrom loopdesign.cli import main\n"
        f"status = main(['check', {str(case)!r}])\n"
        f"print('LOADED', [m for m in {UNUSED!r} if m in sys.modules], file=sys.stderr)\nsys.exit(status)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "LOADED []" in done.stderr


def test_every_public_function_and_class_is_documented():
    missing = []
    for name, path in modules():
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            public = isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")
            stub = any(isinstance(d, ast.Name) and d.id == "overload" for d in getattr(node, "decorator_list", ()))
            if public and not stub and not ast.get_docstring(node):
                missing.append(f"{name}.{node.name}")
    assert missing == []


def test_developers_page_maps_every_room():
    page = (ROOT.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    house = page[page.index("## The house") : page.index("## Words and symbols")]
    present = [room for room in ROOMS if (ROOT / room).is_dir() or (ROOT / f"{room}.py").is_file()]
    missing = [room for room in present if not room.startswith("_") and f"| `{room}" not in house]
    assert not missing


SHARED = {
    *(
        "check",
        "design",
        "response",
        "step",
        "spread",
        "bench",
        "sweep",
        "compare",
        "size",
        "loads",
    ),  # one command, at every floor it passes
    *("main", "run"),  # the front of the command line, and what it loads
    *("netlist", "lossless_duty", "discontinuous_duty", "rhp_zero_rule", "first_inductor"),  # what every topology has
}
"""Names that mean the same thing in every module that has them."""


def test_a_public_name_means_one_thing():
    places = {}
    for name, path in modules():
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
                places.setdefault(node.name, set()).add(name)
    twice = {word: where for word, where in places.items() if len(where) > 1 and word not in SHARED}
    assert twice == {}
