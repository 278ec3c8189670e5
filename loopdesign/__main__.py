"""Run the command line: ``python -m loopdesign``."""

import sys

from loopdesign.cli.commands import main

if __name__ == "__main__":
    sys.exit(main())
