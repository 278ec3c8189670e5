"""Reading a case file: text to validated case, or every fault at once with its place."""

from __future__ import annotations

import dataclasses
import re
import tomllib
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ValidationError

from loopdesign.case import faults
from loopdesign.case.checks import InputProblem, Sections, problems, warnings
from loopdesign.case.kinds import SECTIONS, section_model, shown_path
from loopdesign.case.locate import Places, locate, place_of
from loopdesign.case.model import Case
from loopdesign.case.read import BEGIN, read_text, refuse_long_lines
from loopdesign.case.words import spelled
from loopdesign.errors import CaseError, Fault

if TYPE_CHECKING:
    from pathlib import Path as FilePath

    from loopdesign.case.locate import Path, Place

MOST_FAULTS = 100
"""Most faults reported in full, and most looked for within one section."""
_TOO_DEEP = "tables or lists are nested too deeply"
_ENDLESS = re.compile(r"[0-9_]{4300,}")
_AT = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")
_UNQUOTED = re.compile(r"[=\[,]\s*([+-]?\d[\d.]*(?:[eE][+-]?\d+)?\s*[a-zA-Zµμ\u03a9\u2126%°][^\s,}\]#]*)")
_BARE_WORD = re.compile(r"[=\[,]\s*([A-Za-z][\w ]*?)\s*(?:[,}\]#]|$)")


def load_case(path: FilePath | str) -> Case:
    """Read and validate a case file.

    Parameters
    ----------
    path : Path or str
        The file.

    Returns
    -------
    Case
        The validated case, in SI units.

    Raises
    ------
    CaseError
        With every fault found.

    Examples
    --------
    >>> import loopdesign as ld
    >>> case = ld.load_case("cases/tide_gauge_sepic_undamped.toml")
    >>> case.converter.topology, case.specification.output_voltage
    ('sepic', 15.0)
    """
    return parse_case(read_text(path), str(path))


def parse_case(text: str, name: str) -> Case:
    """Validate the text of a case file.

    Parameters
    ----------
    text : str
        TOML.
    name : str
        Name of the file, for messages; becomes `Case.source`.

    Returns
    -------
    Case
        The validated case, in SI units.

    Raises
    ------
    CaseError
        With every fault found, in the order of the file.
    """
    return parse_document(document_of(text, name), text, name)


def document_of(text: str, name: str) -> dict[str, Any]:
    """Read the text of a case file as far as TOML goes.

    Parameters
    ----------
    text : str
        TOML.
    name : str
        Name of the file, for messages.

    Returns
    -------
    dict
        Tables and values as they stand there, words of others spelled as ours.

    Raises
    ------
    CaseError
        Where it is not TOML.
    """
    return spelled(_parse_toml(_unmarked(text), name))


def parse_document(document: dict[str, Any], text: str, name: str, places: Places | None = None) -> Case:
    """Validate a case file read by `document_of`, values in it set anew or not.

    Parameters
    ----------
    document : dict
        Tables and values.
    text : str
        The text they were read from, in which faults have their place.
    name : str
        Name of the file, for messages; becomes `Case.source`.
    places : Places, optional
        Where each key stands, where that is known.

    Returns
    -------
    Case
        The validated case, in SI units.

    Raises
    ------
    CaseError
        With every fault found, in the order of the file.
    """
    reported, read = _read_sections(document)
    reported += problems(_sections(read, document))
    if reported:
        raise CaseError(_placed_in_order(reported, _unmarked(text), name, document))
    known = Places(of=_located(_unmarked(text), name)) if places is None else places
    case = Case.model_validate({**read, "source": name}).placed(known)
    return case.model_copy(update={"warnings": warnings(case)})


def _unmarked(text: str) -> str:
    """Take the mark of the encoding and the other kind of line end away."""
    return text.removeprefix("\ufeff").replace("\r\n", "\n")


def _located(text: str, name: str) -> dict[Path, Place]:
    """Find the place of each key.

    Raises
    ------
    CaseError
        Where the text is nested too deeply to be scanned.
    """
    try:
        return locate(text)
    except RecursionError:
        raise CaseError([Fault(file=name, message=_TOO_DEEP)]) from None


def _placed_in_order(reported: list[InputProblem], text: str, name: str, document: dict[str, Any]) -> list[Fault]:
    """Give each problem its place in the text, in the order of the text."""
    places = _located(text, name)
    listed = [
        _placed(problem, name, place_of(places, problem.at or problem.path), shown_path(problem.path, document))
        for problem in reported[:MOST_FAULTS]
    ]
    listed.sort(key=lambda fault: (fault.line or 0, fault.column or 0))
    further = len(reported) - MOST_FAULTS
    return listed if further <= 0 else [*listed, Fault(file=name, message=f"at least {further} further faults")]


