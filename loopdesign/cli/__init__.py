"""The words on the command line, and what each hands over."""

from loopdesign.cli.entry import main, run

__all__ = ["main", "run"]
