"""Processes on this machine that share calls: the function sent once, a killed process costs its piece only.

Each worker is a process with a pipe of its own, so that its death is seen at once and touches no other. What it was at
goes back to the others, and a new process takes its place. Workers leave the keyboard's interruption to the one that
started them, which ends them.
"""

from __future__ import annotations

import multiprocessing
import pickle
import signal
import time
from collections import Counter
from concurrent.futures import Executor, Future
from contextlib import suppress
from multiprocessing import forkserver, resource_tracker
from multiprocessing.connection import wait
from typing import TYPE_CHECKING, Any

from loopdesign.errors import DataError
from loopdesign.workers.memory import keep_freed_memory
from loopdesign.workers.pieces import Pieces, call_list, calls_made
from loopdesign.workers.processors import available_processors
from loopdesign.workers.undisturbed import undisturbed

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from multiprocessing.connection import Connection
    from multiprocessing.process import BaseProcess

MOST_WORKERS = 256
"""Workers that may be asked for on one machine."""
LOST_AT_MOST = 3
"""Times that a piece of work may cost its worker before it is given up."""
PATIENCE = 2.0
"""Time a worker gets to end by itself [s]."""
PRELOADED = ("loopdesign.workers.processes", "loopdesign.analysis.check", "loopdesign.case")
"""Modules that new processes find loaded."""


def _context(preloaded: tuple[str, ...] = ()) -> multiprocessing.context.BaseContext:
    """Choose how processes begin: from a server that has everything loaded, where there is such a thing."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([*PRELOADED, *preloaded])
    return context


def _serve(pipe: Connection) -> None:
    """Work until the pipe closes: learn functions, make the calls of pieces, answer with results or the error."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    keep_freed_memory()
    function: Callable[..., Any] | None = None
    while True:
        try:
            learned, calls = pipe.recv()
        except (EOFError, OSError):
            return
        function = function if learned is None else pickle.loads(learned)  # noqa: S301  (from the process that began us)
        if function is None:
            return
        began = time.perf_counter()
        try:
            answer: tuple[bool, Any] = (True, calls_made(function, calls))
        except Exception as fault:  # noqa: BLE001  (whatever it is, it is raised where the work was asked for)
            answer = (False, fault)
        try:
            pipe.send((*answer, time.perf_counter() - began))
        except (BrokenPipeError, OSError):
            return


class _Worker:
    """One process, the piece it is at, and what it has learned."""

    def __init__(self, context: multiprocessing.context.BaseContext) -> None:
        self.pipe, theirs = context.Pipe()
        self.process: BaseProcess = context.Process(target=_serve, args=(theirs,), daemon=True)  # type: ignore[attr-defined]
        resource_tracker.ensure_running()  # which would let interruptions through again
        with undisturbed():
            self.process.start()
        theirs.close()
        self.piece: range | None = None
        self.learned: bytes | None = None

    def begin(self, function: bytes, piece: range, calls: list[tuple[Any, ...]]) -> None:
        """Send a piece, and the function where it is new."""
        self.piece = piece
        news = None if self.learned is function else function
        self.pipe.send((news, calls))
        self.learned = function

    def end(self) -> None:
        """End the process, at work or not."""
        with suppress(OSError):
            self.pipe.close()
        if self.piece is not None:
            self.process.terminate()
        self.process.join(PATIENCE)
        if self.process.is_alive():
            self.process.kill()
            self.process.join()


