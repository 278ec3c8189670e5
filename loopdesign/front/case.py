"""A case as a caller gives it: read already, or the path of its file."""

from __future__ import annotations

from os import PathLike
from pathlib import Path
from typing import TypeAlias

from loopdesign.case import Case, load_case
from loopdesign.errors import DataError

CaseOrPath: TypeAlias = "Case | str | PathLike[str]"


def as_case(case: CaseOrPath) -> Case:
    """Return the case, read from its file where a path is given.

    Parameters
    ----------
    case : Case, str or Path
        A case, or the path of a case file.

    Returns
    -------
    Case
        The validated case.

    Raises
    ------
    CaseError
        Where the file cannot be read or holds faults.
    DataError
        Where it is neither a case nor a path.
    """
    if isinstance(case, Case):
        return case
    if isinstance(case, str | PathLike):
        return load_case(Path(case))
    raise DataError(f"expected a case, as load_case() returns it, or the path of a case file; found {case!r:.60}")
