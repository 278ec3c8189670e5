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
def test_no_process_is_left_after_a_design_and_one_alone_writes_the_same(tmp_path):
    """The whole group of processes has ended soon after the command; from one processor come the same bytes."""
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
    if hasattr(os, "sched_setaffinity"):
        alone = [sys.executable, "-c", ALONE, "design", str(path), "--output", str(tmp_path / "alone")]
        subprocess.run(alone, check=True, stdout=subprocess.DEVNULL)
        assert contents(tmp_path / "alone") == contents(tmp_path / "case-report")


ALONE = """
import os
os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
from loopdesign.cli import main
raise SystemExit(main())
"""


def contents(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


KILLING = """
import os, signal
from pathlib import Path
from loopdesign.report import setting

def killed(files, home=os.getpid(), make=setting.set_document):
    if os.getpid() != home:
        os.kill(os.getpid(), signal.SIGKILL)
    return make(files)

setting.set_document = killed
from loopdesign.cli import main
raise SystemExit(main())
"""


@pytest.mark.nightly
@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="processors are chosen on Linux only")
@pytest.mark.parametrize("name", ["beacon_boost", "wave_buoy_coupled_sepic"])
def test_a_rehearsed_document_and_one_whose_setter_is_killed_are_the_same(name, tmp_path):
    case = str(CASE.with_name(f"{name}.toml"))
    for script in (ALONE, ALONE[ALONE.index("from") :], KILLING):
        command = [sys.executable, "-c", script, "design", case, "--output", str(tmp_path / str(len(script)))]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    alone, *others = [contents(folder) for folder in tmp_path.iterdir()]
    assert "report.pdf" in alone
    assert all(other == alone for other in others)
    assert len(others) == 2


def alive(group):
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True
