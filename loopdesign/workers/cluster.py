"""An existing dask.distributed cluster as an executor: the function sent once, the calls in pieces.

The scheduler gives a piece whose worker died to another; a function whose last copy died with its worker is sent again.
dask is imported when a cluster is asked for, and nowhere else.
"""

from __future__ import annotations

import asyncio
import logging
import pickle
import time
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from loopdesign.errors import DataError, MissingLibraryError
from loopdesign.printable import excerpt
from loopdesign.workers.memory import keep_freed_memory
from loopdesign.workers.pieces import Pieces, call_list, calls_made

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

PATIENCE = 10.0
"""Time that a cluster gets to answer [s]."""
AHEAD = 2
"""Pieces that wait at the scheduler for each thread of the workers, so that none is idle."""
LOST_AT_MOST = 5
"""Times that a piece is sent again after the cluster lost it."""


class Cluster(Executor):
    """An existing dask.distributed cluster as an executor; use it as a context manager, or end it by ``shutdown``.

    Parameters
    ----------
    address : str
        Of its scheduler, such as ``tcp://192.0.2.7:8786``.

    Raises
    ------
    MissingLibraryError
        Where dask.distributed is not installed.
    DataError
        Where the cluster does not answer within ten seconds, has no workers, or its workers lack this package.

    Examples
    --------
    >>> import loopdesign as ld
    >>> isinstance(ld.Cluster, type)
    True
    """

    def __init__(self, address: str) -> None:
        try:
            from distributed import Client  # noqa: PLC0415  (an optional library, slow to load)
        except ImportError:
            raise MissingLibraryError(
                "a cluster needs dask.distributed: pip install 'loopdesign[cluster]'; --workers does without"
            ) from None
        self.address = address
        self._client: Any = None
        for name in ("distributed", "tornado.application"):  # what it logs of lost workers is mended here, or told
            logging.getLogger(name).setLevel(logging.CRITICAL)
        try:
            _in_a_loop_of_its_own(address)
            self._client = Client(  # type: ignore[no-untyped-call]
                address, timeout=PATIENCE, set_as_default=False
            )
            self._prepare()
        except ValueError:
            raise DataError(f"{excerpt(address)} is not the address of a cluster, such as tcp://host:8786") from None
        except (OSError, TimeoutError, MemoryError):
            self.shutdown()
            raise DataError(
                f"the cluster at {excerpt(address)} does not answer (it was given {PATIENCE:.0f} seconds); expected "
                "the address of a dask.distributed scheduler, such as tcp://host:8786"
            ) from None
        except DataError:
            self.shutdown()
            raise

    def _prepare(self) -> None:
        """See that there are workers, and that they have the same package."""
        deadline = time.monotonic() + PATIENCE
        while not (threads := self._client.nthreads()):
            if time.monotonic() > deadline:
                raise DataError(f"the cluster at {excerpt(self.address)} has no workers")
            time.sleep(0.1)
        self.count = sum(threads.values())
        try:
            versions = self._client.run(_version, on_error="return")
        except OSError:
            versions = {}
        for worker, version in versions.items():
            if version != _version():
                told = version if isinstance(version, str) else "none"
                raise DataError(
                    f"worker {excerpt(worker)} has loopdesign {told}, and this is {_version()}: install the same"
                )

    def map(
        self, fn: Callable[..., Any], *iterables: Iterable[Any], timeout: float | None = None, chunksize: int = 1
    ) -> Iterator[Any]:
        """Make a call for each set of arguments; the results come in the order of the calls.

        Parameters
        ----------
        fn : callable
            What to call; it is pickled once and sent to every worker once.
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
        return _Run(
            self._client, self.count, pickle.dumps(fn, protocol=pickle.HIGHEST_PROTOCOL), call_list(iterables)
        ).results()

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:  # noqa: ANN401
        """Make one call on the cluster and wait for it; many calls go through `map`.

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
            future.set_result(self._client.submit(fn, *args, **kwargs, pure=False).result())
        except Exception as fault:  # noqa: BLE001  (handed over, as a future does)
            future.set_exception(fault)
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Leave the cluster, which goes on; what is still under way for us is forgotten.

        Parameters
        ----------
        wait, cancel_futures : bool
            As for any executor [unitless].
        """
        del wait, cancel_futures
        if self._client is not None:
            with suppress(OSError, TimeoutError):
                self._client.close(timeout=PATIENCE)
            self._client = None


def _in_a_loop_of_its_own(address: str) -> None:
    """Knock from another thread, since a notebook's own event loop already runs in this one."""
    with ThreadPoolExecutor(1) as pool:
        pool.submit(lambda: asyncio.run(_knock(address))).result()


