"""What the command line says: answers on standard output, progress and complaints on standard error."""

from __future__ import annotations

import os
import shutil
import sys
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from loopdesign.errors import CaseError, LoopDesignError, NoDesignError, UnreachableOutputError
from loopdesign.printable import json_text, printable_lines

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import TextIO

    from loopdesign.report.basics.layout import Display


SPELLED_OUT = str.maketrans({"µ": "u", "Ω": "ohm", "°": "deg", "×": "x"})
"""Letters of units for an output that lacks them."""


def colour_wanted() -> bool:
    """Whether colour may be used: on a terminal, unless NO_COLOR is set."""
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR")


def ascii_wanted() -> bool:
    """Whether the output lacks the letters of units (µ, Ω, °)."""
    try:
        "µΩ°".encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return True
    return False


def display(*, details: bool = False) -> Display:
    """Describe what standard output is shown on: its width where it is a terminal, and which letters it has.

    Parameters
    ----------
    details
        Whether the user asked for everything.
    """
    from loopdesign.report.basics.layout import Display

    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
    return Display(width=width, details=details, ascii_only=ascii_wanted())


def say(as_json: bool, answer: dict[str, Any] | list[dict[str, Any]], text: str) -> None:
    """Print one JSON object or a text; status words are painted on a terminal that shows colour."""
    if as_json:
        _write(json_text(answer, ascii_only=ascii_wanted()), sys.stdout)
        return
    safe = printable_lines(text)
    if colour_wanted():
        from loopdesign.report.loop.terminal import painted

        safe = painted(safe)
    _write(safe, sys.stdout)


def tell(text: str) -> None:
    """Print a complaint or a remark on standard error; where that cannot be written nobody is left to tell."""
    try:
        _write(printable_lines(text), sys.stderr)
    except OSError:
        _to_nowhere(sys.stderr)


def flush() -> None:
    """Write out what standard output still holds, so that a failure is met here and not at the end of the process."""
    sys.stdout.flush()


def give_up_output() -> None:
    """Send what standard output still holds to nowhere, so that the end of the process does not fail on it again."""
    _to_nowhere(sys.stdout)


def _write(text: str, stream: TextIO) -> None:
    """Print a text; letters of units that the stream's encoding lacks are spelled out, others appear as escapes."""
    encoding = stream.encoding or "utf-8"
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        text = text.translate(SPELLED_OUT).encode(encoding, "backslashreplace").decode(encoding)
    print(text, file=stream)


def _to_nowhere(stream: TextIO) -> None:
    with suppress(OSError, ValueError):  # a stream without a file has nothing to send
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


class Progress:
    """Progress on standard error, on a terminal only."""

    def __init__(self, words: str, *, quiet: bool) -> None:
        self.words = words
        self.shown = not quiet and sys.stderr.isatty()
        self.bar: Any = None
        self.task: Any = None

    def __enter__(self) -> Callable[[int, int], None]:
        """Begin to show."""
        if self.shown:
            from rich.console import Console
            from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
            from rich.progress import Progress as Bar

            self.bar = Bar(
                TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn(),
                console=Console(stderr=True), transient=True,
            )  # fmt: skip
            self.bar.start()
            self.task = self.bar.add_task(self.words, total=None)
        return self.step

    def step(self, done: int, total: int) -> None:
        """Show how far the work is."""
        if self.bar is not None:
            self.bar.update(self.task, completed=done, total=total or None)

    def __exit__(self, *_: object) -> None:
        """End and wipe the line."""
        if self.bar is not None:
            self.bar.stop()


def _fault_rows(error: LoopDesignError) -> dict[str, Any]:
    """Turn an error into its JSON form."""
    row: dict[str, Any] = {"kind": type(error).__name__, "message": str(error)}
    if isinstance(error, CaseError):
        row["faults"] = [
            {"file": f.file, "line": f.line, "column": f.column, "key": f.key, "message": f.message,
             "found": f.found, "expected": f.expected, "hint": f.hint}
            for f in error.faults
        ]  # fmt: skip
    if isinstance(error, NoDesignError):
        row |= {"nearest": error.nearest, "obstacles": list(error.obstacles)}
    if isinstance(error, UnreachableOutputError):
        row |= {
            "input_voltage": error.input_voltage,
            "load_current": error.load_current,
            "target": error.target,
            "highest_output": error.highest_output,
            "duty": error.duty,
        }
    return row


def complain(error: LoopDesignError, as_json: bool) -> int:
    """Report an error: as text on standard error, and with --json as an object on standard output."""
    text = str(error)
    if isinstance(error, NoDesignError):
        text = "\n  - ".join([f"no design: {text}", *error.obstacles])
        parts = error.nearest.get("parts")
        if isinstance(parts, dict):
            from loopdesign.report.loop.terminal import parts_text

            text += f"\nnearest miss: {parts_text(parts)}"
    tell(text)
    if as_json:
        say(as_json=True, answer={"error": _fault_rows(error)}, text="")
    return error.exit_status


def complain_of_program(where: str, as_json: bool, *, debug: bool) -> None:
    """Say that the program itself is at fault, where, and how to see more."""
    sentence = f"this is a fault of the program, not of your input: {where}"
    tell(sentence if debug else f"{sentence}\nrun the same command with --debug to see the trace, and report both")
    if as_json:
        say(as_json=True, answer={"error": {"kind": "ProgramFault", "message": sentence}}, text="")