class Workers(Executor):
    """Processes on this machine as an executor; use it as a context manager, or end it by ``shutdown``.

    Parameters
    ----------
    count : int, optional
        Number of processes; one per processor that may be used unless given [unitless].
    preloaded : tuple of str
        Further modules that the processes find loaded.

    Raises
    ------
    DataError
        For a number that makes no sense.

    Examples
    --------
    >>> import loopdesign as ld
    >>> with ld.Workers(2) as pool:
    ...     list(pool.map(abs, [-1, 2, -3]))
    [1, 2, 3]
    """

    def __init__(self, count: int | None = None, *, preloaded: tuple[str, ...] = ()) -> None:
        wanted = available_processors() if count is None else count
        if not isinstance(wanted, int) or isinstance(wanted, bool) or not 1 <= wanted <= MOST_WORKERS:
            raise DataError(f"the number of workers must be a whole number from 1 to {MOST_WORKERS}; found {wanted!r}")
        self.count = wanted
        self.preloaded = preloaded
        self._staff: list[_Worker] = []

    def prepare(self) -> None:
        """Let what the processes need be loaded beside what this one does meanwhile."""
        if _context(self.preloaded).get_start_method() == "forkserver":
            resource_tracker.ensure_running()
            with undisturbed():
                forkserver.ensure_running()

    def map(
        self, fn: Callable[..., Any], *iterables: Iterable[Any], timeout: float | None = None, chunksize: int = 1
    ) -> Iterator[Any]:
        """Make a call for each set of arguments; the results come in the order of the calls.

        Parameters
        ----------
        fn : callable
            What to call; it is pickled once.
        iterables : iterable
            One for each argument.
        timeout, chunksize
            As for any executor; pieces find their own size, and there is no time limit.

        Returns
        -------
        iterator
            What the calls return.
        """
        del timeout, chunksize
        return self._results(pickle.dumps(fn, protocol=pickle.HIGHEST_PROTOCOL), call_list(iterables))

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:  # noqa: ANN401
        """Make one call in a worker and wait for it; many calls go through `map`.

        Parameters
        ----------
        fn : callable
            What to call.
        args, kwargs
            Its arguments.

        Returns
        -------
        Future
            Done already.
        """
        future: Future[Any] = Future()
        try:
            future.set_result(next(iter(self.map(_Call(fn, args, kwargs), [None]))))
        except Exception as fault:  # noqa: BLE001  (handed over, as a future does)
            future.set_exception(fault)
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End every process.

        Parameters
        ----------
        wait, cancel_futures : bool
            As for any executor: what is at work is ended either way, for nobody waits for it any more [unitless].
        """
        del wait, cancel_futures
        while self._staff:
            self._staff.pop().end()

    def _results(self, function: bytes, calls: list[tuple[Any, ...]]) -> Iterator[Any]:
        """Share the calls out, and yield what comes back in order."""
        pieces, found, lost = Pieces(len(calls), self.count), dict[int, Any](), Counter[int]()
        told = 0
        try:
            while told < len(calls):
                self._hire(function, pieces, calls)
                for worker in self._ready():
                    piece, worker.piece = worker.piece or range(0), None
                    answer = _received(worker)
                    if answer is None:
                        self._dismiss(worker, piece, pieces, lost)
                    else:
                        good, results, seconds = answer
                        if not good:
                            _failed(results).result()
                        pieces.took(piece, seconds)
                        found.update(zip(piece, results, strict=True))
                while told in found:
                    yield found.pop(told)
                    told += 1
        except BaseException:  # an interruption, or nobody wants the rest: the work under way ends with it
            self.shutdown()
            raise

    def _hire(self, function: bytes, pieces: Pieces, calls: list[tuple[Any, ...]]) -> None:
        """Give every idle worker a piece, new ones where there are too few."""
        idle = [w for w in self._staff if w.piece is None]
        while pieces and (idle or len(self._staff) < self.count):
            if not idle:
                idle.append(_Worker(_context(self.preloaded)))
                self._staff.append(idle[-1])
            worker, piece = idle.pop(), pieces.take()
            try:
                worker.begin(function, piece, [calls[k] for k in piece])
            except OSError:  # it died idle
                pieces.put_back(piece)
                worker.piece = None
                worker.end()
                self._staff.remove(worker)

    def _ready(self) -> list[_Worker]:
        """Wait for workers that answer or end."""
        at_work = {w.pipe: w for w in self._staff if w.piece is not None}
        return [at_work[pipe] for pipe in wait(list(at_work)) if pipe in at_work]

    def _dismiss(self, worker: _Worker, piece: range, pieces: Pieces, lost: Counter[int]) -> None:
        """Take a dead worker's piece back; give up where the same work keeps killing workers."""
        self._staff.remove(worker)
        worker.end()
        lost[piece.start] += 1
        if lost[piece.start] >= LOST_AT_MOST:
            raise DataError(
                f"{lost[piece.start]} workers ended in the middle of the same piece of work; the system may be short "
                "of memory: ask for fewer workers"
            )
        pieces.put_back(piece)


class _Call:
    """A function with all its arguments."""

    def __init__(self, function: Callable[..., Any], args: tuple[Any, ...], named: dict[str, Any]) -> None:
        self.function, self.args, self.named = function, args, named

    def __call__(self, _: None) -> Any:  # noqa: ANN401  (whatever the function returns)
        return self.function(*self.args, **self.named)


def _failed(fault: Exception) -> Future[Any]:
    """Make a future that raises what a call raised."""
    future: Future[Any] = Future()
    future.set_exception(fault)
    return future


def _received(worker: _Worker) -> tuple[bool, Any, float] | None:
    """Receive an answer; None from a worker that has ended."""
    try:
        answer: tuple[bool, Any, float] = worker.pipe.recv()
    except (EOFError, OSError):
        return None
    return answer
