#!/usr/bin/env python3
"""Break the rooms below analysis, one operator at a time, and count what the tests notice.

    python .ci/mutate.py run [--sample 150] [--seed 1] [--room models]

breaks the last commit in a copy of it; needs the ``mutation`` extra. For each mutant cosmic-ray calls

    python .ci/mutate.py test

which runs the tests of the room whose file differs from the commit. Left out are mutants that cannot differ: those of
annotations and of what only type checkers read. The sample is drawn evenly over places in the code, one mutant each. At
the end stand every survivor as a difference, and the share killed.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import re
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from cosmic_ray.work_item import WorkItem

ROOT = Path(__file__).resolve().parents[1]
PUBLISHED = "tests/published/"
TESTS = {
    "units": ["tests/unit/units"],
    "network": [
        "tests/unit/network",
        f"{PUBLISHED}test_canonical.py",
        f"{PUBLISHED}test_sepic.py",
        f"{PUBLISHED}test_buck_boost_family.py",
        "tests/unit/corners",
    ],
    "orbit": [
        "tests/unit/orbit",
        "tests/unit/models/test_turn_off_delay.py",
        f"{PUBLISHED}test_ripple.py",
        f"{PUBLISHED}test_buck_boost_family.py",
    ],
    "models": [
        f"{PUBLISHED}test_canonical.py",
        f"{PUBLISHED}test_current_mode.py",
        f"{PUBLISHED}test_switch_cells.py",
        f"{PUBLISHED}test_current_mode_family.py",
        f"{PUBLISHED}test_buck_boost_family.py",
        "tests/unit/models",
    ],
    "margins": ["tests/unit/margins", f"{PUBLISHED}test_margin_examples.py"],
    "compensation": [
        "tests/unit/compensation",
        f"{PUBLISHED}test_compensators.py",
        "tests/unit/synthesis/test_placement.py",
    ],
    "corners": ["tests/unit/corners", "tests/unit/synthesis/test_damping.py", f"{PUBLISHED}test_input_filter.py"],
}
"""Tests of each room, the quickest to notice first."""
EVERYWHERE = "tests/unit/test_dataclasses.py"
"""What holds in every room."""


def inert(tree: ast.Module) -> set[int]:
    """Lines that hold only what is not run: annotations on lines of their own, and imports for type checkers."""
    lines: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            lines |= set(range(node.lineno, (node.end_lineno or node.lineno) + 1))
    return lines


def annotated(tree: ast.Module) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Begin and end of every annotation."""
    parts = [p for n in ast.walk(tree) for p in (getattr(n, "annotation", None), getattr(n, "returns", None))]
    return [
        ((p.lineno, p.col_offset), (p.end_lineno or 0, p.end_col_offset or 0)) for p in parts if isinstance(p, ast.expr)
    ]


def sample(session: str, config: dict[str, Any], count: int, seed: int) -> None:
    """Keep so many mutants of a session, each at a place of its own."""
    from cosmic_ray.work_db import use_db

    silly = re.compile("|".join(config["filters"]["operators-filter"]["exclude-operators"]))
    places: dict[tuple[str, tuple[int, ...]], dict[tuple[str, int], WorkItem]] = {}
    with use_db(session) as db:
        every = db.work_items
        trees = {path: ast.parse(path.read_text()) for path in {i.mutations[0].module_path for i in every}}
        skip = {path: (inert(tree), annotated(tree)) for path, tree in trees.items()}
        for item in every:
            (m,) = item.mutations
            begin, (lines, spans) = tuple(m.start_pos), skip[m.module_path]
            if silly.match(m.operator_name) or begin[0] in lines or any(a <= begin < b for a, b in spans):
                continue
            places.setdefault((str(m.module_path), begin), {})[m.operator_name, m.occurrence] = item
        draw = random.Random(seed)
        chosen = [places[place] for place in draw.sample(sorted(places), min(count, len(places)))]
        db.clear()
        db.add_work_items([at[draw.choice(sorted(at))] for at in chosen])
        print(f"{len(chosen)} mutants drawn from {len(places)} places", flush=True)


def report(session: str) -> int:
    """Print survivors and the share killed."""
    from cosmic_ray.work_db import use_db
    from cosmic_ray.work_item import TestOutcome

    with use_db(session) as db:
        done = [(item, result) for item, result in db.completed_work_items if result.test_outcome is not None]
    survivors = [(item, result) for item, result in done if result.test_outcome is TestOutcome.SURVIVED]
    for item, result in survivors:
        (m,) = item.mutations
        print(f"\n{m.module_path}:{m.start_pos[0]} {m.operator_name}\n{result.diff}")
    killed = len(done) - len(survivors)
    print(f"\n{killed} of {len(done)} mutants killed ({100 * killed / max(len(done), 1):.1f} %)")
    return 0 if done else 1


def run(options: argparse.Namespace) -> int:
    """Draw, break, test and report in a copy of the last commit."""
    with tempfile.TemporaryDirectory() as folder:
        copy, session = Path(folder) / "copy", str(Path(folder) / "session.sqlite")
        subprocess.run(["git", "worktree", "add", "--quiet", "--detach", str(copy)], cwd=ROOT, check=True)
        try:
            os.chdir(copy)
            os.environ |= {"PYTHONPATH": str(copy), "OPENBLAS_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"}
            os.environ["PATH"] = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
            config = Path(folder) / "mutation.toml"
            text = (ROOT / ".ci" / "mutation.toml").read_text()
            if options.room:
                head, _, tail = text.partition("module-path = [")
                text = f'{head}module-path = ["loopdesign/{options.room}"{tail[tail.index("]") :]}'
            config.write_text(text)
            subprocess.run(["cosmic-ray", "init", str(config), session], check=True)
            sample(session, tomllib.loads(text)["cosmic-ray"], options.sample, options.seed)
            subprocess.run(["cosmic-ray", "exec", str(config), session], check=True)
            return report(session)
        finally:
            os.chdir(ROOT)
            subprocess.run(["git", "worktree", "remove", "--force", str(copy)], cwd=ROOT, check=True)


def test() -> int:
    """Run the tests of the rooms whose files differ from the commit."""
    changed = subprocess.run(["git", "diff", "--name-only"], capture_output=True, text=True, check=True).stdout
    rooms = {Path(name).parts[1] for name in changed.split() if name.startswith("loopdesign/")} & TESTS.keys()
    chosen = [EVERYWHERE, *(path for room in sorted(rooms) for path in TESTS[room] if Path(path).exists())]
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *chosen]
    return subprocess.run(command, check=False).returncode


def main() -> int:
    """Read the words."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=["run", "test"])
    parser.add_argument("--sample", type=int, default=150)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--room", choices=sorted(TESTS))
    options = parser.parse_args()
    return test() if options.what == "test" else run(options)


if __name__ == "__main__":
    sys.exit(main())
