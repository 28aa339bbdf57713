"""From a settings file to settings, or to one line for each thing that is wrong in it."""

import os
import re
import tomllib
from pathlib import Path

from pydantic import ValidationError

from polewright.core.errors import UsageError
from polewright.settings.explain import explain_problems
from polewright.settings.model import Settings
from polewright.settings.toml_lines import key_lines

CONFIG_VARIABLE = "POLEWRIGHT_CONFIG"
FILE_NAME = "polewright.toml"

_REMEDY = "Correct the file; `polewright config init` shows every key with its meaning."
_SYNTAX_PLACE = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")
# A key and a number as much of the world writes it.
_DECIMAL_COMMA = re.compile(r"^[\w.-]+\s*=\s*([+-]?\d+,\d+)\s*(?:#|$)")


class SettingsError(UsageError):
    """A settings file that cannot be used.

    Parameters
    ----------
    problems : tuple of str
        One line each.
    """

    default_code = "settings"

    def __init__(self, problems: tuple[str, ...], *, remedy: str = _REMEDY) -> None:
        super().__init__("\n".join(problems), remedy=remedy)
        self.problems = problems

    def __str__(self) -> str:
        """Return one line for each problem and one for the remedy."""
        return "\n".join((*self.problems, self.remedy))


def find_settings_file(explicit: Path | None = None) -> Path | None:
    """Return the settings file in force; None where there is none and the defaults hold.

    In this order: ``explicit``, the variable POLEWRIGHT_CONFIG, ``./polewright.toml``,
    ``~/.config/polewright/polewright.toml``, ``/etc/polewright/polewright.toml``.

    Raises
    ------
    SettingsError
        The explicit file or the variable's file does not exist.
    """
    named = os.environ.get(CONFIG_VARIABLE)
    for path, source in ((explicit, "--config"), (Path(named) if named else None, CONFIG_VARIABLE)):
        if path is None:
            continue
        if not path.is_file():
            raise SettingsError(
                (f"{source} names {path}, which is not a file",),
                remedy="Correct the path, or write one with `polewright config init`.",
            )
        return path
    return next((path for path in usual_places() if path.is_file()), None)


def load_settings(path: Path | None) -> Settings:
    """Return the settings of a TOML file; the defaults for None.

    Raises
    ------
    SettingsError
        The file cannot be read or holds something wrong: all problems together, one line each
        with the file, the line, the key, the value and what is allowed.
    """
    if path is None:
        return Settings()
    try:
        text = path.read_bytes().decode("utf-8")
    except OSError as error:
        raise SettingsError(
            (f"{path} cannot be read: {error.strerror}",),
            remedy="Correct the path or the file's permissions.",
        ) from None
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        raise SettingsError((f"{path} line {line}: not UTF-8 text",)) from None
    return parse_settings(text, name=str(path), directory=path.parent)


def parse_settings(text: str, *, name: str, directory: Path | None = None) -> Settings:
    """Return the settings that a TOML text says.

    Parameters
    ----------
    text : str
        The TOML text.
    name : str
        What to call it in messages.
    directory : Path, optional
        Where relative paths in it start.

    Raises
    ------
    SettingsError
        See :func:`load_settings`.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError((f"{name} {_syntax_problem(str(error), text)}",)) from None
    except (RecursionError, ValueError):  # what the standard parser does not catch itself
        raise SettingsError(
            (f"{name} holds brackets nested beyond reason, or a number of thousands of digits",)
        ) from None
    try:
        return Settings.model_validate(raw, context={"directory": directory})
    except ValidationError as error:
        problems = explain_problems(error, lines=key_lines(text))
        raise SettingsError(tuple(f"{name} {problem}" for problem in problems)) from None


def usual_places() -> tuple[Path, ...]:
    """Return where a settings file is looked for, the first that is there counts."""
    home = os.environ.get("XDG_CONFIG_HOME") or "~/.config"
    return (
        Path(FILE_NAME),
        Path(home).expanduser() / "polewright" / FILE_NAME,
        Path("/etc/polewright") / FILE_NAME,
    )


def _syntax_problem(message: str, text: str) -> str:
    match = _SYNTAX_PLACE.search(message)
    if match is None:
        return f"is not valid TOML: {message}"
    lines = text.splitlines() or [""]
    line = int(match.group(1)) if match.group(1) else len(lines)
    shown = lines[min(line, len(lines)) - 1].strip()
    if comma := _DECIMAL_COMMA.search(shown):
        wrong, right = comma[1], comma[1].replace(",", ".")
        return f"line {line}: a decimal point is needed, {right} instead of {wrong}: {shown[:60]}"
    return f"line {line}: not valid TOML: {message[: match.start()]}: {shown[:60]}"
