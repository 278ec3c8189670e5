"""A result that a forked child makes while this process goes on; where nobody may fork, it is made when it is wanted.

A child inherits everything this process holds, so that any closure can be handed to it; only its result travels. What a
child fails to make is made here, where its error belongs. The results are the same either way.
"""

from __future__ import annotations

import os
import pickle
import signal
import sys
import threading
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from typing import TYPE_CHECKING, Generic, Self, TypeVar

from loopdesign.workers.undisturbed import leave_the_keyboard, threads, undisturbed

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from collections.abc import Set as AbstractSet

Made = TypeVar("Made")
PIECE = 1 << 20
"""Most that is read at once [B]."""
STREAMS = 3
"""Standard streams: input, output and errors [unitless]."""
_WITH_PARENT = 1
"""Number of Linux's option to end with the parent, however it ends (``PR_SET_PDEATHSIG``, prctl(2))."""
_CHILDREN: ContextVar[set[int] | None] = ContextVar("children", default=None)


@contextmanager
def branching() -> Iterator[AbstractSet[int]]:
    """Let `branch` fork children until the end; those that are still at work then are ended.

    Yields
    ------
    set of int
        Their process numbers, as long as they are at work [unitless].
    """
    children: set[int] = set()
    token = _CHILDREN.set(children)
    try:
        yield children
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
    return _CHILDREN.get() is not None and threads() == threading.active_count()


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

    def __enter__(self) -> Self:
        """Begin what ends with it: whatever happens, no child is at work any more afterwards."""
        return self

    def __exit__(self, *_: object) -> None:
        """End the child, where its result was not asked for."""
        self.drop()

    def drop(self) -> None:
        """End what is at work: its result is not wanted any more."""
        if self._child is not None:
            child, taken, children = self._child
            self._child = None
            os.close(taken)
            _end(child, children)


def branch(make: Callable[[], Made], *, further: bool = False) -> Branch[Made]:
    """Begin to make something in a child, while this process goes on.

    Parameters
    ----------
    make : callable
        What to call. It must change nothing that this process wants changed, return what can be pickled, and take no
        lock that another thread may hold, as showing progress on a terminal does.
    further : bool
        Whether the child may fork children of its own, which end with it at the latest [unitless].

    Returns
    -------
    Branch
        Ask it for the result once; nothing is made before where no child could be forked.
    """
    children = _CHILDREN.get()
    if children is None or not shared():
        return Branch(make)
    (taken, given), home = os.pipe(), os.getpid()
    try:
        with undisturbed():
            child = os.fork()
            if not child:
                _answer(make, given, home, set() if further else None)
            children.add(child)
    except OSError:
        os.close(taken)
        return Branch(make)
    finally:
        os.close(given)
    return Branch(make, (child, taken, children))


def _answer(make: Callable[[], Made], given: int, home: int, children: set[int] | None) -> None:
    """Make the result in the child, hand it out and end, whatever happens."""
    try:
        import fcntl  # noqa: PLC0415  (systems that fork have it)

        leave_the_keyboard()
        with suppress(ImportError, AttributeError, OSError):  # a parent that is killed then leaves this one to its end
            import ctypes  # noqa: PLC0415  (where there is none, nothing else needs it)

            ctypes.CDLL(None).prctl(_WITH_PARENT, signal.SIGKILL)
        if os.getppid() != home:  # killed before this one could ask to end with it
            return
        _CHILDREN.set(children)
        given = fcntl.fcntl(given, fcntl.F_DUPFD, STREAMS)  # a stream that the caller had closed may have its number
        for end in map(int, os.listdir("/proc/self/fd")):  # noqa: PTH208  (names only)
            if end >= STREAMS and end != given:
                with suppress(OSError):  # else whoever waits for its other end would wait for this process as well
                    os.close(end)
        nothing = os.open(os.devnull, os.O_RDWR)
        for stream in range(STREAMS):
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
