"""The command line: one sub-command a module function, exit codes fit for scripts.

0 good, 1 not good enough, 2 usage, 3 cannot tell or device trouble.
"""

from polewright.cli.main import main

__all__ = ["main"]
