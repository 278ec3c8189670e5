"""``start`` and ``schema``: a case file to begin from, and what an editor needs to complete its keys."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from loopdesign.cli.console import say
from loopdesign.cli.options import MET, Json
from loopdesign.errors import DataError

SCHEMA_NAME = "loopdesign.schema.json"
"""File beside a case file that describes every key to an editor; one serves all case files of a folder."""


def start(
    topology: str,
    /,
    *,
    output: Annotated[
        Path | None, Parameter(name="--output", help="File to write, such as supply.toml. [default: TOPOLOGY.toml]")
    ] = None,
    json_: Json = False,
) -> int:
    """Write a commented case file to begin from.

    Beside it goes loopdesign.schema.json, from which an editor with a TOML language server completes and checks the
    keys. No file that is already there is replaced.

    Parameters
    ----------
    topology
        sepic, boost, flyback, buck, inverting, cuk, zeta or custom.
    """
    from loopdesign.case import template

    target = Path(f"{topology}.toml") if output is None else output
    text = template(topology, schema=f"./{SCHEMA_NAME}")
    beside = target.with_name(SCHEMA_NAME)
    try:
        if target.exists():
            raise DataError(f"{target} already exists; name another file with --output")
        if not target.parent.is_dir():
            raise DataError(f"{target.parent} is not a folder")
        kept = _write_schema(beside)
        target.write_text(text, encoding="utf-8")
    except OSError as fault:
        raise DataError(f"{target} cannot be written: {fault.strerror}; name another file with --output") from None
    about = f"{'kept' if kept else 'wrote'} {beside}: an editor with a TOML language server completes the keys from it"
    say(
        json_,
        {"written": str(target), "schema": str(beside), "schema_kept": kept},
        f"wrote {target}: its values are invented, put your own in their place; then run 'loopdesign design {target}'\n"
        + about,
    )
    return MET


def schema(*, json_: Json = False) -> int:  # noqa: ARG001  (the schema is JSON either way)
    """Print the JSON Schema of the case file, for editors."""
    from loopdesign.case import json_schema

    say(as_json=True, answer=json_schema(), text="")
    return MET


def _schema_text() -> str:
    from loopdesign.case import json_schema

    return json.dumps(json_schema(), indent=2, ensure_ascii=False) + "\n"


def _write_schema(path: Path) -> bool:
    """Write the schema, or keep the same one where it is there already; anything else is left alone.

    Raises
    ------
    DataError
        A different file of this name exists.
    """
    text = _schema_text()
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        if path.is_file() and path.read_bytes() == text.encode():
            return True
        raise DataError(
            f"{path} already exists and differs from the schema of this version; delete or rename it, or name a file "
            "in another folder with --output"
        ) from None
    return False
