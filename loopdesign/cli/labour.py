"""Who does the work of a command: this process, processes on this machine, or a cluster."""

from __future__ import annotations

import os
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from loopdesign.cli.options import whole_number
from loopdesign.errors import DataError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from concurrent.futures import Executor

WORTH_SHARING = 3.0
"""Work from which it is shared among processes without being asked for [s]."""

REPORTING = (
    "loopdesign.analysis.transient.steps", "loopdesign.report.content.gather", "loopdesign.report.steps.plots",
    "loopdesign.report.loop.overview", "loopdesign.report.impedances.plots", "matplotlib.backends.backend_svg",
    "matplotlib.backends.backend_agg", "schemdraw.elements",
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
    count = ((os.cpu_count() or 1) if seconds > WORTH_SHARING else 1) if workers is None else workers
    if count == 1 and workers is None:
        yield None
        return
    from loopdesign.workers.processes import Workers

    with Workers(count) as executor:
        yield executor


@contextmanager
def helpers() -> Iterator[Executor | None]:
    """Provide processes for the steps and the chapters of a report, which load what they need while parts are chosen.

    Yields
    ------
    Executor or None
        None on a machine with one processor.
    """
    if (os.cpu_count() or 1) == 1:
        yield None
        return
    from loopdesign.workers.processes import Workers

    with Workers(preloaded=REPORTING) as executor:
        executor.prepare()
        yield executor
