"""Processes that share single calls with this one: forked with everything loaded, and never needed.

Tickets lie in a pipe, one for each call, and whoever is idle takes the next: this process while it waits for the
answers, the others as soon as there are any. A read from a pipe is one act of the kernel, so that no lock is left
behind by a process that dies. What a partner fails to do, or takes with it when it ends, is done here.

What is begun ahead of its need lies in a pipe that the first partner alone reads, so that on two processors it does not
hold up what this process is at. The first partner loads further modules, and forks the others from itself.

Partners are forked, so they exist where that is safe: on Linux, by a process with one thread. They leave the keyboard's
interruption to the one that began them, and end when it does.
"""

from __future__ import annotations

import multiprocessing
import pickle
from concurrent.futures import Executor, Future
from contextlib import suppress
from functools import partial
from multiprocessing.connection import wait
from typing import TYPE_CHECKING, Any

from loopdesign.workers.partner import JOBS, Tickets, serve
from loopdesign.workers.pieces import call_list
from loopdesign.workers.undisturbed import end_process, threads, undisturbed

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from multiprocessing.process import BaseProcess

MOST_CALLS = 1024
"""Calls of one job: so many tickets are written in one act, whatever the pipe (4,096 byte)."""


class Job:
    """Calls that are made here and by partners.

    Parameters
    ----------
    partners : Partners
        Who makes them.
    number : int
        Number of the job [unitless].
    function : callable
        What to call.
    calls : list of tuple
        Arguments by call.
    here : bool
        Whether this process makes calls as well, while partners are at work [unitless].
    """

    def __init__(
        self, partners: Partners, number: int, function: Callable[..., Any], calls: list[tuple[Any, ...]], *, here: bool
    ) -> None:
        self.partners, self.number, self.function, self.calls, self.here = partners, number, function, calls, here
        self.unsent: bytes | None = None

    def results(self) -> Iterator[Any]:
        """Make what nobody has begun, and yield what the calls return, in their order.

        Yields
        ------
        object
            What each call returns.

        Raises
        ------
        Exception
            What a call raises, in its place.
        """
        found: dict[int, Future[Any]] = {}
        self.partners.share(self)
        try:
            for k in range(len(self.calls)):
                while k not in found:
                    self._go_on(k, found)
                yield found.pop(k).result()
        finally:
            self.drop()

    def drop(self) -> None:
        """Leave what nobody has begun: it is not wanted any more."""
        while self.partners.ticket(self) is not None:
            pass

    def _go_on(self, wanted: int, found: dict[int, Future[Any]]) -> None:
        """Take in what partners have done, make a call here, or wait for the one that is wanted."""
        for k, good, result in self.partners.received(self):
            found[k] = _done(result) if good else self._made(k)
        if wanted in found:
            return
        mine = self.partners.ticket(self) if self.here else None
        if mine is not None:
            found[mine] = self._made(mine)
        elif not self.partners.await_news(self):
            found[wanted] = self._made(wanted)

    def _made(self, k: int) -> Future[Any]:
        """Make one call here."""
        try:
            return _done(self.function(*self.calls[k]))
        except Exception as fault:  # noqa: BLE001  (raised when its turn comes)
            failed: Future[Any] = Future()
            failed.set_exception(fault)
            return failed


def _done(result: Any) -> Future[Any]:  # noqa: ANN401  (whatever the function returns)
    done: Future[Any] = Future()
    done.set_result(result)
    return done


