"""From the words of a process to its exit status; whatever goes wrong on the way ends in a sentence.

========  ===========================================================================================
status    meaning
========  ===========================================================================================
0         all targets met
1         a target or a verdict fails
2         the input is wrong: case file, data, or the words on the command line
3         the design cannot exist, or its numbers cannot be computed
70        a fault of the program; ``--debug`` shows where (EX_SOFTWARE of the BSD header sysexits.h)
71        not enough memory (EX_OSERR)
74        the answer cannot be written (EX_IOERR)
130       interrupted from the keyboard (128 + SIGINT, common practice of shells)
141       the reader of the output went away, as in ``| head`` (128 + SIGPIPE, common practice of shells)
========  ===========================================================================================
"""

from __future__ import annotations

import os
import re
import sys
import traceback
import warnings
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from cyclopts import CycloptsError
from cyclopts.exceptions import UnusedCliTokensError

from loopdesign.cli.commands import app, load_for
from loopdesign.cli.console import complain, complain_of_program, flush, give_up_output, tell
from loopdesign.errors import LoopDesignError, UsageError
from loopdesign.printable import printable
from loopdesign.workers.memory import keep_freed_memory

if TYPE_CHECKING:
    from collections.abc import Sequence

PROGRAM_FAULT, NO_MEMORY, NOT_WRITTEN, INTERRUPTED, READER_GONE = 70, 71, 74, 130, 141
DEBUG = "--debug"
PACKAGE = Path(__file__).parents[1]
_BELOW_ZERO = re.compile(r"-\.?\d")


def run(argv: Sequence[str] | None = None) -> int:
    """Run one command as a process of its own: warnings of libraries stay silent, missing streams are replaced.

    Parameters
    ----------
    argv
        Words after the program's name; those of the process unless given.

    Returns
    -------
    int
        Exit status.
    """
    closed = sys.stdout is None
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # closed by the caller: nothing else may take its place
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115, PTH123  (for the whole process)
    if closed:
        tell("the answer cannot be written: standard output is closed")
        return NOT_WRITTEN
    keep_freed_memory()
    if not sys.warnoptions:
        warnings.simplefilter("ignore")
    return main(argv)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    argv
        Words after the program's name; those of the process unless given.

    Returns
    -------
    int
        Exit status.
    """
    words = list(sys.argv[1:] if argv is None else argv)
    options = words[: words.index("--")] if "--" in words else words
    debug, as_json = DEBUG in options, "--json" in options
    if debug:
        words.remove(DEBUG)
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # many small matrices: threads inside a product only get in each other's way
    try:
        status = _answer(words, as_json=as_json, debug=debug)
        flush()
    except BrokenPipeError:
        give_up_output()
        return READER_GONE
    except OSError as fault:
        give_up_output()
        tell(f"the answer cannot be written: {fault.strerror}")
        return NOT_WRITTEN
    return status


def _answer(words: list[str], *, as_json: bool, debug: bool) -> int:
    """Run the command; whatever goes wrong becomes a sentence and a status, unless the output itself fails."""
    try:
        load_for(words)
        return int(app(words, exit_on_error=False, print_error=False) or 0)
    except CycloptsError as fault:
        return complain(UsageError(_usage_sentence(fault, words)), as_json)
    except LoopDesignError as error:
        return complain(error, as_json)
    except SystemExit:  # the help is printed by rich, which ends the process so when its reader has gone
        raise BrokenPipeError from None
    except KeyboardInterrupt:
        tell("interrupted")
        return INTERRUPTED
    except MemoryError:
        tell("not enough memory for this; ask for fewer corners, samples, cycles or frequencies")
        return NO_MEMORY
    except Exception as fault:  # the last resort of a process: a sentence in place of a trace
        if (
            isinstance(fault, OSError) and fault.filename is None
        ):  # an error of a file names it, one of a stream does not
            raise
        complain_of_program(_where(fault), as_json, debug=debug)
        if debug:
            tell("".join(traceback.format_exception(fault)).rstrip())
        return PROGRAM_FAULT


def _usage_sentence(fault: CycloptsError, words: Sequence[str]) -> str:
    """Say what is wrong with the words, and how to write a name that begins with a minus."""
    sentence = printable(" ".join(str(fault).split()))
    if isinstance(fault, UnusedCliTokensError):
        left = ", ".join(f'"{printable(w)}"' for w in fault.unused_tokens or ())
        sentence = f'more words than "{printable(words[0])}" takes: {left}'
    for before, word in pairwise(words):
        if _BELOW_ZERO.match(word) and before.startswith("--") and "=" not in before:
            sentence += f'\na value that begins with a minus is written {printable(before)}="{printable(word)}"'
            break
    for word in words:
        if word.startswith("-") and (word.endswith(".toml") or Path(word).is_file()):
            sentence += f"\na file name that begins with a minus is written ./{printable(word)}"
            break
    return f"{sentence}\nsee 'loopdesign --help'"


def _where(fault: Exception) -> str:
    """Name the kind of a fault and its place in the program, without its own text."""
    frames = traceback.extract_tb(fault.__traceback__)
    own = [f for f in frames if Path(f.filename).is_relative_to(PACKAGE)] or frames
    place = f" at {Path(own[-1].filename).relative_to(PACKAGE)}, line {own[-1].lineno}" if own else ""
    return f"{type(fault).__name__}{place}"
