"""The date that a report bears: a fact of its inputs, so that equal inputs give equal bytes on the same day."""

from __future__ import annotations

import datetime as dt
import os
from typing import TYPE_CHECKING

from loopdesign.errors import DataError
from loopdesign.printable import excerpt

if TYPE_CHECKING:
    from loopdesign.case import Case


def report_date(case: Case) -> str:
    """Return the date that reports and figures of a case bear: see `document_date`, with this machine's environment.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    str
        A date, such as "2026-11-30".

    Raises
    ------
    DataError
        Where ``SOURCE_DATE_EPOCH`` is set and is not a number of seconds.
    """
    return document_date(case, os.environ.get("SOURCE_DATE_EPOCH"), dt.datetime.now().astimezone().date())


def document_date(case: Case, epoch: str | None, today: dt.date) -> str:
    """Return the date of a document: that of the case, else that of the build, else today; never a time of day.

    Parameters
    ----------
    case
        The case; ``[document] date`` is taken as it is written.
    epoch
        Value of the environment variable ``SOURCE_DATE_EPOCH``, by which builds are made to repeat; None where unset.
    today
        The day it is.

    Returns
    -------
    str
        A date, such as "2026-11-30".

    Raises
    ------
    DataError
        Where ``epoch`` is not a number of seconds.
    """
    if case.document.date.strip():
        return " ".join(case.document.date.split())
    if not epoch:
        return today.isoformat()
    try:
        return dt.datetime.fromtimestamp(int(epoch), tz=dt.UTC).date().isoformat()
    except (ValueError, OverflowError, OSError):
        raise DataError(
            f'SOURCE_DATE_EPOCH is "{excerpt(epoch)}"; expected whole seconds since 1970, such as 1767225600'
        ) from None
