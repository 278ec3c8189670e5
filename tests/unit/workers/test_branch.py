"""Results made in a forked child: the same as made here, whatever happens to the child; none is left behind."""

import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from pathlib import Path

import pytest

from loopdesign.workers.branch import Branch, branch, branching, shared

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="children are forked on Linux only")


@pytest.fixture
def forking(monkeypatch):
    """Let children be forked though a library of an earlier test may have started threads: they only sleep or add."""
    monkeypatch.setattr("loopdesign.workers.branch.shared", lambda: True)
    before = children()
    with branching():
        yield
    assert children() <= before  # none is left, not even as a zombie


def children():
    """Children of this process, those that other tests keep among them."""
    told = subprocess.run(["ps", "-eo", "ppid=,pid=,comm="], capture_output=True, text=True, check=True).stdout
    rows = [line.split() for line in told.splitlines()]
    return {row[1] for row in rows if row[0] == str(os.getpid()) and row[2] != "ps"}


@pytest.mark.usefixtures("forking")
def test_results_are_made_elsewhere():
    home = os.getpid()
    begun = [branch(lambda k=k: (os.getpid(), k, list(range(k)))) for k in (3, 100_000)]
    for k, one in zip((3, 100_000), begun, strict=True):
        pid, told, numbers = one.result()
        assert pid != home
        assert (told, len(numbers)) == (k, k)


def test_children_are_forked_beside_threads_of_pythons_own():
    """As that of a progress bar: in an interpreter of its own, where nothing else has threads."""
    script = """
        import os, threading
        from loopdesign.workers.branch import branch, branching, shared
        threading.Thread(target=threading.Event().wait, daemon=True).start()
        with branching():
            assert shared()
            assert branch(os.getpid).result() != os.getpid()
        with branching(), branch(os.getpid) as left:
            pass
        assert left.result() == os.getpid(), "made here where it was dropped"
    """
    subprocess.run([sys.executable, "-c", textwrap.dedent(script)], check=True, timeout=120)


def test_nothing_is_forked_outside():
    assert not shared()
    calls = []
    begun = branch(lambda: calls.append(os.getpid()) or 7)
    assert not calls, "made only when it is wanted"
    assert begun.result() == 7
    assert calls == [os.getpid()]


def test_nothing_is_forked_beside_threads_of_a_library(monkeypatch):
    with branching():
        monkeypatch.setattr(threading, "active_count", lambda: 0)
        assert not shared()


@pytest.mark.usefixtures("forking")
def test_what_a_child_fails_to_make_is_made_here():
    home = os.getpid()

    def failing():
        if os.getpid() != home:
            raise ZeroDivisionError
        return "here"

    def killed():
        if os.getpid() != home:
            os.kill(os.getpid(), signal.SIGKILL)
        return "here too"

    def not_to_be_sent():
        return lambda: 5

    assert [branch(make).result() for make in (failing, killed)] == ["here", "here too"]
    assert branch(not_to_be_sent).result()() == 5
    with pytest.raises(ZeroDivisionError):
        branch(lambda: 1 // 0).result()


@pytest.mark.usefixtures("forking")
def test_a_child_prints_nothing_and_forks_no_further(capfd):
    def make():
        print("said by a child")
        os.write(2, b"and by its system calls")
        return branch(os.getpid).result() == os.getpid()

    assert branch(make).result()
    assert capfd.readouterr() == ("", "")


@pytest.mark.usefixtures("forking")
def test_a_child_that_may_forks_children_of_its_own():
    def two():
        begun = branch(os.getpid)
        return os.getpid(), begun.result()

    child, further = branch(two, further=True).result()
    assert len({os.getpid(), child, further}) == 3


@pytest.mark.usefixtures("forking")
def test_children_of_a_child_end_with_it(tmp_path):
    told = tmp_path / "pid"

    def sleeps():
        (tmp_path / "begun").write_text(str(os.getpid()), encoding="ascii")
        (tmp_path / "begun").rename(told)
        time.sleep(600.0)

    with branch(lambda: branch(sleeps).result(), further=True):
        while not told.exists():
            time.sleep(0.01)
        pid = int(told.read_text(encoding="ascii"))
        assert "\nState:\tZ" not in state_of(pid), "at work"
    deadline = time.monotonic() + 30
    while "\nState:\tZ" not in state_of(pid):
        assert time.monotonic() < deadline, "a child's child outlives it"
        time.sleep(0.01)


@pytest.mark.usefixtures("forking")
def test_what_is_not_wanted_is_ended():
    began = time.monotonic()
    dropped, _left = branch(lambda: time.sleep(60)), branch(lambda: time.sleep(60))
    dropped.drop()
    dropped.drop()
    assert time.monotonic() - began < 30


@pytest.mark.usefixtures("forking")
def test_no_child_where_the_system_refuses_one(monkeypatch):
    def refuse():
        raise OSError(11, "Resource temporarily unavailable")

    monkeypatch.setattr(os, "fork", refuse)
    assert branch(lambda: 3).result() == 3


def test_a_child_ends_with_a_parent_that_is_killed():
    script = """
        import time
        from loopdesign.workers.branch import branch, branching
        with branching() as children:
            branch(lambda: time.sleep(60))
            print(*children, flush=True)
            time.sleep(60)
    """
    command = [sys.executable, "-c", textwrap.dedent(script)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as parent:
        (child,) = map(int, parent.stdout.readline().split())
        assert "\nState:\tZ" not in state_of(child), "at work"
        parent.kill()
    deadline = time.monotonic() + 30
    while "\nState:\tZ" not in state_of(child):
        assert time.monotonic() < deadline, "the child outlives its parent"
        time.sleep(0.01)


def state_of(pid):
    try:
        return Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    except OSError:
        return "\nState:\tZ"


def test_a_result_can_be_promised_without_a_child():
    assert Branch(lambda: 4).result() == 4