def _parse_toml(text: str, name: str) -> dict[str, Any]:
    """Parse the text, with a sentence of our own for each way in which it is not TOML."""
    refuse_long_lines(text, name)
    try:
        document = tomllib.loads(text)
    except RecursionError:
        raise CaseError([Fault(file=name, message=_TOO_DEEP)]) from None
    except tomllib.TOMLDecodeError as error:
        raise CaseError([_toml_fault(text, name, str(error))]) from None
    except ValueError:  # Python refuses to convert thousands of digits, and does not say where they stand
        row = next((i for i, line in enumerate(text.split("\n"), 1) if _ENDLESS.search(line)), None)
        raise CaseError([Fault(file=name, line=row, message="a whole number has thousands of digits")]) from None
    if not document:
        what = "the file has no keys" if text.strip() else "the file is empty"
        raise CaseError([Fault(file=name, message=what, expected="a case file (TOML)", hint=BEGIN)])
    return document


def _toml_fault(text: str, name: str, sentence: str) -> Fault:
    """Build the fault for a text that is not TOML."""
    lines = text.split("\n")
    match = _AT.search(sentence)
    message = sentence[: match.start()] if match else sentence
    if match and match.group(1):
        line, column = int(match.group(1)), int(match.group(2))
    else:
        line, column = max(len(text.rstrip().split("\n")), 1), 1
    source = lines[line - 1] if line <= len(lines) else ""
    twice = re.match(r"Cannot (?:declare|overwrite|mutate|redefine|update)", message)
    if twice:
        header = source.strip()
        earlier = next(
            (i for i, other in enumerate(lines[: line - 1], 1) if other.split("#")[0].strip() == header), None
        )
        hint = f"the first is in line {earlier}" if earlier else "each key and each table may appear once"
        return Fault(
            file=name, line=line, column=column, message="a key or table appears twice", found=header[:80], hint=hint
        )
    hint = _quotes_hint(source)
    return Fault(
        file=name, line=line, column=column, message=f"not valid TOML: {message}", found=source.strip()[:80], hint=hint
    )


def _quotes_hint(source: str) -> str:
    """Say when a line of TOML fails because a quantity or a word lacks its quotes."""
    bare = re.sub(r'"[^"]*"|\'[^\']*\'', '""', source)
    if match := _UNQUOTED.search(bare):
        return f'quantities with units need quotes: "{match.group(1)}"'
    match = _BARE_WORD.search(bare)
    if match and match.group(1) not in {"true", "false", "inf", "nan"}:
        return f'words need quotes: "{match.group(1)}"'
    return ""


def _read_sections(document: dict[str, Any]) -> tuple[list[InputProblem], dict[str, Any]]:
    """Validate each top-level key by itself, so that one faulty section hides no fault of another."""
    read: dict[str, Any] = {}
    unknown = [name for name in document if name not in SECTIONS][: MOST_FAULTS + 1]
    reported = [faults.unknown_key((name,), document, None) for name in unknown]
    for name in SECTIONS:
        if name not in document:
            if Case.model_fields[name].is_required():
                reported.append(faults.missing_section(name))
            continue
        value = document[name]
        if name in {"title", "notes"}:
            reported += faults.text_problems(name, value)
            read[name] = value
            continue
        model = section_model(name, document)
        if model is None:
            reported += faults.choice_problems(name, document)
        elif not isinstance(value, dict):
            reported.append(faults.not_a_table((name,), value))
        else:
            try:
                read[name] = model.model_validate(value)
            except ValidationError as error:
                reported += faults.from_validation(error, name, document, most=MOST_FAULTS + 1)
    return reported, read


def _sections(read: dict[str, Any], document: dict[str, Any]) -> Sections:
    """Hand the sections that could be read to the checks across them."""

    def table(name: str) -> Any:  # noqa: ANN401 - each section has a type of its own
        value = read.get(name)
        return value if isinstance(value, BaseModel) else None

    tables = (field.name for field in dataclasses.fields(Sections) if field.name != "present")
    return Sections(**{name: table(name) for name in tables}, present=frozenset(document))


def _placed(problem: InputProblem, name: str, place: tuple[int, int] | None, path: Path) -> Fault:
    """Give a problem its place in the file."""
    line, column = place or (1, 1)
    return Fault(
        file=name,
        line=line,
        column=column,
        key=".".join(str(step) for step in path),
        message=problem.message,
        found=problem.found,
        expected=problem.expected,
        hint=problem.hint,
    )
