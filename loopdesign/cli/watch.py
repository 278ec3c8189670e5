"""Run something each time a file is saved."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from loopdesign.cli.console import complain, flush, tell
from loopdesign.errors import LoopDesignError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

POLL = 0.2
"""Time between two looks at the file [s]; short against the patience of a person, long against a look."""


def watched(path: Path, work: Callable[[], int], *, poll: float = POLL) -> int:
    """Do the work now and again after each change of a file, until Ctrl-C.

    A file that cannot be read, is half-saved or holds a mistake is complained about, and the next save tried again.

    Parameters
    ----------
    path
        File to watch.
    work
        What to do; returns an exit status.
    poll
        Time between two looks at the file [s].

    Returns
    -------
    int
        Exit status of the last piece of work that ended.
    """
    status = 0
    try:
        while True:
            seen = _state(path)
            try:
                status = work()
            except LoopDesignError as error:
                status = complain(error, as_json=False)
            flush()
            tell(f"\nwatching {path}: save it to check again, Ctrl-C ends")
            _wait_for_save(path, seen, poll)
    except KeyboardInterrupt:
        return status


def _wait_for_save(path: Path, seen: tuple[int, int, int] | None, poll: float) -> None:
    """Wait until a file has changed and then stayed the same for one look: editors write in several steps."""
    while (now := _state(path)) == seen:
        time.sleep(poll)
    before = seen
    while now != before:
        time.sleep(poll)
        before, now = now, _state(path)


def _state(path: Path) -> tuple[int, int, int] | None:
    """Return what changes when a file is saved: time, size and identity; None where there is no file."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino
