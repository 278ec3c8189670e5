"""A rehearsed call: made in another process, once for good, and here where that process does not answer."""

import multiprocessing
import os
import signal
import time
from contextlib import closing

import pytest

from loopdesign.workers.rehearsal import Rehearsal

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="the process is forked")
MADE = []


TOLD, TELL = os.pipe()


def made(x):
    """Tell that the call has begun, and wait until it may end."""
    MADE.append(x)
    os.write(TELL, b".")
    time.sleep(0.05)
    return os.getpid(), list(MADE)


def dying(home):
    if os.getpid() != home:
        os.kill(os.getpid(), signal.SIGKILL)
    return os.getpid()


def failing(x):
    raise ZeroDivisionError(x)


def test_the_call_is_rehearsed_and_made_in_the_same_process():
    """What is asked for while a call is made may be passed over for what is newer."""
    with closing(Rehearsal(made)) as setter:
        setter.rehearse(1)
        os.read(TOLD, 1)
        for k in range(2, 6):
            setter.rehearse(k)
        os.read(TOLD, 1)
        pid, before = setter.begin(bytes(3_000_000))()
        assert pid != os.getpid()
        assert before[0] == 1
        assert before[1:-1] == sorted(set(before[1:-1])), "in their order, each once at most"
        assert set(before[1:-1]) <= {2, 3, 4, 5}
        assert setter.begin(7)()[1][-1] == 7
    assert MADE == []


def test_a_process_that_dies_or_fails_leaves_the_call_here():
    others = set(multiprocessing.active_children())
    with closing(Rehearsal(dying)) as setter:
        setter.rehearse(os.getpid())
        time.sleep(0.2)
        assert setter.begin(os.getpid())() == os.getpid()
        setter.rehearse(os.getpid())
        assert setter.begin(os.getpid())() == os.getpid()
    assert set(multiprocessing.active_children()) <= others
    with closing(Rehearsal(failing, ("no_such_module",))) as setter:
        setter.rehearse(1)
        with pytest.raises(ZeroDivisionError, match="2"):
            setter.begin(2)()


def test_a_refused_process_is_an_error_at_once(monkeypatch):
    def refused(_):
        raise BlockingIOError

    monkeypatch.setattr(multiprocessing.context.ForkProcess, "_Popen", staticmethod(refused))
    with pytest.raises(BlockingIOError):
        Rehearsal(made)


def test_it_ends_with_the_process_that_began_it(nobody_left):
    """Killed in the middle of a call, beside partners that were forked later."""
    script = """
        import time
        from loopdesign.workers.partners import Partners
        from loopdesign.workers.rehearsal import Rehearsal
        if __name__ == "__main__":
            setter, partners = Rehearsal(time.sleep), Partners(2)
            setter.rehearse(50)
            print(flush=True)
            time.sleep(60)
    """
    nobody_left(script, 4)
