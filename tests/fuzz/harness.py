"""Run a command in this process and hold its end against what every end must be."""

from __future__ import annotations

import io
import json
import re
import time
from contextlib import redirect_stderr, redirect_stdout

from loopdesign.cli import main

ANSWERS = {0, 1, 2, 3}
"""Exit statuses that a file or a word on the command line can bring about; 70 is a fault of the program."""
LONGEST = 30.0
"""Most time that one command may take here [s] of the processor, far above what any needs."""
PLACE = re.compile(
    r":\d+(:\d+)?: |\d V, \d\S* A|\d V input and \d\S* A|: (the file|tables or lists|this|there is|at least)"
)
"""A line of the file, a corner, or the file as a whole."""
STEERING = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")


def run(words):
    """Run a command; return its status, its output and its complaints, none of which may steer a terminal."""
    out, err = io.StringIO(), io.StringIO()
    begun = time.process_time()
    with redirect_stdout(out), redirect_stderr(err):
        status = main([*words, "--debug"])
    told, complained = out.getvalue(), err.getvalue()
    assert status in ANSWERS, f"{words}: {status}\n{complained}"
    assert time.process_time() - begun < LONGEST
    assert not STEERING.search(told + complained)
    assert "Traceback" not in complained
    assert "Warning" not in complained
    return status, told, complained


def run_case(text, path, *words):
    """Run a command on the text of a case file: it answers, or says what is wrong and where; returns what it says."""
    path.write_text(text, encoding="utf-8")
    status, told, complained = run([words[0], str(path), *words[1:], "--json"])
    answer = json.loads(told)
    if "error" not in answer:
        assert status in {0, 1}
        return None
    assert status in {2, 3}
    message = answer["error"]["message"]
    assert message.strip() in complained.replace("no design: ", "")
    if answer["error"]["kind"] != "NoDesignError":  # which lists its obstacles beside the message
        assert path.name in message
        assert PLACE.search(message), message
    return message