class Partners(Executor):
    """Processes that share calls with this one; use it as a context manager, or end it by ``shutdown``.

    Parameters
    ----------
    count : int
        Number of further processes [unitless].
    preloaded : tuple of str
        Modules that they load at once, beside what this process does meanwhile.

    Raises
    ------
    OSError
        Where the system refuses another process.
    """

    def __init__(self, count: int, preloaded: tuple[str, ...] = ()) -> None:
        self._jobs = 0
        self._shared: Job | None = None
        self._process: BaseProcess | None = None
        context = multiprocessing.get_context("fork")
        self._first, self._all = Tickets(), Tickets()
        pairs = [context.Pipe() for _ in range(count)]
        self._pipes = [ours for ours, _ in pairs]
        kept = [self._first.given, self._all.given, *(p.fileno() for p in self._pipes)]
        arguments = (self._first.taken, self._all.taken, kept, [theirs for _, theirs in pairs], preloaded)
        process = context.Process(target=serve, args=arguments, daemon=True)
        try:
            with undisturbed():
                process.start()
        except OSError:
            self.shutdown()
            raise
        finally:
            for _, theirs in pairs:
                theirs.close()
        self._process = process

    @staticmethod
    def possible() -> bool:
        """Tell whether processes can be forked here without harm.

        A fork takes one thread along. A library that has threads of its own would wait for them for ever.

        Returns
        -------
        bool
            True on Linux while this process has one thread, those of libraries counted.
        """
        return threads() == 1

    def begin(self, fn: Callable[..., Any], *iterables: Iterable[Any], here: bool = True) -> Job:
        """Let the first partner begin with calls, while this process goes on; an older job is dropped.

        Parameters
        ----------
        fn : callable
            What to call; it is pickled once.
        iterables : iterable
            One for each argument.
        here : bool
            Whether this process makes calls as well once it asks for the results [unitless].

        Returns
        -------
        Job
            Ask it for the results: then all make what is left.
        """
        return self._begun(Job(self, self._number(), fn, call_list(iterables), here=here))

    def _number(self) -> int:
        self._jobs = (self._jobs + 1) % JOBS
        return self._jobs

    def _begun(self, job: Job) -> Job:
        """Send a job to the first partner with its tickets."""
        if self._shared is not None:
            self._shared.drop()
        self._shared = None
        if self._pipes and 0 < len(job.calls) <= MOST_CALLS:
            with suppress(pickle.PicklingError, AttributeError, TypeError):  # what cannot be sent is done here
                message = pickle.dumps((job.function, job.calls), protocol=pickle.HIGHEST_PROTOCOL)
                job.unsent = job.number.to_bytes(2, "little") + message
                try:
                    self._pipes[0].send_bytes(job.unsent)
                    self._first.lay(job.number, range(len(job.calls)))
                except OSError:
                    self._dismiss()
                else:
                    self._shared = job
        return job

    def share(self, job: Job) -> None:
        """Let every partner take part in a job.

        Parameters
        ----------
        job : Job
            Of which somebody wants the results.
        """
        if job is not self._shared or job.unsent is None or len(self._pipes) == 1:
            return
        left = list(iter(partial(self._first.take, job.number), None))
        try:
            for pipe in self._pipes[1:] if left else []:
                pipe.send_bytes(job.unsent)
            self._all.lay(job.number, left)
        except OSError:
            self._dismiss()
        job.unsent = None

    def map(
        self, fn: Callable[..., Any], *iterables: Iterable[Any], timeout: float | None = None, chunksize: int = 1
    ) -> Iterator[Any]:
        """Let partners make a call for each set of arguments; the results come in the order of the calls.

        This process makes only those that no partner can make: they may need modules that it has not loaded.

        Parameters
        ----------
        fn : callable
            What to call; it is pickled once.
        iterables : iterable
            One for each argument.
        timeout, chunksize
            As for any executor; there is no time limit.

        Returns
        -------
        iterator
            What the calls return.
        """
        del timeout, chunksize
        return self._begun(Job(self, self._number(), fn, call_list(iterables), here=False)).results()

    def ticket(self, job: Job) -> int | None:
        """Take the ticket of a call that nobody has begun.

        Parameters
        ----------
        job : Job
            Of which job.

        Returns
        -------
        int or None
            Number of the call; None where none is left.
        """
        if job is not self._shared:
            return None
        call = self._all.take(job.number)
        return self._first.take(job.number) if call is None else call

    def received(self, job: Job) -> Iterator[tuple[int, bool, Any]]:
        """Take in what partners have done of a job.

        Parameters
        ----------
        job : Job
            Of which job.

        Yields
        ------
        tuple of int, bool and object
            Number of the call, whether it went well, and its result.
        """
        if job is not self._shared:
            return
        try:
            for pipe in self._pipes:
                while pipe.poll():
                    number, *news = pickle.loads(pipe.recv_bytes())  # noqa: S301  (from our own fork)
                    if number == job.number:
                        yield tuple(news)
        except (EOFError, OSError):
            self._dismiss()

    def await_news(self, job: Job) -> bool:
        """Wait until a partner has done something.

        Parameters
        ----------
        job : Job
            What is waited for.

        Returns
        -------
        bool
            False where nobody is at work on the job.
        """
        if job is not self._shared:
            return False
        wait(self._pipes)
        return True

    def _dismiss(self) -> None:
        """Go on alone: a partner has ended in the middle of its work, and what it was at is not known."""
        self._shared = None
        while self._pipes:
            with suppress(OSError):
                self._pipes.pop().close()
        if self._process is not None:
            end_process(self._process)
            self._process = None

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End every partner.

        Parameters
        ----------
        wait, cancel_futures : bool
            As for any executor: what is at work is ended either way, for nobody waits for it any more [unitless].
        """
        del wait, cancel_futures
        self._dismiss()
        self._first.close()
        self._all.close()
