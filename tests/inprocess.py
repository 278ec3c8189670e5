"""A command run by the program's own entry function in this process: what a process of its own answers, without its start."""

from __future__ import annotations

import io
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass

from loopdesign.cli import main


@dataclass(frozen=True)
class Answered:
    """Exit status and what was written."""

    returncode: int
    stdout: str
    stderr: str


def answered(*words):
    """Run a command."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        status = main([str(w) for w in words])
    return Answered(status, out.getvalue(), err.getvalue())
