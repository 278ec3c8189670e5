"""Partners: work shared through tickets in a pipe; whatever happens to them, every call is answered once, in order."""

import multiprocessing
import os
import signal
import subprocess
import sys
import textwrap
import time

import pytest

from loopdesign.workers.partners import MOST_CALLS, Partners

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="partners are forked")


def double(x):
    return 2 * x


def slow(x):
    time.sleep(0.05)
    return os.getpid(), x


def dying(home, x):
    """End every process but one without a word."""
    if os.getpid() != home and x == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * x


def failing(home, x):
    if x in (1, 3):
        raise ZeroDivisionError(x)
    return os.getpid() == home


def not_to_be_sent(x):
    return lambda: x


@pytest.fixture
def partners():
    with Partners(2) as two:
        yield two
    assert not multiprocessing.active_children()


def test_calls_are_made_elsewhere_and_come_in_order(partners):
    made = list(partners.map(slow, range(12)))
    assert [x for _, x in made] == list(range(12))
    assert os.getpid() not in {pid for pid, _ in made}
    assert len({pid for pid, _ in made}) == 2
    assert list(partners.map(pow, [2, 3], [3, 2])) == [8, 9]
    assert list(partners.map(double, [])) == []


def test_what_is_begun_ahead_is_the_first_partners_until_it_is_wanted(partners):
    job = partners.begin(slow, range(12))
    time.sleep(0.4)
    made = list(job.results())
    assert [x for _, x in made] == list(range(12))
    ahead = {pid for pid, _ in made[:3]}
    assert len(ahead) == 1
    assert os.getpid() not in ahead
    assert len({pid for pid, _ in made}) > 1


def test_a_job_gives_way_to_the_next(partners):
    first = partners.begin(slow, range(40))
    second = partners.begin(double, range(5))
    assert list(second.results()) == [0, 2, 4, 6, 8]
    assert {pid for pid, _ in list(first.results())[-3:]} == {os.getpid()}


def test_a_partner_that_dies_takes_nothing_with_it(partners):
    assert list(partners.map(dying, [os.getpid()] * 6, range(6))) == [0, 2, 4, 6, 8, 10]
    assert not multiprocessing.active_children()
    assert list(partners.map(double, range(3))) == [0, 2, 4]
    assert list(partners.begin(double, range(3)).results()) == [0, 2, 4]


def test_an_error_comes_in_its_place_and_again_from_here(partners):
    results = partners.map(failing, [os.getpid()] * 5, range(5))
    assert next(results) is False
    with pytest.raises(ZeroDivisionError, match="1"):
        next(results)
    assert list(partners.map(double, range(3))) == [0, 2, 4]


def test_what_cannot_be_sent_is_made_here(partners):
    home = []
    assert list(partners.map(lambda x: home.append(x) or x, range(4))) == [0, 1, 2, 3]
    assert home == [0, 1, 2, 3]
    assert [f() for f in partners.map(not_to_be_sent, range(3))] == [0, 1, 2]
    assert list(partners.map(double, range(MOST_CALLS + 1)))[-1] == 2 * MOST_CALLS


def test_large_arguments_and_results_pass_each_other(partners):
    """Messages much larger than a pipe holds, while the partners are busy."""
    job = partners.begin(len, [bytes(3_000_000)] * 4)
    assert list(job.results()) == [3_000_000] * 4
    assert [len(b) for b in partners.map(bytes, [2_000_000] * 8)] == [2_000_000] * 8


def test_refused_processes_are_an_error_at_once(monkeypatch):
    def refused(_):
        raise BlockingIOError

    monkeypatch.setattr(multiprocessing.context.ForkProcess, "_Popen", staticmethod(refused))
    with pytest.raises(BlockingIOError):
        Partners(2)


def test_no_fork_beside_threads_of_anybody():
    """A thread of Python's, and the threads that the library of the document keeps."""
    script = """
        import threading
        import time
        from loopdesign.workers.partners import Partners
        print(Partners.possible())
        done = threading.Event()
        thread = threading.Thread(target=done.wait)
        thread.start()
        print(Partners.possible())
        done.set()
        thread.join()
        until = time.monotonic() + 10.0
        while not Partners.possible() and time.monotonic() < until:  # the system takes its time to end a thread
            time.sleep(0.01)
        print(Partners.possible())
        import typst
        print(Partners.possible())
        typst.compile(b"a document")
        print(Partners.possible())
    """
    command = [sys.executable, "-c", textwrap.dedent(script)]
    told = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
    assert told == (["True", "False", "True", "True", "False"] if sys.platform == "linux" else ["False"] * 5)


def test_partners_end_with_the_process_that_began_them(nobody_left):
    """Killed in the middle of a job, it leaves nobody behind."""
    script = """
        import os, sys, time
        from loopdesign.workers.partners import Partners
        if __name__ == "__main__":
            partners = Partners(2)
            job = partners.begin(time.sleep, [0.2] * 100)
            partners.share(job)
            print(flush=True)
            time.sleep(60)
    """
    nobody_left(script, 3)
