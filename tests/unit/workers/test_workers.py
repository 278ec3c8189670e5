"""Workers: the same bits whoever works, a worker killed in the middle costs its piece, a cluster that is not there."""

from __future__ import annotations

import math
import os
import signal
import subprocess
import sys
import time
import warnings
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

import loopdesign as ld
from loopdesign.cli import main
from loopdesign.workers.pieces import SECONDS, Pieces

CASES = Path(__file__).parents[3] / "cases"
UNDAMPED = CASES / "tide_gauge_sepic_undamped.toml"
READINGS = ("phase_margin_deg", "gain_margin_db", "modulus_margin", "crossover_hz", "largest_multiplier")


@contextmanager
def local_cluster(workers):
    """Run a cluster of this machine; what dask itself warns of is not ours."""
    from distributed import LocalCluster

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None, silence_logs=50) as cluster:
            yield cluster


def slow(x):
    """Take a while."""
    time.sleep(0.15)
    return x * x


def test_results_come_in_order_and_errors_as_they_are():
    with ld.Workers(2) as pool:
        assert list(pool.map(math.sqrt, range(50))) == [math.sqrt(x) for x in range(50)]
        with pytest.raises(ValueError, match="math domain error"):
            list(pool.map(math.sqrt, [1.0, -1.0]))
        assert list(pool.map(pow, [2, 3], [3, 2])) == [8, 9]
        assert pool.submit(math.sqrt, 4.0).result() == 2.0


def test_a_killed_process_costs_its_piece_only():
    with ld.Workers(2) as pool:
        results = pool.map(slow, range(12))
        first = next(results)
        os.kill(pool._staff[0].process.pid, signal.SIGKILL)
        assert [first, *results] == [x * x for x in range(12)]


def test_work_that_kills_every_worker_is_given_up():
    with ld.Workers(2) as pool, pytest.raises(ld.DataError, match="in the middle of the same piece"):
        list(pool.map(end_of, [1]))


def end_of(_):
    os.kill(os.getpid(), signal.SIGKILL)


def test_pieces_grow_to_a_second_of_work_and_come_back():
    pieces = Pieces(1000, 2)
    first = pieces.take()
    assert len(first) == 1
    pieces.took(first, 0.01)
    assert len(pieces.take()) == 8  # no more than eight times as long at once
    pieces.took(range(8), 0.08)
    assert len(pieces.take()) == 64
    pieces.took(range(64), 0.64)
    assert len(pieces.take()) == int(SECONDS / 0.01)
    pieces.put_back(first)
    assert pieces.take() == first
    left = 0
    while pieces:
        left += len(pieces.take())
    assert left == 1000 - 1 - 8 - 64 - 100


@pytest.mark.parametrize("count", [0, -1, 257, 1.5, True])
def test_numbers_of_workers_that_make_no_sense(count):
    with pytest.raises(ld.DataError, match="whole number from 1 to 256"):
        ld.Workers(count)


def same(a, b):
    """Whether two spreads hold the same bits."""
    return all(np.array_equal(getattr(a, n), getattr(b, n), equal_nan=True) for n in (*READINGS, "stable"))


def test_a_spread_is_the_same_on_one_two_many_workers_and_a_cluster():
    """Bit for bit: threads here, three processes, and a LocalCluster of two workers of which one is killed."""
    here = ld.spread(UNDAMPED, samples=270, seed=3)
    with ld.Workers(3) as pool:
        assert same(here, ld.spread(UNDAMPED, samples=270, seed=3, executor=pool))
    with local_cluster(2) as cluster, ld.Cluster(cluster.scheduler_address) as pool:
        killed = []

        def kill_one(done, _):
            if done and not killed:
                killed.append(next(iter(pool._client.run(os.getpid).values())))
                os.kill(killed[0], signal.SIGKILL)

        assert same(here, ld.spread(UNDAMPED, samples=270, seed=3, executor=pool, progress=kill_one))
        assert killed
        swept = ld.sweep(UNDAMPED, {"stage.Cs.capacitance": ["5 uF", "9 uF"]}, executor=pool)
    assert swept.points == ld.sweep(UNDAMPED, {"stage.Cs.capacitance": ["5 uF", "9 uF"]}).points


def test_a_scheduler_in_another_process(capsys):
    """The command line against a scheduler and a worker that were started by themselves."""
    env = {**os.environ, "PYTHONWARNINGS": "ignore"}
    python, quiet = sys.executable, {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "env": env}
    port = 20_000 + os.getpid() % 20_000
    address = f"tcp://127.0.0.1:{port}"
    scheduler = [
        python,
        "-m",
        "distributed.cli.dask_scheduler",
        "--host",
        "127.0.0.1",
        "--port",
        str(port),
        "--no-dashboard",
    ]
    worker = [
        python,
        "-m",
        "distributed.cli.dask_worker",
        address,
        "--nworkers",
        "1",
        "--nthreads",
        "1",
        "--no-dashboard",
    ]
    started = [subprocess.Popen(words, **quiet) for words in (scheduler, worker)]
    words = ["sweep", str(UNDAMPED), "--vary", "stage.Cs.capacitance", "5u,9u", "--json"]
    try:
        assert main(words) == 1
        here = capsys.readouterr().out
        for _ in range(6):
            status = main([*words, "--cluster", address])
            told = capsys.readouterr()
            if status == 1:
                break
        assert (status, told.out) == (1, here), told.err
    finally:
        for process in started:
            process.terminate()
            process.wait(20)


@pytest.mark.parametrize(
    ("address", "told"),
    [("tcp://127.0.0.1:9", "does not answer"), ("nowhere at all", "is not the address of a cluster")],
)
def test_a_cluster_that_does_not_answer(address, told, capsys, monkeypatch):
    monkeypatch.setattr("loopdesign.workers.cluster.PATIENCE", 1.0)
    assert main(["spread", str(UNDAMPED), "--samples", "4", "--cluster", address]) == 2
    assert told in capsys.readouterr().err


def test_dask_is_loaded_only_for_a_cluster():
    code = (
        "import sys, loopdesign as ld\n"
        f"ld.sweep({str(UNDAMPED)!r}, {{'stage.Cs.capacitance': ['5 uF']}})\n"
        "import loopdesign.workers.cluster\n"
        "print([m for m in ('dask', 'distributed') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_an_interruption_ends_every_process(tmp_path):
    """Ctrl-C in the middle of a shared sweep: a word, status 130, and no process is left."""
    words = [
        sys.executable, "-m", "loopdesign", "sweep", str(UNDAMPED), "--vary", "stage.Cs.capacitance", "2u", "9u",
        "--points", "400", "--workers", "2",
    ]  # fmt: skip
    process = subprocess.Popen(
        words, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, start_new_session=True, text=True
    )
    time.sleep(6.0)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does it: to every process at once
    _, told = process.communicate(timeout=60)
    assert process.returncode == 130, told
    assert told.strip() == "interrupted"
    deadline = time.monotonic() + 10.0
    while time.monotonic() < deadline:
        try:
            os.killpg(process.pid, 0)
        except ProcessLookupError:
            return
        time.sleep(0.1)
    pytest.fail("processes were left")
