"""A result that a forked child makes while this process goes on; where nobody may fork, it is made when it is wanted.

A child inherits everything this process holds, so that any closure can be handed to it; only its result travels. What a
child fails to make is made here, where its error belongs. The results are the same either way.
"""

from __future__ import annotations

import ctypes
import os
import pickle
import signal
import sys
import threading
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING, Generic, TypeVar

from loopdesign.workers.undisturbed import undisturbed

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

Made = TypeVar("Made")
PIECE = 1 << 20
"""Most that is read at once [B]."""
_WITH_PARENT = 1
"""Number of Linux's option to end with the parent, however it ends (``PR_SET_PDEATHSIG``, prctl(2))."""
_CHILDREN: ContextVar[set[int] | None] = ContextVar("children", default=None)


@contextmanager
def branching() -> Iterator[None]:
    """Let `branch` fork children until the end; those that are still at work then are ended."""
    children: set[int] = set()
    token = _CHILDREN.set(children)
    try:
        yield
    finally:
        _CHILDREN.reset(token)
        for child in tuple(children):
            _end(child, children)


def shared() -> bool:
    """Tell whether `branch` forks a child here.

    Returns
    -------
    bool
        True inside of `branching`, on Linux, while every thread of this process is one of Python's own: a library that
        has threads would wait for them for ever in a child.
    """
    if _CHILDREN.get() is None or not sys.platform.startswith("linux"):
        return False
    try:
        return len(list(Path("/proc/self/task").iterdir())) == threading.active_count()
    except OSError:
        return False


class Branch(Generic[Made]):
    """What somebody makes meanwhile; see `branch`.

    Parameters
    ----------
    make : callable
        What to call.
    child : tuple of int, int and set of int, optional
        Its process, where to read its result, and the children it is one of.
    """

    def __init__(self, make: Callable[[], Made], child: tuple[int, int, set[int]] | None = None) -> None:
        self._make, self._child = make, child

    def result(self) -> Made:
        """Return what was made; wait for it, or make it here. Ask once.

        Returns
        -------
        object
            What the function returns.

        Raises
        ------
        Exception
            What the function raises.
        """
        if self._child is not None:
            child, taken, children = self._child
            pieces = []
            try:
                while piece := os.read(taken, PIECE):
                    pieces.append(piece)
            finally:
                self.drop()
            del child, children
            with suppress(Exception):  # cut short where the child was ended by somebody
                made: Made = pickle.loads(b"".join(pieces))  # noqa: S301  (from our own fork)
                return made
        return self._make()

    def drop(self) -> None:
        """End what is at work: its result is not wanted any more."""
        if self._child is not None:
            child, taken, children = self._child
            self._child = None
            os.close(taken)
            _end(child, children)


def branch(make: Callable[[], Made]) -> Branch[Made]:
    """Begin to make something in a child, while this process goes on.

    Parameters
    ----------
    make : callable
        What to call; it must change nothing that this process wants changed, and return what can be pickled.

    Returns
    -------
    Branch
        Ask it for the result once; nothing is made before where no child could be forked.
    """
    children = _CHILDREN.get()
    if children is None or not shared():
        return Branch(make)
    taken, given = os.pipe()
    try:
        with undisturbed():
            child = os.fork()
            if not child:
                _answer(make, given)
            children.add(child)
    except OSError:
        os.close(taken)
        return Branch(make)
    finally:
        os.close(given)
    return Branch(make, (child, taken, children))


def _answer(make: Callable[[], Made], given: int) -> None:
    """Make the result in the child, hand it out and end, whatever happens."""
    try:
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})  # held back while this process was made
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        ctypes.CDLL(None).prctl(_WITH_PARENT, signal.SIGKILL)
        _CHILDREN.set(None)
        os.closerange(3, given)  # else whoever waits for the other end of one would wait for this process as well
        os.closerange(given + 1, os.sysconf("SC_OPEN_MAX"))
        nothing = os.open(os.devnull, os.O_RDWR)
        for stream in range(3):
            os.dup2(nothing, stream)
        sys.stdout = sys.stderr = os.fdopen(nothing, "w", encoding="utf-8")
        left = memoryview(pickle.dumps(make(), protocol=pickle.HIGHEST_PROTOCOL))
        while left:
            left = left[os.write(given, left) :]
    finally:
        os._exit(0)


def _end(child: int, children: set[int]) -> None:
    """End a child, done or not."""
    if child in children:
        children.discard(child)
        with suppress(OSError):
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