async def _knock(address: str) -> None:
    """See whether anybody answers, before a client is made that would wait much longer."""
    from distributed.comm import core  # noqa: PLC0415  (an optional library, slow to load)

    comm = await core.connect(address, timeout=PATIENCE)  # type: ignore[no-untyped-call]
    comm.abort()


class _Run:
    """One ``map``: the pieces under way, and what came back."""

    def __init__(self, client: Any, count: int, function: bytes, calls: list[tuple[Any, ...]]) -> None:  # noqa: ANN401
        self.client, self.count, self.function, self.calls = client, count, function, calls
        self.pieces = Pieces(len(calls), count)
        self.sent: dict[Any, range] = {}
        self.found: dict[int, Any] = {}
        self.lost = 0

    def results(self) -> Iterator[Any]:
        """Share the calls out, and yield what comes back in order."""
        from distributed import as_completed  # noqa: PLC0415  (an optional library, slow to load)

        self.shared = self.client.scatter(self.function, broadcast=True, hash=False)
        arriving = as_completed([], loop=self.client.loop)  # type: ignore[no-untyped-call]
        told = 0
        try:
            while told < len(self.calls):
                self._send(arriving)
                future = next(arriving)
                self._receive(future)
                while told in self.found:
                    yield self.found.pop(told)
                    told += 1
        finally:
            if self.sent:
                with suppress(OSError, TimeoutError):
                    self.client.cancel(list(self.sent))

    def _send(self, arriving: Any) -> None:  # noqa: ANN401
        """Keep a few pieces for each thread at the scheduler."""
        while self.pieces and len(self.sent) < AHEAD * self.count:
            piece = self.pieces.take()
            future = self.client.submit(_made, self.shared, [self.calls[k] for k in piece], pure=False)
            self.sent[future] = piece
            arriving.add(future)

    def _receive(self, future: Any) -> None:  # noqa: ANN401
        """Take the results of a piece; one that the cluster lost is sent again, with the function."""
        from distributed.client import FutureCancelledError  # noqa: PLC0415
        from distributed.scheduler import KilledWorker  # noqa: PLC0415

        piece = self.sent.pop(future)
        try:
            results, seconds = future.result()
        except (FutureCancelledError, KilledWorker):
            self.lost += 1
            if self.lost > LOST_AT_MOST:
                raise DataError(
                    f"the cluster lost the same work {self.lost} times: its workers may be short of memory"
                ) from None
            self.shared = self.client.scatter(self.function, broadcast=True, hash=False)
            self.pieces.put_back(piece)
            return
        self.pieces.took(piece, seconds)
        self.found.update(zip(piece, results, strict=True))


_LEARNED: dict[bytes, Callable[..., Any]] = {}
"""The function that a worker is at, by what was sent: it is unpacked once."""


def _made(function: bytes, calls: list[tuple[Any, ...]]) -> tuple[list[Any], float]:
    """Make the calls of a piece in a worker; what they return, and the time they took [s]."""
    began = time.perf_counter()
    if function not in _LEARNED:
        _LEARNED.clear()
        keep_freed_memory()
        _LEARNED[function] = pickle.loads(function)  # noqa: S301  (from whoever uses the cluster)
    return calls_made(_LEARNED[function], calls), time.perf_counter() - began


def _version() -> str:
    """Return the version of this package."""
    from importlib.metadata import version  # noqa: PLC0415

    return version("loopdesign")
