"""The command line: its words, and what each command returns.

`entry`     from the words of a process to its exit status
`commands`  one module for each command: read the words, call one function, print
`options`   options that several commands share
`console`   what is printed, and where
`deliver`   text, answers and reports of a check and a design
`ahead`     steps of a report that are begun before they are certain to be wanted
`beside`    what a report shows over frequency, worked out while steps are made
`setting`   who sets the document of a report
`watch`     do it again each time a file is saved
`labour`    who does the work: this process, several, or a cluster
"""

from __future__ import annotations

import gc
import os
import signal
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

SELDOM = (100_000, 20, 20)
"""Thresholds of the garbage collector: with Python's own, a short command spends a twentieth of its time looking for
garbage among modules that stay."""


def run(argv: Sequence[str] | None = None) -> int:
    """Run one command as a process of its own; the console script and ``python -m loopdesign`` call this.

    Parameters
    ----------
    argv
        Words after the program's name; those of the process unless given.

    Returns
    -------
    int
        Exit status, see `loopdesign.cli.entry`.
    """
    gc.set_threshold(*SELDOM)
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")  # looking for some reads what every library declares
    usual = signal.getsignal(signal.SIGINT) is signal.default_int_handler
    if usual:  # while modules load, Ctrl-C ends the process as the system does, without a trace
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    from loopdesign.cli import entry  # noqa: PLC0415

    if usual:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    status = entry.run(argv)
    gc.freeze()  # else everything that is loaded is looked through once more at the end
    return status


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command within this process.

    Parameters
    ----------
    argv
        Words after the program's name; those of the process unless given.

    Returns
    -------
    int
        Exit status, see `loopdesign.cli.entry`.
    """
    from loopdesign.cli import entry  # noqa: PLC0415

    return entry.main(argv)
