"""SOURCES.md against the tests and the program: every label, key and citation has its row, and every row its test."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pytest

ROOT = Path(__file__).parents[2]
SHEET = (Path(__file__).parent / "SOURCES.md").read_text(encoding="utf-8")
LABEL = r"[BCDEFKMNS]\d{1,2}"
OPENING = re.compile(rf"{LABEL}(?:(?:, | to | and ){LABEL})*(?=:|,| \(|'s| again| whole)")
"""Labels at the head of a docstring; followed by anything else, C3 is a capacitor."""
KEY = re.compile(r"\b(?:[A-Z]{3}\d\d|EM\d|PBM\d|OGA)\b")
NAMED = re.compile(r"\b(?:[A-Z]\. ?){1,2}((?:Van )?[A-Z][a-z]+(?:-[A-Z][a-z]+)?)")
SHORT = re.compile(r"\b([A-Z][a-z]+)((?:,? and [A-Z][a-z]+|, [A-Z][a-z]+)*)(?:'s method)?,? \(?((?:19|20)\d\d)\b(?!-)")
STANDARD = re.compile(r"\b(?:IEC|CISPR|ISO|ECSS|AIAA|SAE|MIL|IPC)[ -]?[A-Z]*[ -]?\d+")
NO_AUTHORS = {"October", "Springer", "Complexity", "Matrix", "Electronics", "Conversion", "Meeting"}
"""Capital words that stand where an author might, within a citation: month, publisher, journal."""


class Work(NamedTuple):
    key: str
    authors: str
    title: str
    year: str
    known: str

    @property
    def surnames(self):
        return set(re.findall(r"[A-Z][a-z]+(?:-[A-Z][a-z]+)?", self.authors))


def rows(width, first):
    """Rows of every table of that many columns whose first cell matches."""
    cells = [
        [c.strip() for c in line.strip().strip("|").split("|")] for line in SHEET.splitlines() if line.startswith("|")
    ]
    return [row for row in cells if len(row) == width and re.fullmatch(first, row[0])]


WORKS = {row[0]: Work(*row) for row in rows(5, r"[A-Z]{2,4}\d*") if row[0] != "ECSS"}
TAKEN = {row[0]: row for row in rows(6, LABEL)}
USED = {row[0]: row for row in rows(5, r"P\d+")}


def ticked(cell):
    return re.findall(r"`([^`]+)`", cell)


DOCUMENTED = ast.FunctionDef | ast.ClassDef | ast.Module


class Text(NamedTuple):
    """One docstring: file, the name of what it describes, and the words on one line."""

    path: Path
    name: str
    words: str


@cache
def parsed(folder):
    """Syntax tree of every file under a folder."""
    return {path: ast.parse(path.read_text(encoding="utf-8")) for path in sorted((ROOT / folder).rglob("*.py"))}


@cache
def texts(folder):
    """Docstrings of modules, functions, classes and attributes, and the strings that name a source for the user."""
    found = []
    for path, tree in parsed(folder).items():
        names = {
            id(n.body[0].value): getattr(n, "name", "")
            for n in ast.walk(tree)
            if isinstance(n, DOCUMENTED) and holds_text(n.body[0])
        }
        strings = [n.value for n in ast.walk(tree) if isinstance(n, ast.Expr | ast.keyword) and holds_text(n)]
        found += [Text(path, names.get(id(s), ""), " ".join(s.value.split())) for s in strings]
    return tuple(found)


def holds_text(node):
    """Whether a statement or a keyword argument is a plain string."""
    return isinstance(getattr(node, "value", None), ast.Constant) and isinstance(node.value.value, str)


def labels(words):
    """Labels a docstring opens with, ranges written out: "F3 to F5: ..." is three."""
    opening = OPENING.match(words)
    if opening is None:
        return ()
    given = re.findall(LABEL, opening.group())
    if " to " in opening.group():
        return tuple(f"{given[0][0]}{k}" for k in range(int(given[0][1:]), int(given[-1][1:]) + 1))
    return tuple(given)


@cache
def works_cited(words):
    """Keys of the works a text cites, by key, by author with initials, or by author and year; unknown ones as they stand."""
    found = set(KEY.findall(words))
    for pattern in (NAMED, SHORT):
        for match in pattern.finditer(words):
            surname = match.group(1).split()[-1]
            year = match.group(3) if pattern is SHORT else ""
            after = words[match.start() : match.start() + 420]
            if surname in NO_AUTHORS or not re.search(r"\b(19|20)\d\d\b", after):
                continue
            known = [
                w for w in WORKS.values() if surname in w.surnames and (year or w.year) == w.year and w.year in after
            ]
            titled = [w for w in known if w.title[:24].lower() in words.lower()]
            known = [w.key for w in (titled or known)]
            found |= set(known) or {f"{surname} {year}".strip()}
    return found | {k.replace(" ", "") for k in STANDARD.findall(words)}


@cache
def functions():
    """Every test function by "file::name"."""
    files = {path: tree for path, tree in parsed("tests").items() if path.name.startswith("test_")}
    return {f"{p.name}::{n.name}": n for p, tree in files.items() for n in tree.body if isinstance(n, ast.FunctionDef)}


def test_the_sheet_is_read_whole():
    """Every line of every table belongs to one of the three kinds of row, to a heading, or to the list of what is not asserted."""
    lines = [line for line in SHEET.splitlines() if line.startswith("|") and not set(line) <= set("|- ")]
    others = [line for line in lines if line.split("|")[1].strip() not in WORKS.keys() | TAKEN.keys() | USED.keys()]
    heads = {"key", "label", "document"}
    unasserted = [line for line in others if line.split("|")[1].strip() not in heads]
    assert len(unasserted) == SHEET.split("## Numbers that are not asserted")[1].count("\n|") - 2
    assert len(WORKS) == lines_of("Works")
    for found, width, first in ((TAKEN, 6, LABEL), (USED, 5, r"P\d+")):
        assert len(found) == len(rows(width, first)) > 15  # no label twice


def lines_of(heading):
    block = SHEET.split(f"## {heading}\n")[1].split("\n#")[0]
    return sum(line.startswith("|") for line in block.splitlines()) - 2


@pytest.mark.parametrize("label", TAKEN)
def test_every_row_is_of_a_known_work_and_lists_its_tests(label):
    """Both ways: what a row lists exists and opens with its label, and whatever opens with the label is listed."""
    _, work, taken, numbers, checked, known = TAKEN[label]
    assert all(part in WORKS for part in work.split(", ") if work)
    assert taken
    assert numbers
    assert re.match(r"print|memory|derived", known)
    if work and WORKS[work].known == "memory":
        assert "memory" in known  # a work nobody read lends nothing in print
    opening = {
        f"{t.path.name}::{t.name}" for t in texts("tests") if t.name.startswith("test_") and label in labels(t.words)
    }
    assert set(ticked(checked)) == opening
    assert opening


def test_every_label_of_a_test_has_a_row():
    """The label at the head of a docstring, of helpers and modules too."""
    missing = [(t.path.name, t.name, x) for t in texts("tests") for x in labels(t.words) if x not in TAKEN]
    assert missing == []


@pytest.mark.parametrize("folder", ["tests", "loopdesign"])
def test_every_citation_has_a_row(folder):
    """Keys, authors with initials, authors with a year, and standards."""
    assert len(texts(folder)) > 300
    missing = [
        (t.path.name, t.name, w)
        for t in texts(folder)
        if t.path.name != "test_sources.py"
        for w in works_cited(t.words)
        if w not in WORKS
    ]
    assert missing == []


def test_symbols_of_the_developers_page_have_rows():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    cited = {w for line in text.splitlines() if line.startswith("|") for w in works_cited(line)}
    assert {"RID91", "MID75"} <= cited <= WORKS.keys()


def test_from_memory_is_said_of_what_is_from_memory():
    """A docstring that says "from memory" cites a work, or names a label, that the sheet calls so."""
    wrong = []
    for t in (*texts("tests"), *texts("loopdesign")):
        if "from memory" not in t.words or t.path.name == "test_sources.py":
            continue
        known = [WORKS[w].known for w in works_cited(t.words) if w in WORKS]
        known += [TAKEN[x][5] for x in re.findall(LABEL, t.words) if x in TAKEN]
        known += [row[2] for row in USED.values() if t.path.name in row[3]]
        if not any("memory" in k for k in known):
            wrong.append((t.path.name, t.name))
    assert wrong == []


def test_the_program_cites_what_the_sheet_says_it_uses():
    """Module by module, both ways; and the tests named there exist."""
    cited = {
        (str(t.path.relative_to(ROOT / "loopdesign")), w) for t in texts("loopdesign") for w in works_cited(t.words)
    }
    listed = set()
    for _, work, _, used, checked in USED.values():
        assert set(ticked(checked)) <= functions().keys()
        for pattern in ticked(used):
            found = {str(p.relative_to(ROOT / "loopdesign")) for p in (ROOT / "loopdesign").glob(pattern)}
            assert found, pattern
            listed |= {(name, work) for name in found if (name, work) in cited or "*" not in pattern}
    assert listed == cited


def test_no_work_stands_without_use():
    """Each is cited by a docstring, a row or the developers' page."""
    everywhere = {w for folder in ("tests", "loopdesign") for t in texts(folder) for w in works_cited(t.words)}
    everywhere |= {row[1] for row in (*TAKEN.values(), *USED.values())}
    assert WORKS.keys() <= everywhere


def test_reader_of_citations():
    """What the patterns must see: initials, several authors, a year alone, a standard, and an author nobody listed."""
    assert works_cited("R. B. Ridley, IEEE Trans. Power Electronics 6(2), 1991") == {"RID91"}
    assert works_cited("Erickson and Maksimovic 2020 use ten") == {"EM3"}
    assert works_cited("k = tan (Venable 1983)") == {"VEN83"}
    assert works_cited("series of IEC 60063") == {"IEC60063"}
    assert works_cited("Q. Nobody, 1999") >= {"Nobody"}
    assert works_cited("Ridley 1990") == {"Ridley 1990"}
    assert labels("F3 to F5, Eqs. 17.33") == ("F3", "F4", "F5")
    assert labels("S3 and S9 (derived): poles") == ("S3", "S9")
    assert labels("Every E96 value") == ()
    assert labels("C3 without R2 and C2") == ()
