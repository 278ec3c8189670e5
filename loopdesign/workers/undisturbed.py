"""Processes are started while no interruption from the keyboard can reach them half made, and ended for certain."""

from __future__ import annotations

import signal
import sys
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from multiprocessing.process import BaseProcess

PATIENCE = 2.0
"""Time a process gets to end by itself [s]."""


def threads() -> int | None:
    """Count the threads of this process, those of libraries among them.

    Returns
    -------
    int or None
        Their number [unitless]; None where the system does not tell, so that nobody should fork.
    """
    try:
        return len(list(Path("/proc/self/task").iterdir())) if sys.platform.startswith("linux") else None
    except OSError:
        return None


def end_process(process: BaseProcess) -> None:
    """End a process, by force where it does not end when told to."""
    process.terminate()
    process.join(PATIENCE)
    if process.is_alive():
        process.kill()
        process.join()


def leave_the_keyboard() -> None:
    """Leave interruptions from the keyboard to the process that forked this one, and end when it says so."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})  # held back while this process was made
    signal.signal(signal.SIGTERM, signal.SIG_DFL)


@contextmanager
def undisturbed() -> Iterator[None]:
    """Hold an interruption from the keyboard back, for us and for what is started meanwhile, until the end."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
