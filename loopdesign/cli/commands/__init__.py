"""The commands: each reads its words, calls one function, prints, and returns the exit status.

Exit status: 0 all targets met, 1 a target or verdict fails; the others are set by `loopdesign.cli.entry`. Heavy
libraries are imported inside the commands, so that ``--help`` answers at once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import App, Parameter

from loopdesign.cli.console import say
from loopdesign.cli.options import MET, Json, ScriptFile
from loopdesign.errors import DataError

if TYPE_CHECKING:
    from collections.abc import Sequence

app = App(
    name="loopdesign",
    help="Close the feedback loop of a switching converter from one text file. Every margin comes with its verdict.",
    version="0.1.0",
    result_action="return_value",
    help_format="plaintext",
    help_epilogue="If the program itself fails, --debug anywhere on the command line shows where.",
    suppress_keyboard_interrupt=False,
)
_COMMANDS = {
    "start": "begin",
    "design": "design",
    "check": "check",
    "response": "response",
    "step": "step",
    "spread": "spread",
    "sweep": "sweep",
    "loads": "explore.loads",
    "compare": "compare",
    "size": "size",
    "bench": "bench",
    "schema": "begin",
}
"""Commands in the order of the help, each with its module here, which is loaded where it is asked for."""
for _place, (_command, _module) in enumerate(_COMMANDS.items()):
    app.command(f"loopdesign.cli.commands.{_module}:{_command}", name=_command, sort_key=_place)


def load_for(words: Sequence[str]) -> None:
    """Load every command where the words name none of them, for the help tells what each does.

    Parameters
    ----------
    words
        Words after the program's name.
    """
    if not words or words[0] not in _COMMANDS:
        for command in _COMMANDS:
            _ = app[command]


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
