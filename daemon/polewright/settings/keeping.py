"""Settings of what is kept and written: the journal and the log."""

from pathlib import Path
from typing import Literal

from pydantic import Field

from polewright.settings.section import FilePath, Section, state_directory


class JournalSettings(Section):
    """The file in which surveys and frames are kept, one for each mount."""

    mode: Literal["on", "off"] = Field(
        default="on", description="off: nothing is kept, and a restart forgets the last survey."
    )
    directory: FilePath | None = Field(
        default=None,
        description="Folder of the file; left out: $XDG_STATE_HOME/polewright, mostly "
        "~/.local/state/polewright.",
    )

    def file(self, slug: str) -> Path | None:
        """Return a mount's journal file; None where nothing is kept."""
        if self.mode == "off":
            return None
        return (self.directory or state_directory()) / f"{slug}.sqlite"


class LoggingSettings(Section):
    """What polewright writes about itself."""

    level: Literal["debug", "info", "warning", "error"] = Field(
        default="info", description="The least important kind that is written."
    )
    format: Literal["auto", "text", "json"] = Field(
        default="auto", description="auto: text on a terminal, JSON otherwise."
    )
