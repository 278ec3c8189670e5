"""Run the command line: ``python -m loopdesign``."""

import sys

from loopdesign.cli import main

if __name__ == "__main__":
    sys.exit(main())
