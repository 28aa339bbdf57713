"""What the command line prints: JSON for programs, words for people, errors in one line."""

import json
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from enum import IntEnum
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn
from rich.table import Column

from polewright.core.errors import PolewrightError
from polewright.program import as_called


class ExitCode(IntEnum):
    """Exit codes for scripts."""

    GOOD = 0
    NOT_GOOD_ENOUGH = 1
    USAGE = 2
    CANNOT_TELL = 3


VERDICT_EXIT_CODES = {
    "good_enough": ExitCode.GOOD,
    "not_yet": ExitCode.NOT_GOOD_ENOUGH,
    "cannot_tell": ExitCode.CANNOT_TELL,
}


class Output:
    """Where a command's result goes.

    Results go to standard output, progress and errors to standard error, so that a pipe gets
    results only.  Words name commands as this person called the program; JSON does not.
    """

    def __init__(self, *, as_json: bool) -> None:
        self.as_json = as_json
        # Colons have a meaning in fingerprints and times: ":CD:" is no picture.
        self._out = Console(highlight=False, soft_wrap=True, emoji=False)
        self._err = Console(stderr=True, highlight=False, soft_wrap=True, emoji=False)
        # What is drawn anew in its place must break its lines itself.
        self._drawn = Console(stderr=True, highlight=False, emoji=False)

    def result(self, payload: Mapping[str, Any], *lines: str) -> None:
        """Print the result: the payload as one JSON object, or the lines."""
        if self.as_json:
            sys.stdout.write(json.dumps(payload, allow_nan=False) + "\n")
            sys.stdout.flush()
        else:
            for line in lines:
                self._out.print(as_called(line), markup=False, style=_style(self._out))

    def note(self, text: str) -> None:
        """Say something on the way."""
        if not self.as_json:
            self._err.print(as_called(text), markup=False, style=_style(self._err))

    def error(self, failure: PolewrightError) -> None:
        """Print an expected error: one line for people, an object for programs."""
        if self.as_json:
            error = {"code": failure.code, "text": failure.text, "remedy": failure.remedy}
            sys.stdout.write(json.dumps({"ok": False, "error": error}) + "\n")
        self._err.print(
            f"polewright: {as_called(str(failure))}",
            style=_style(self._err, "bold red1"), markup=False,
        )  # fmt: skip

    @property
    def display(self) -> Console | None:
        """The terminal for a display that is drawn anew again and again; None: there is none."""
        return self._drawn if self._drawn.is_terminal and not self.as_json else None

    @contextmanager
    def progress(self, title: str) -> Iterator["ProgressBar"]:
        """Show a bar while something long goes on; only words where there is no terminal."""
        with Progress(
            TextColumn("{task.percentage:>3.0f} %", style="red3"),
            # Nothing brighter than the words: rich's own ground of a bar is grey.
            BarColumn(12, style="dark_red", complete_style="red3", finished_style="red3"),
            TextColumn(
                "{task.description}",
                style="red3",
                markup=False,
                table_column=Column(ratio=1, overflow="fold"),
            ),
            console=self._drawn,
            transient=True,
            expand=True,
            disable=self.as_json or not self._err.is_terminal,
        ) as bar:
            yield ProgressBar(bar, bar.add_task(title, total=1.0), self, self._err.is_terminal)


def event_line(event: Mapping[str, Any]) -> str:
    """Return one line of an event: how bad it is, what happened, what to do."""
    return f"{event.get('level')}: {event.get('text')}. {event.get('remedy') or ''}".rstrip()


def _style(console: Console, style: str = "red3") -> str:
    """Return red for eyes that are used to the dark; nothing where the output is a file."""
    return style if console.is_terminal else ""


class ProgressBar:
    """One bar; ``update`` takes the fraction done and, where it changes, the step in words."""

    def __init__(self, bar: Progress, task: TaskID, output: Output, terminal: bool) -> None:
        self._bar = bar
        self._task = task
        self._output = output
        self._terminal = terminal
        self._said = ""

    def follow(self, message: Mapping[str, Any]) -> None:
        """Show one progress message of a command."""
        self.update(float(message.get("percent") or 0) / 100.0, str(message.get("step") or ""))

    def warn(self, event: Mapping[str, Any]) -> None:
        """Say what the service warns of; it stays when the bar is gone."""
        self._output.note(f"  {event_line(event)}")

    def update(self, fraction: float, step: str | None = None) -> None:
        """Move the bar; say the step where there is no bar to see."""
        self._bar.update(self._task, completed=fraction)
        if step is None or step == self._said:
            return
        self._said = step
        self._bar.update(self._task, description=as_called(step))
        if not self._terminal:
            self._output.note(f"  {step}")
