"""A process of its own for one call that is worth rehearsing: made for practice with what is known of its argument.

A library that keeps in its caches what two nearly equal calls have in common makes the second one much faster, in the
same process. So the call is rehearsed there while this process works out the rest of the argument, and performed once
all of it is known. What the process fails to do, or takes with it when it ends, is done here; it is never needed.

It is forked, so it exists where that is safe (`Partners.possible`). It leaves the keyboard's interruption to the one
that began it, and ends when that one does, in the middle of a call if need be.
"""

from __future__ import annotations

import importlib
import multiprocessing
import os
import pickle
import threading
from contextlib import suppress
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

from loopdesign.workers.undisturbed import end_process, leave_the_keyboard, undisturbed

if TYPE_CHECKING:
    from collections.abc import Callable
    from multiprocessing.connection import Connection
    from multiprocessing.process import BaseProcess


class Rehearsal:
    """A process that makes a call, for practice and once for good; end it by ``close``.

    Parameters
    ----------
    function : callable
        What to call, with one argument.
    preloaded : tuple of str
        Modules that the process loads at once, beside what this one does meanwhile.

    Raises
    ------
    OSError
        Where the system refuses another process.
    """

    def __init__(self, function: Callable[[Any], Any], preloaded: tuple[str, ...] = ()) -> None:
        self.function = function
        context = multiprocessing.get_context("fork")
        self._pipe, theirs = context.Pipe()
        self._process: BaseProcess | None = None
        process = context.Process(
            target=_serve, args=(theirs, self._pipe.fileno(), function, preloaded), daemon=True
        )  # fmt: skip
        try:
            with undisturbed():
                process.start()
        except OSError:
            self._pipe.close()
            raise
        finally:
            theirs.close()
        self._process = process

    def rehearse(self, argument: Any) -> None:  # noqa: ANN401  (whatever the function takes)
        """Make the call for practice, and throw away what it returns.

        Parameters
        ----------
        argument : object
            What is known of the argument; a newer one takes the place of an older one that nobody has begun with.
        """
        self._send((False, argument))

    def begin(self, argument: Any) -> Callable[[], Any]:  # noqa: ANN401
        """Begin with the call for good, while this process goes on.

        Parameters
        ----------
        argument : object
            The argument.

        Returns
        -------
        callable
            It waits for the end of the call and returns what it returns, or raises what it raises.
        """
        self._send((True, argument))
        return lambda: self._result(argument)

    def _send(self, message: tuple[bool, Any]) -> None:
        if self._process is not None:
            try:
                self._pipe.send_bytes(pickle.dumps(message, protocol=pickle.HIGHEST_PROTOCOL))
            except OSError:
                self.close()

    def _result(self, argument: Any) -> Any:  # noqa: ANN401
        """Wait for the result; make it here where it does not come."""
        if self._process is not None:
            try:
                good, result = pickle.loads(self._pipe.recv_bytes())  # noqa: S301  (from our own fork)
            except (EOFError, OSError):
                self.close()
            else:
                if good:
                    return result
        return self.function(argument)

    def close(self) -> None:
        """End the process, at work or not."""
        with suppress(OSError):
            self._pipe.close()
        if self._process is not None:
            end_process(self._process)
            self._process = None


def _serve(pipe: Connection, ours: int, function: Callable[[Any], Any], preloaded: tuple[str, ...]) -> None:
    """Make calls until the process that began this one ends."""
    leave_the_keyboard()
    os.close(ours)  # else this process would keep itself waiting for one that has ended
    for module in preloaded:
        with suppress(ImportError):  # told where it is needed
            importlib.import_module(module)
    asked = SimpleQueue[bytes]()
    threading.Thread(target=_take_in, args=(pipe, asked), daemon=True).start()
    while True:
        message = asked.get()
        while not asked.empty():
            message = asked.get()
        for_good, argument = pickle.loads(message)  # noqa: S301  (from the process that began us)
        answer = _answer(function, argument)
        if for_good:
            with suppress(OSError):
                pipe.send_bytes(answer)


def _answer(function: Callable[[Any], Any], argument: Any) -> bytes:  # noqa: ANN401
    """Make a call; what fails is made again by the one that wants it, where its error belongs."""
    try:
        return pickle.dumps((True, function(argument)), protocol=pickle.HIGHEST_PROTOCOL)
    except Exception:  # noqa: BLE001  (raised where the call was asked for)
        return pickle.dumps((False, None))


def _take_in(pipe: Connection, asked: SimpleQueue[bytes]) -> None:
    """Read what is sent while a call is made; end with the one that sends."""
    try:
        while True:
            asked.put(pipe.recv_bytes())
    finally:
        os._exit(0)
