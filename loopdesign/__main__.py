"""Run the command line: ``python -m loopdesign``."""

import sys

from loopdesign.cli import run

if __name__ == "__main__":
    sys.exit(run())
