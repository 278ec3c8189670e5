"""Processes are started while no interruption from the keyboard can reach them half made."""

from __future__ import annotations

import signal
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator


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
