"""The commands of the command line, as each module of them adds them."""

import argparse
from pathlib import Path

CLEAR = "I looked: the mount is clear to move, fingers off"


class Verbs:
    """The commands, in the order in which help lists them.

    Parameters
    ----------
    top : argparse.ArgumentParser
        The whole command line's parser.
    """

    def __init__(self, top: argparse.ArgumentParser) -> None:
        self._common = argparse.ArgumentParser(add_help=False)
        self._common.add_argument(
            "--json", action="store_true", help="print one JSON object per result"
        )
        self._common.add_argument(
            "--config", type=Path, metavar="FILE", help="settings file (TOML)"
        )
        self._common.add_argument("--verbose", action="store_true", help="log details")
        self._made = top.add_subparsers(dest="command", metavar="COMMAND", required=True)

    def add(self, name: str, text: str, epilogue: str = "") -> argparse.ArgumentParser:
        """Return a new command's parser, which has the options that all have."""
        return self._made.add_parser(
            name, help=text, description=text, parents=[self._common], epilog=epilogue,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )  # fmt: skip
