"""What this program is called in words for people: as this person called it.

Texts and remedies everywhere say ``polewright survey``.  Where they are shown, whoever called the
program by another name, such as ``./run``, is told what can be typed here: :func:`as_called`.
Programs get the texts as they are.
"""

import os
import re

PROGRAM_VARIABLE = "POLEWRIGHT_PROGRAM"
"""The environment variable by which a starter says what it was called."""

NAME = "polewright"

COMMANDS = (
    "run", "demo", "survey", "adjust", "turned", "solar-filter", "sensor-on-sun", "stop", "status",
    "watch", "fleet", "placement",
    "sight", "align-stars", "verify", "drift", "keep-watch",
    "doctor", "page", "tolerance", "plan", "sun", "pole", "axis", "solve", "history", "config",
)  # fmt: skip

_CALL = re.compile(rf"(?<![\w/.-]){NAME}(?= (?:{'|'.join(COMMANDS)})(?![\w-]))")


def program() -> str:
    """Return what a person types to start this program."""
    return os.environ.get(PROGRAM_VARIABLE) or NAME


def as_called(text: str) -> str:
    """Return a text with every ``polewright COMMAND`` as this person would type it."""
    name = program()
    return text if name == NAME else _CALL.sub(lambda _: name, text)
