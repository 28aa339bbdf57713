"""Settings of the devices, and of the INDI server that runs them."""

from typing import Literal

from pydantic import Field, field_validator
from pydantic_core import PydanticCustomError

from polewright.settings.measuring import ExposureS
from polewright.settings.section import DeviceName, FilePath, HostName, Section

# Taken by the one command that every mount obeys (`<root>/all/command/stop`).
RESERVED_SLUG = "all"


class MountSettings(Section):
    """The mount, and its short name in MQTT topics."""

    slug: str = Field(
        default="mount",
        pattern=r"^[a-z0-9][a-z0-9_\-]{0,31}$",
        description="Short name in topics, one per mount.",
        json_schema_extra={
            "allowed": "1 to 32 small letters, digits, - and _, in quotes; not the word all"
        },
    )
    device: DeviceName | None = Field(
        default=None, description="INDI device name; left out: the only mount that is found."
    )

    @field_validator("slug")
    @classmethod
    def _not_reserved(cls, slug: str) -> str:
        if slug == RESERVED_SLUG:
            raise PydanticCustomError("reserved", "addresses every mount")
        return slug


class CameraSettings(Section):
    """The camera that looks along the tube or the guide telescope."""

    device: DeviceName | None = Field(
        default=None, description="INDI device name; left out: the only camera that is found."
    )
    chip: Literal["main", "guide"] = Field(
        default="main", description="guide: the camera's second chip, its guide head."
    )
    exposure_s: ExposureS | None = Field(
        default=None,
        description="Exposure of every frame (s); left out: found at the start of each survey, "
        "by stars, sky and saturation.",
    )
    binning: int | None = Field(
        default=None, ge=1, le=8, description="Pixels added up each way; left out: left alone."
    )
    gain: float | None = Field(
        default=None, ge=0, le=100000, description="As the driver counts it; left out: left alone."
    )
    offset: float | None = Field(
        default=None, ge=0, le=100000, description="As the driver counts it; left out: left alone."
    )
    dark_file: FilePath | None = Field(
        default=None,
        description="A dark frame (FITS) of this chip and binning, from which hot pixels are "
        "known; left out: stars are told from hot pixels by their shape.",
    )
    focal_length_mm: float | None = Field(
        default=None,
        ge=5,
        le=20000,
        description="Of the telescope or lens (mm); left out: what the devices say.",
    )
    pixel_size_um: float | None = Field(
        default=None,
        ge=0.5,
        le=50,
        description="Of one camera pixel, binning left aside (um); left out: what the camera says.",
    )
    mirrored: bool | None = Field(
        default=None, description="Whether pictures are mirror images; left out: both are tried."
    )


class AdjusterSettings(Section):
    """The two bolts that tilt and turn the mount head, by hand or by motors."""

    device: DeviceName | None = Field(
        default=None,
        description="INDI device that turns the bolts; left out: the only motorised adjuster that "
        "is found, or your hands.",
    )
    motors: bool = Field(
        default=False,
        description="Whether `polewright adjust` turns the bolts by motors where nothing else is "
        "asked for; they move the whole mount head. An adjuster that shows what it is only once "
        "it is connected is then looked for.",
    )
    largest_total_deg: float = Field(
        default=5.0,
        gt=0,
        le=30,
        description="How far each motor may go from where it stood when you said that all is "
        "clear (deg).",
    )
    survey_again: bool = Field(
        default=True,
        description="Whether the motors wait for a second survey before the last approach, after "
        "a way of more than 0.25 deg and where the mount turns by itself.",
    )
    altitude_arcmin_per_turn: float | None = Field(
        default=None,
        ge=-1200,
        le=1200,
        description="How far one turn clockwise of the altitude knob raises the axis (arcmin); "
        "negative: lowers it. Believed until you report a turn; left out: learned from your "
        "reports alone.",
        json_schema_extra={"allowed": "a number from -1200 to 1200, not 0"},
    )
    azimuth_arcmin_per_turn: float | None = Field(
        default=None,
        ge=-1200,
        le=1200,
        description="How far one turn clockwise of the azimuth knob turns the head clockwise, seen "
        "from above (arcmin); negative: anticlockwise. Believed until you report a turn; left out: "
        "learned from your reports alone.",
        json_schema_extra={"allowed": "a number from -1200 to 1200, not 0"},
    )

    @field_validator("altitude_arcmin_per_turn", "azimuth_arcmin_per_turn")
    @classmethod
    def _moves(cls, value: float | None) -> float | None:
        if value == 0.0:
            raise PydanticCustomError("no_motion", "is a bolt that does not move")
        return value


class IndiSettings(Section):
    """The INDI server that runs the devices."""

    host: HostName = Field(default="127.0.0.1", description="Name or address.")
    port: int = Field(default=7624, ge=1, le=65535, description="TCP port.")
