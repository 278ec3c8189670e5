"""Who sets the document of a report: a process that rehearses it with words and tables while pictures are drawn."""

from __future__ import annotations

from contextlib import closing, contextmanager
from typing import TYPE_CHECKING

from loopdesign.workers.processors import available_processors

if TYPE_CHECKING:
    from collections.abc import Iterator

    from loopdesign.workers.rehearsal import Rehearsal


@contextmanager
def document_setter(*, wanted: bool = True) -> Iterator[Rehearsal | None]:
    """Provide a process that sets the document of a report, begun before those that draw, so that none holds another.

    Parameters
    ----------
    wanted
        Whether there is a report to write.

    Yields
    ------
    Rehearsal or None
        None with one processor, where no process can be forked, or where the system refuses it: then the document is
        set with the other files, the same bytes.
    """
    if not wanted or available_processors() == 1:
        yield None
        return
    from loopdesign.report.setting import set_document
    from loopdesign.workers.partners import Partners
    from loopdesign.workers.rehearsal import Rehearsal

    try:
        setter = Rehearsal(set_document, ("typst",)) if Partners.possible() else None
    except OSError:
        setter = None
    if setter is None:
        yield None
        return
    with closing(setter):
        yield setter
