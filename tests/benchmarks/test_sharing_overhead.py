"""What sharing costs: chunks of a spread by plain processes, by `Workers` and by `Cluster` on local dask workers.

To be read with `pytest tests/benchmarks -m nightly`; the ratios stand under the timings. Each is the processor time of all
processes over that of the same chunks in this one, so that a busy machine changes little; no ratio is asserted.
"""

import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from loopdesign.analysis.check import examine_stage
from loopdesign.analysis.given import given_parts
from loopdesign.analysis.spread.sample import _chunk
from loopdesign.analysis.spread.sampling import places
from loopdesign.analysis.variants.solve import base_of
from loopdesign.case import load_case
from loopdesign.corners.converters import base_corners
from loopdesign.corners.tolerances import toleranced
from loopdesign.workers.cluster import Cluster
from loopdesign.workers.processes import Workers

CASE = Path(__file__).parents[2] / "cases" / "tide_gauge_sepic_undamped.toml"
SAMPLES, CHUNK, FEW = 512, 128, 4
"""Samples in all and in each chunk, of about 0.12 s, and the chunks that warm a worker up."""


@pytest.fixture(scope="module")
def calls():
    """The function of a spread's chunks, the arguments of each, and the processor time of all in this process [s]."""
    case = load_case(CASE)
    parts = given_parts(case)
    varied = toleranced(case, parts)
    base = base_of(case, parts, examine_stage(case, base_corners(case)))
    drawn = places(len(varied), SAMPLES, 1, "uniform")
    work = [(c, drawn[b : b + CHUNK]) for b in range(0, SAMPLES, CHUNK) for c in range(len(base.corners))]
    task = partial(_chunk, base, varied)
    for call in work[:FEW]:
        task(*call)
    began = time.process_time()
    answers = [task(*call) for call in work]
    return task, work, answers, time.process_time() - began


def _timed(task, *call):
    """Make a call in a worker; its answer, and the processor time of the whole worker meanwhile [s]."""
    began = time.process_time()
    answer = task(*call)
    return answer, time.process_time() - began


def _shared(pool, calls, record_ratio, words):
    """Make every call once, its workers warm; the ratios of their processor time, and of the sender's."""
    task, work, answers, alone = calls
    timed = partial(_timed, task)
    list(pool.map(timed, *zip(*work[:FEW], strict=True)))
    own = time.process_time()
    told = list(pool.map(timed, *zip(*work, strict=True)))
    own = time.process_time() - own
    assert all(np.array_equal(a.stable, b.stable) for (a, _), b in zip(told, answers, strict=True))
    record_ratio(f"processor time in the workers, {words}, over this process alone", sum(t for _, t in told) / alone)
    record_ratio(f"processor time of the sender per chunk, {words}, over a chunk", own / alone)


@pytest.mark.nightly
@pytest.mark.parametrize("kind", [ProcessPoolExecutor, Workers], ids=["plain processes", "Workers"])
def test_processes_here(calls, record_ratio, kind):
    with kind(2) as pool:
        _shared(pool, calls, record_ratio, "plain processes" if kind is ProcessPoolExecutor else "Workers")


@pytest.mark.nightly
def test_local_dask_workers(calls, record_ratio):
    """First as dask's own executor does it, then by `Cluster`: the function sent once, freed memory kept."""
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as local,
        distributed.Client(local) as client,
        Cluster(local.scheduler_address) as cluster,
    ):
        _shared(client.get_executor(), calls, record_ratio, "dask's own executor")
        _shared(cluster, calls, record_ratio, "Cluster")
