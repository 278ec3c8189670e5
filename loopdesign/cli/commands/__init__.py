"""The commands: each reads its words, calls one function, prints, and returns the exit status.

Exit status: 0 all targets met, 1 a target or verdict fails; the others are set by `loopdesign.cli.entry`. Heavy
libraries are imported inside the commands, so that ``--help`` answers at once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import App, Parameter

from loopdesign.cli.commands.begin import schema, start
from loopdesign.cli.commands.bench import bench
from loopdesign.cli.commands.check import check
from loopdesign.cli.commands.compare import compare
from loopdesign.cli.commands.design import design
from loopdesign.cli.commands.explore.loads import loads
from loopdesign.cli.commands.response import response
from loopdesign.cli.commands.size import size
from loopdesign.cli.commands.spread import spread
from loopdesign.cli.commands.step import step
from loopdesign.cli.commands.sweep import sweep
from loopdesign.cli.console import say
from loopdesign.cli.options import MET, Json, ScriptFile
from loopdesign.errors import DataError

if TYPE_CHECKING:
    from collections.abc import Callable

app = App(
    name="loopdesign",
    help="Close the feedback loop of a switching converter from one text file. Every margin comes with its verdict.",
    version="0.1.0",
    result_action="return_value",
    help_format="plaintext",
    help_epilogue="If the program itself fails, --debug anywhere on the command line shows where.",
    suppress_keyboard_interrupt=False,
)
_COMMANDS: tuple[Callable[..., int], ...] = (
    start,
    design,
    check,
    response,
    step,
    spread,
    sweep,
    loads,
    compare,
    size,
    bench,
    schema,
)
for _place, _command in enumerate(_COMMANDS):
    app.command(_command, sort_key=_place)


@app.command(name="--install-completion")
def install_completion(
    *,
    shell: Annotated[
        Literal["bash", "zsh", "fish", "powershell"] | None,
        Parameter(help="Shell to complete in. [default: the one in use]"),
    ] = None,
    output: ScriptFile = None,
    json_: Json = False,
) -> int:
    """Let the shell complete commands and options.

    Writes a script for the shell and, unless --output is given, a line in the shell's start-up file that loads it.
    """
    from cyclopts.completion.detect import ShellDetectionError, detect_shell

    try:
        chosen = detect_shell() if shell is None else shell
    except ShellDetectionError:
        raise DataError("the shell in use is not known; name it with --shell bash, zsh, fish or powershell") from None
    try:
        written = app.install_completion(shell=chosen, output=output, add_to_startup=output is None)
    except OSError as fault:
        raise DataError(f"the completion script cannot be written: {fault.strerror}: {fault.filename}") from fault
    then = "open a new shell to use it" if output is None else "load it from the start-up file of the shell"
    say(json_, {"shell": chosen, "written": str(written)}, f"wrote {written} for {chosen}; {then}")
    return MET
