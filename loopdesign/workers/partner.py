"""The other side of `partners`: a process that takes tickets and makes their calls until the one that began it ends."""

from __future__ import annotations

import gc
import importlib
import os
import pickle
import select
import signal
import struct
import threading
from contextlib import suppress
from functools import partial
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

from loopdesign.workers.memory import keep_freed_memory
from loopdesign.workers.undisturbed import leave_the_keyboard

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from multiprocessing.connection import Connection

TICKET = struct.Struct("<HH")
"""Number of a job, number of a call in it."""
JOBS = 1 << 16
"""Jobs that are told apart by number."""


class Tickets:
    """A pipe of tickets."""

    def __init__(self) -> None:
        self.taken, self.given = os.pipe()
        for end in (self.taken, self.given):
            os.set_blocking(end, False)

    def lay(self, job: int, calls: Iterable[int]) -> None:
        """Lay out the tickets of calls."""
        os.write(self.given, b"".join(TICKET.pack(job, k) for k in calls))

    def take(self, job: int) -> int | None:
        """Take a ticket of a job; None where there is none. Those of older jobs are thrown away."""
        while self.taken >= 0:
            try:
                number, call = TICKET.unpack(os.read(self.taken, TICKET.size))
            except BlockingIOError:
                return None
            if number == job:
                return int(call)
        return None

    def close(self) -> None:
        """Close both ends."""
        if self.taken >= 0:
            os.close(self.taken)
            os.close(self.given)
            self.taken = self.given = -1


def serve(first: int, for_all: int, ours: list[int], pipes: list[Connection], preloaded: tuple[str, ...]) -> None:
    """Load modules, fork the other partners, and work as the first of them."""
    leave_the_keyboard()
    for end in ours:  # else this process would keep itself waiting for one that has ended
        os.close(end)
    keep_freed_memory()
    for module in preloaded:
        with suppress(ImportError):  # told where it is needed
            importlib.import_module(module)
    gc.freeze()  # what is loaded stays: it is not looked through again each time garbage is collected
    others = []
    for k in range(1, len(pipes)):
        other = os.fork()
        if not other:
            for pipe in pipes[:k] + pipes[k + 1 :]:
                pipe.close()
            work([for_all], pipes[k], partial(os._exit, 0))
        others.append(other)
    for pipe in pipes[1:]:
        pipe.close()

    def end_all(*_: object) -> None:
        for other in others:
            with suppress(OSError):
                os.kill(other, signal.SIGKILL)
                os.waitpid(other, 0)
        os._exit(0)

    signal.signal(signal.SIGTERM, end_all)
    work([first, for_all], pipes[0], end_all)


def work(tickets: list[int], pipe: Connection, end: Callable[[], object]) -> None:
    """Take tickets and make their calls; end when the process that began this one closes the pipe, at work or not."""
    jobs, done = SimpleQueue[bytes](), SimpleQueue[bytes]()
    threading.Thread(target=_take_in, args=(pipe, jobs, end), daemon=True).start()
    threading.Thread(target=_hand_out, args=(pipe, done), daemon=True).start()
    number = -1
    function: Callable[..., Any] | None = None
    calls: list[tuple[Any, ...]] = []
    while True:
        try:
            ticket = os.read(select.select(tickets, [], [])[0][0], TICKET.size)
        except BlockingIOError:  # another was quicker
            continue
        if not ticket:
            end()
        wanted, k = TICKET.unpack(ticket)
        while number != wanted:
            message = jobs.get()
            number, function, calls = int.from_bytes(message[:2], "little"), None, []
            if number == wanted:
                with suppress(Exception):  # what cannot be read here is done by the one that sent it
                    function, calls = pickle.loads(message[2:])  # noqa: S301  (from the process that began us)
        done.put(_answer(number, k, function, calls))


def _answer(number: int, k: int, function: Callable[..., Any] | None, calls: list[tuple[Any, ...]]) -> bytes:
    """Make a call; what fails is made again by the one that wants it, where its error belongs."""
    try:
        if function is not None:
            return pickle.dumps((number, k, True, function(*calls[k])), protocol=pickle.HIGHEST_PROTOCOL)
    except Exception:  # noqa: BLE001, S110  (raised where the work was asked for)
        pass
    return pickle.dumps((number, k, False, None))


def _take_in(pipe: Connection, jobs: SimpleQueue[bytes], end: Callable[[], object]) -> None:
    """Read what is sent while calls are made, so that nobody waits for one to end; end with the one that sends."""
    try:
        while True:
            jobs.put(pipe.recv_bytes())
    finally:
        end()


def _hand_out(pipe: Connection, done: SimpleQueue[bytes]) -> None:
    """Send results while the next call is made."""
    with suppress(OSError):
        while True:
            pipe.send_bytes(done.get())
