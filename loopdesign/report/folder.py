"""The report as a folder: every file of it, written whole or not at all. A failed run leaves the old report alone.

A report has five files: ``report.pdf`` to file, ``report.html`` to look at, ``report.json`` for machines, ``case.toml``
to go on with, and ``report.md``. Single pictures lie beside them only where asked for.
"""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from loopdesign.errors import DataError
from loopdesign.printable import json_text, printable
from loopdesign.report.content.blocks import Attachment
from loopdesign.report.content.markdown import to_markdown
from loopdesign.report.content.pictures import pictures_of, png_of
from loopdesign.report.content.typst import document_files, to_pdf
from loopdesign.report.replace import MARK, replace, require_replaceable

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping
    from concurrent.futures import Executor

    from loopdesign.report.content.blocks import Content
    from loopdesign.workers.rehearsal import Rehearsal

Text: TypeAlias = "str | Callable[[Content], str]"

CHOSEN_CASE = "case.toml"
PICTURES = ("png", "svg")
"""Endings of the pictures that may be asked for."""


def write_report(
    folder: Path,
    content: Content,
    answer: Mapping[str, Any],
    *,
    files: Mapping[str, Text] | None = None,
    pictures: Collection[str] = (),
    executor: Executor | None = None,
    setter: Rehearsal | None = None,
) -> tuple[str, ...]:
    """Write a report folder; an existing report is replaced only by a complete one.

    Parameters
    ----------
    folder
        Where the report goes.
    content
        What it says; the page, the document and the pictures are made from it. Figures that are still to be drawn
        are drawn.
    answer
        The answer for machines, for ``report.json``.
    files
        Further files as text, by name, such as ``case.toml``; or what makes their text from the content with its
        pictures, such as ``report.html``.
    pictures
        Endings of the pictures to write beside it, of `PICTURES`.
    executor
        Who makes pictures, document, page and answer; this process unless given.
    setter
        Who sets the document, by `loopdesign.report.setting.set_document`; the executor unless given.

    Returns
    -------
    tuple of str
        Names of the files written. Files of an old report are replaced; whatever else lay beside them is kept.

    Raises
    ------
    DataError
        Where the folder exists and is not a report, or cannot be written.
    """
    require_replaceable(Path(folder))
    content = content.with_pictures(pictures_of(content.figures, executor))
    calls = report_files(content, files=files or {}, pictures=pictures)
    names = tuple(sorted([*calls, "report.json"]))
    told = {MARK: {"kind": "report", "files": list(names)}, **answer}
    calls = {"report.json": partial(_answer_file, told), **calls}  # it can be the longest of all
    document = None if setter is None else setter.begin(document_files(content))
    if document is not None:
        calls.pop("report.pdf")
    share = map if executor is None else executor.map
    made = dict(zip(calls, share(_file, calls.values()), strict=True))

    if document is not None:
        made["report.pdf"] = document()

    def fill(fresh: Path) -> None:
        for name, data in made.items():
            (fresh / name).write_bytes(data)

    replace(Path(folder), fill)
    return names


def _file(make: Callable[[], str | bytes]) -> bytes:
    """Make one file."""
    made = make()
    return made.encode() if isinstance(made, str) else made


def _answer_file(answer: Mapping[str, Any]) -> str:
    """Write the answer for machines."""
    return json_text(answer, rows=True) + "\n"


def report_files(
    content: Content, *, files: Mapping[str, Text], pictures: Collection[str] = ()
) -> dict[str, Callable[[], str | bytes]]:
    """List every file of a report but the answer for machines, those first that take longest to make.

    Parameters
    ----------
    content
        What the report says.
    files
        Further files as text, by name, or what makes their text from the content.
    pictures
        Endings of the pictures to make.

    Returns
    -------
    dict of str to callable
        What makes the contents, by name.

    Raises
    ------
    DataError
        Where an ending is not one of `PICTURES`.
    """
    unknown = [p for p in pictures if p not in PICTURES]
    if unknown:
        raise DataError(f"pictures are written as {' and '.join(PICTURES)}, not as {printable(unknown[0])}")
    calls: dict[str, Callable[[], str | bytes]] = {"report.pdf": partial(to_pdf, content)}
    calls |= {name: partial(text, content) if callable(text) else partial(str, text) for name, text in files.items()}
    calls |= {b.name: partial(str, b.text) for b in content.blocks if isinstance(b, Attachment)}
    calls["report.md"] = partial(to_markdown, content, pictures=pictures)
    for figure in content.figures:
        if "svg" in pictures:
            calls[f"{figure.name}.svg"] = partial(str, figure.svg)
        if "png" in pictures:
            calls[f"{figure.name}.png"] = partial(png_of, figure.svg)
    return calls
