"""What is wrong with a settings file, said by line, key, value, and what is allowed."""

import difflib
import json
import types
import typing
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import ValidationError
from pydantic.fields import FieldInfo

from polewright.settings.model import Settings
from polewright.settings.section import Section
from polewright.settings.toml_lines import KeyPath, line_of

# Somebody who writes a secret into the settings must not find it in a log as well.
_SECRET_WORDS = ("password", "passphrase", "secret", "token")
_FILES = ("password_file",)


def explain_problems(error: ValidationError, *, lines: dict[KeyPath, int]) -> list[str]:
    """Return one line for each thing that is wrong, in the order of the file.

    Parameters
    ----------
    error : ValidationError
        What the models refused.
    lines : dict
        Line of each key, from :func:`polewright.settings.toml_lines.key_lines`.
    """
    told: list[tuple[int, str]] = []
    for problem in error.errors(include_url=False):
        path = tuple(str(part) for part in problem["loc"])
        # A union names the member that refused behind the key; the key is what counts.
        path = path[: 2 if path and path[0] in Settings.model_fields else 1]
        if problem["type"] == "clash":
            text = f"[{path[0]}] {problem['msg']}"
            path = (path[0], str(problem["ctx"]["key"]))
        else:
            text = _explain(path, problem["type"], problem["input"])
        line = line_of(path, lines)
        text = f"line {line}: {text}" if line is not None else text
        if (line or 0, text) not in told:
            told.append((line or 0, text))
    return [text for _, text in sorted(told, key=lambda item: item[0])]


def allowed_values(field: FieldInfo) -> str:
    """Return in words what a setting may be."""
    if words := _own_words(field):
        return words
    kinds = _members(field.annotation)
    return " or ".join(
        _kind_in_words(kind, _bounds(field)) for kind in kinds if kind is not type(None)
    )


def value_in_toml(value: object) -> str:
    """Return a value as a person writes it in TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str | Path):
        return json.dumps(str(value), ensure_ascii=False)
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, list | tuple):
        return "[" + ", ".join(value_in_toml(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{k} = {value_in_toml(v)}" for k, v in value.items()) + "}"
    return str(value)


def _explain(path: KeyPath, kind: str, value: object) -> str:
    secret = any(word in path[-1].lower() for word in _SECRET_WORDS) and path[-1] not in _FILES
    shown = "(not shown)" if secret else _shortened(value)
    if len(path) < 2:
        if kind == "extra_forbidden":
            what = f"[{path[0]}]" if isinstance(value, dict) else f"{path[0]} = {shown}"
            return _unknown(what, "section", path[-1], Settings.model_fields)
        return f"{path[0]} = {shown} is refused; allowed: a section, [{path[0]}]"
    fields = _section(path[0]).model_fields
    key = f"[{path[0]}] {path[1]} = {shown}"
    if kind == "extra_forbidden":
        return _unknown(key, "key", path[-1], fields)
    return f"{key} is refused; allowed: {allowed_values(fields[path[1]])}"


def _section(name: str) -> type[Section]:
    section = Settings.model_fields[name].annotation
    assert isinstance(section, type)
    assert issubclass(section, Section)
    return section


def _unknown(shown: str, what: str, name: str, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(name, list(known), n=1)
    hint = f" (did you mean {near[0]}?)" if near else ""
    return f"{shown} is not a known {what}{hint}; allowed: {', '.join(known)}"


def _shortened(value: object, longest: int = 60) -> str:
    text = " ".join(value_in_toml(value).split())
    return text if len(text) <= longest else text[: longest - 1] + "…"


def _members(annotation: Any) -> tuple[Any, ...]:
    if get_origin(annotation) in (Union, types.UnionType):
        return tuple(m for member in get_args(annotation) for m in _members(member))
    return (annotation,)


def _own_words(field: FieldInfo) -> str | None:
    extra = field.json_schema_extra
    return str(extra["allowed"]) if isinstance(extra, dict) and "allowed" in extra else None


def _bounds(field: FieldInfo) -> dict[str, Any]:
    bounds: dict[str, Any] = {}
    stack: list[Any] = list(field.metadata)
    for member in _members(field.annotation):
        if get_origin(member) is typing.Annotated:
            stack.extend(member.__metadata__)
    while stack:
        item = stack.pop()
        if isinstance(item, FieldInfo):
            stack.extend(item.metadata)
            continue
        for name in ("ge", "gt", "le", "lt", "min_length", "max_length"):
            if (bound := getattr(item, name, None)) is not None:
                bounds[name] = bound
    return bounds


def _kind_in_words(kind: Any, bounds: dict[str, Any]) -> str:
    if get_origin(kind) is typing.Annotated:
        kind = get_args(kind)[0]
    if get_origin(kind) is Literal:
        return "one of " + ", ".join(value_in_toml(choice) for choice in get_args(kind))
    if kind is bool:
        return "true or false"
    if kind in (int, float):
        noun = "a whole number" if kind is int else "a number"
        low, high = bounds.get("ge"), bounds.get("le")
        if low is not None and high is not None:
            return f"{noun} from {low} to {high}"
        if "gt" in bounds and high is not None:
            return f"{noun} above {bounds['gt']}, at most {high}"
        return noun
    if kind is Path:
        return "the path of a file, in quotes"
    text = "text in quotes"
    if "min_length" in bounds:
        text += ", not empty"
    if "max_length" in bounds:
        text += f", at most {bounds['max_length']} characters"
    return text
