"""What all sections of the settings share: strictness, files and names, and clashes."""

import os
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo
from pydantic_core import PydanticCustomError


def _beside_the_file(value: object, info: ValidationInfo) -> object:
    """Read a relative path as relative to the settings file that names it."""
    if not isinstance(value, str):
        return value
    directory = (info.context or {}).get("directory")
    try:
        path = Path(value).expanduser()
    except RuntimeError:
        raise ValueError("nobody of this name has a home here") from None
    return path if directory is None else Path(directory) / path


FilePath = Annotated[Path, BeforeValidator(_beside_the_file)]
DeviceName = Annotated[str, Field(min_length=1, max_length=64)]
HostName = Annotated[
    str,
    Field(
        pattern=r"^[A-Za-z0-9._:\-]{1,253}$",
        json_schema_extra={"allowed": "a host name or an IP address, in quotes"},
    ),
]


def state_directory() -> Path:
    """Return the folder of what a person's services keep."""
    state = Path(os.environ.get("XDG_STATE_HOME") or "~/.local/state").expanduser()
    return state / "polewright"


def clash(key: str, text: str) -> PydanticCustomError:
    """Return the refusal of keys that do not go together, told at the line of ``key``."""
    return PydanticCustomError("clash", "{text}", {"key": key, "text": text})


class Section(BaseModel):
    """What all sections share: nothing unknown, nothing converted, nothing changed later."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False, validate_default=False
    )
