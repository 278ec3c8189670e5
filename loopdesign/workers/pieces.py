"""How many calls go out together: pieces of about a second of work, smaller ones towards the end.

A piece costs some milliseconds on its way, so pieces of a tenth of a second would waste several percent and keep the
sender busy; pieces of many seconds would leave workers idle at the end, and lose much where a worker dies.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

SECONDS = 1.0
"""Work in one piece [s]."""
LAST_PIECES = 2
"""Pieces for each worker that what is left is cut into at least."""
GROWTH = 8
"""How many times longer than the last one a piece may be, while the calls of one tell little of those of the next."""


class Pieces:
    """Calls waiting to be made, handed out in pieces.

    Parameters
    ----------
    count : int
        Number of calls [unitless].
    workers : int
        Number of workers [unitless].
    """

    def __init__(self, count: int, workers: int) -> None:
        self.workers = max(workers, 1)
        self._next, self._count = 0, count
        self._size = 1
        self._returned: deque[range] = deque()

    def __bool__(self) -> bool:
        """Whether any call waits."""
        return bool(self._returned) or self._next < self._count

    def take(self) -> range:
        """Take the next piece: those that came back first.

        Returns
        -------
        range
            Numbers of the calls.
        """
        if self._returned:
            return self._returned.popleft()
        left = self._count - self._next
        size = max(1, min(self._size, left // (LAST_PIECES * self.workers)))
        piece = range(self._next, min(self._next + size, self._count))
        self._next = piece.stop
        return piece

    def put_back(self, piece: range) -> None:
        """Put back a piece that its worker did not finish.

        Parameters
        ----------
        piece : range
            Numbers of the calls.
        """
        self._returned.append(piece)

    def took(self, piece: range, seconds: float) -> None:
        """Learn from a finished piece how long the next should be.

        Parameters
        ----------
        piece : range
            Numbers of the calls.
        seconds : float
            Time its worker took [s].
        """
        wanted = int(SECONDS * len(piece) / max(seconds, 1e-6))
        self._size = max(1, min(wanted, GROWTH * self._size))


def call_list(iterables: tuple[Iterable[Any], ...]) -> list[tuple[Any, ...]]:
    """List the arguments of every call, as ``map`` takes them: as many calls as the shortest has.

    Parameters
    ----------
    iterables : tuple of iterable
        One for each argument.

    Returns
    -------
    list of tuple
        Arguments by call.
    """
    return list(zip(*iterables, strict=False))


def calls_made(function: Callable[..., Any], calls: list[tuple[Any, ...]]) -> list[Any]:
    """Make the calls of a piece one after another.

    Parameters
    ----------
    function : callable
        What to call.
    calls : list of tuple
        Arguments by call.

    Returns
    -------
    list
        What they return.
    """
    return [function(*call) for call in calls]
