"""``python -m polewright``: the command line."""

import sys

from polewright.cli import main

if __name__ == "__main__":
    sys.exit(main())
