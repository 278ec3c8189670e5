"""Who does the work of a command: this process, processes on this machine, or a cluster."""

from __future__ import annotations

from concurrent.futures import Executor
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from loopdesign.cli.options import whole_number
from loopdesign.errors import DataError
from loopdesign.workers.branch import branching
from loopdesign.workers.processors import available_processors

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from loopdesign.cli.ahead import StepsAhead

WORTH_SHARING = 3.0
"""Work from which it is shared among processes without being asked for [s]."""
MOST_HELPERS = 2
"""Most processes that share the steps and chapters of a report: more have nothing to do."""

REPORTING = (
    "loopdesign.report.drawing.loaded", "loopdesign.analysis.transient.steps", "loopdesign.report.content.gather",
    "loopdesign.report.steps.plots", "loopdesign.report.loop.overview", "loopdesign.report.impedances.plots",
    "loopdesign.report.drawing.svg", "loopdesign.report.drawing.panel",
    "schemdraw.elements", "loopdesign.report.live.page", "jinja2", "typst",
)  # fmt: skip
"""Modules with which steps are made and chapters written."""

WorkerCount = Annotated[
    int | None,
    Parameter(
        name="--workers", converter=whole_number,
        help="Processes on this machine that share the work, such as 4; the numbers are the same with any.",
    ),
]  # fmt: skip
ClusterAddress = Annotated[
    str | None,
    Parameter(
        name="--cluster",
        help="Address of a dask.distributed scheduler whose workers share the work, such as tcp://host:8786.",
    ),
]


@contextmanager
def labour(workers: int | None, cluster: str | None, seconds: float = 0.0) -> Iterator[Executor | None]:
    """Provide who does the work.

    Parameters
    ----------
    workers, cluster
        What was asked for on the command line.
    seconds
        About how long the work takes one processor [s]: shared where it is long and nothing was asked for.

    Yields
    ------
    Executor or None
        None where this process does it all.

    Raises
    ------
    DataError
        For both at once, a number that makes no sense, or a cluster that does not answer.
    """
    if workers is not None and cluster is not None:
        raise DataError("--workers names processes here, and --cluster others: give one of the two")
    if cluster is not None:
        from loopdesign.workers.cluster import Cluster

        with Cluster(cluster) as executor:
            yield executor
        return
    count = (available_processors() if seconds > WORTH_SHARING else 1) if workers is None else workers
    if count == 1 and workers is None:
        yield None
        return
    from loopdesign.workers.processes import Workers

    with Workers(count) as executor:
        yield executor


@contextmanager
def helpers(*, wanted: bool = True) -> Iterator[Executor | None]:
    """Provide processes for steps, pictures and files of a report, which load what they need while parts are chosen.

    With a second processor, parts of a computation are made beside it as well, whether there is a report or not.

    Parameters
    ----------
    wanted
        Whether there is a report to write.

    Yields
    ------
    Executor or None
        None without a report, with one processor, or where the system refuses another process; what helpers fail to do
        is done here.
    """
    count = min(MOST_HELPERS, available_processors())
    if count == 1:
        yield None
        return
    if not wanted:
        with branching():
            yield None
        return
    from loopdesign.workers.partners import Partners

    if Partners.possible():
        try:
            partners = Partners(count, REPORTING)
        except OSError:
            yield None
            return
        with partners, branching():
            yield partners
        return
    from loopdesign.workers.processes import Workers

    with Workers(count, preloaded=REPORTING) as workers:
        try:
            workers.prepare()
        except OSError:
            ready = False
        else:
            ready = True
        yield Helpers(workers) if ready else None


def steps_ahead(executor: Executor | None) -> StepsAhead | None:
    """Return what begins with steps early, where there are partners to make them."""
    if executor is None:
        return None
    from loopdesign.cli.ahead import StepsAhead
    from loopdesign.workers.partners import Partners

    return StepsAhead(executor) if isinstance(executor, Partners) else None


class Helpers(Executor):
    """Processes that share calls as long as they can; calls that they fail to make are made in this process.

    Parameters
    ----------
    workers : Executor
        The processes.
    """

    def __init__(self, workers: Executor) -> None:
        self._workers: Executor | None = workers

    def map(
        self, fn: Callable[..., Any], *iterables: Iterable[Any], timeout: float | None = None, chunksize: int = 1
    ) -> Iterator[Any]:
        """Make a call for each set of arguments; the results come in the order of the calls.

        Parameters
        ----------
        fn : callable
            What to call.
        iterables : iterable
            One for each argument.
        timeout, chunksize
            As for any executor; there is no time limit.

        Yields
        ------
        object
            What the calls return.
        """
        del timeout, chunksize
        calls = list(zip(*iterables, strict=False))
        done = 0
        if self._workers is not None and calls:
            try:
                for result in self._workers.map(fn, *zip(*calls, strict=True)):
                    yield result
                    done += 1
            except (OSError, EOFError, DataError):  # no further process is to be had; an error of a call comes again
                self._workers = None
        for call in calls[done:]:
            yield fn(*call)
