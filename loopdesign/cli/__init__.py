"""The words on the command line, and what each hands over."""

from loopdesign.cli.commands import main

__all__ = ["main"]
