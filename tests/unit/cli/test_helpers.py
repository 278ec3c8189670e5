"""Processes that help with a report: at most two, none left behind, and none needed where the system refuses them."""

import errno
import multiprocessing
import os
import re
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from loopdesign.cli import labour
from loopdesign.workers import processes
from loopdesign.workers.partners import Partners

CASE = Path(__file__).parents[3] / "cases" / "tide_gauge_sepic.toml"


@pytest.fixture(autouse=True)
def two_processors(monkeypatch):
    monkeypatch.setattr(labour, "available_processors", lambda: 8)
    monkeypatch.setattr(labour, "REPORTING", ())


def refused(*_, **__):
    raise BlockingIOError(errno.EAGAIN, "Resource temporarily unavailable")


def doubled_at_home(home, x):
    """Die in every process but one."""
    if os.getpid() != home and x == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * x


def failing(x):
    raise ZeroDivisionError(x)


@pytest.fixture
def no_partners(monkeypatch):
    monkeypatch.setattr(Partners, "possible", staticmethod(lambda: False))


@pytest.mark.skipif(not hasattr(os, "fork"), reason="partners are forked")
def test_refused_partners_leave_the_work_here(monkeypatch):
    monkeypatch.setattr(Partners, "possible", staticmethod(lambda: True))
    with labour.helpers() as executor:
        assert isinstance(executor, Partners)
        assert list(executor.map(abs, [-1, 2, -3])) == [1, 2, 3]
    monkeypatch.setattr(multiprocessing.context.ForkProcess, "_Popen", staticmethod(refused))
    with labour.helpers() as executor:
        assert executor is None


@pytest.mark.usefixtures("no_partners")
def test_refused_processes_leave_the_work_here(monkeypatch):
    monkeypatch.setattr(processes, "_Worker", refused)
    with labour.helpers() as executor:
        assert executor._workers.count == 2
        assert list(executor.map(abs, [-1, 2, -3])) == [1, 2, 3]
        with pytest.raises(ZeroDivisionError):
            list(executor.map(failing, [1]))
    monkeypatch.setattr(processes.Workers, "prepare", refused)
    with labour.helpers() as executor:
        assert executor is None
    monkeypatch.setattr(labour, "available_processors", lambda: 1)
    with labour.helpers() as executor:
        assert executor is None


@pytest.mark.usefixtures("no_partners")
def test_work_that_kills_its_helpers_is_done_here():
    with labour.helpers() as executor:
        assert list(executor.map(doubled_at_home, [os.getpid()] * 4, range(4))) == [0, 2, 4, 6]
    assert not multiprocessing.active_children()


@pytest.mark.skipif(sys.platform != "linux", reason="partners are forked on Linux only")
def test_what_partners_load_starts_no_thread():
    """The first partner forks the others after it has loaded these."""
    script = """
        import importlib
        from loopdesign.cli.labour import REPORTING
        from loopdesign.workers.partners import Partners
        for module in REPORTING:
            importlib.import_module(module)
        assert Partners.possible()
    """
    command = [sys.executable, "-c", textwrap.dedent(script)]
    subprocess.run(command, check=True, env=os.environ | {"OPENBLAS_NUM_THREADS": "1"})


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="groups of processes are those of POSIX")
def test_no_process_is_left_after_a_design(tmp_path):
    """The whole group of processes has ended soon after the command."""
    text = CASE.read_text(encoding="utf-8")
    text = re.sub(r"input_voltage = .*", 'input_voltage = ["13 V"]', text)
    text = re.sub(r"(?m)^output_current = .*", 'output_current = ["1.2 A"]', text)
    text = re.sub(r"(?m)^(load_step|step_deviation) = .*$", "", text)
    path = tmp_path / "case.toml"
    path.write_text(text, encoding="utf-8")
    process = subprocess.Popen(
        [sys.executable, "-m", "loopdesign", "design", str(path)], start_new_session=True, stdout=subprocess.DEVNULL
    )
    assert process.wait(timeout=300) == 0
    assert (tmp_path / "case-report" / "report.md").exists()
    until = time.monotonic() + 10.0
    while time.monotonic() < until and alive(process.pid):
        time.sleep(0.05)
    assert not alive(process.pid)


def alive(group):
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True
