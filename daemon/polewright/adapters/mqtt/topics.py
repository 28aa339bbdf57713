"""Topic names below one mount's root, validated once and never pieced together elsewhere."""

import re
from dataclasses import dataclass

from polewright.settings.devices import RESERVED_SLUG
from polewright.settings.model import Settings

AVAILABILITY = "availability"
STATE = "state"
SURVEY = "survey"
CORRECTION = "correction"
EVENT = "event"
SENSOR_INPUT = "sensor/input"
WATCH_FRAME = "watch/frame"
WATCH_GUIDE = "watch/guide"

# Matched whole: "$" would let a line end through behind them.
_RELATIVE = re.compile(r"[a-z][a-z0-9_]*(/[A-Za-z0-9_\-]{1,64}){0,3}")
_IDENTIFIER = re.compile(r"[A-Za-z0-9_\-]{1,64}")


@dataclass(frozen=True, slots=True)
class MountTopics:
    """The topics of one mount.

    Parameters
    ----------
    root : str
        First level or levels, ``polewright`` mostly.
    mount : str
        Short name of the mount.
    """

    root: str
    mount: str

    def __post_init__(self) -> None:
        """Refuse names that hold wildcards or address something else."""
        levels = [*self.root.split("/"), self.mount]
        if not all(_IDENTIFIER.fullmatch(level) for level in levels) or self.mount == RESERVED_SLUG:
            raise ValueError(f"{self.root}/{self.mount} cannot be a topic root")

    @classmethod
    def of(cls, settings: Settings) -> "MountTopics":
        """Return the topics that the settings name."""
        return cls(settings.mqtt.root, settings.mount.slug)

    @property
    def base(self) -> str:
        """``<root>/<mount>``."""
        return f"{self.root}/{self.mount}"

    @property
    def availability(self) -> str:
        """Full topic of the last will."""
        return self.full(AVAILABILITY)

    @property
    def command_filter(self) -> str:
        """Filter of every command to this mount."""
        return f"{self.base}/command/+"

    @property
    def fleet_stop(self) -> str:
        """Full topic of the one command to all mounts."""
        return f"{self.root}/{RESERVED_SLUG}/command/stop"

    def full(self, relative: str) -> str:
        """Return the full name of a topic; raise ValueError where it is none."""
        if not _RELATIVE.fullmatch(relative):
            raise ValueError(f"{relative!r} is not a topic below {self.base}/")
        return f"{self.base}/{relative}"

    def relative(self, full: str) -> str | None:
        """Return the name below this mount's root; None where the topic is not of this mount."""
        prefix = f"{self.base}/"
        relative = full.removeprefix(prefix)
        return relative if full.startswith(prefix) and _RELATIVE.fullmatch(relative) else None

    def command(self, verb: str) -> str:
        """Return the full topic of a command."""
        return self.full(f"command/{verb}")

    def verb(self, full: str) -> str | None:
        """Return the verb of a command's topic; None where it is not a command to this mount."""
        if full == self.fleet_stop:
            return "stop"
        relative = self.relative(full) or ""
        return relative.removeprefix("command/") if relative.startswith("command/") else None

    def reply(self, identifier: str) -> str:
        """Return the full topic of the replies to one command."""
        return self.full(f"reply/{identifier}")


def is_identifier(value: object) -> bool:
    """True where a value can be the id of a command."""
    return isinstance(value, str) and _IDENTIFIER.fullmatch(value) is not None
