"""Settings: what a person may choose, with units, bounds and defaults.

Every section works when left out; the site may also come from a GPS or from the mount.
"""

import os
from pathlib import Path
from typing import Annotated, Literal

from pydantic import (
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationInfo,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from polewright.core.axis.tolerance import ExposurePlan
from polewright.core.errors import UsageError
from polewright.core.sky.place import Place

MQTT_PASSWORD_VARIABLE = "POLEWRIGHT_MQTT_PASSWORD"

# The embedded broker lets anybody in, so it listens to nobody outside this machine.
LOOPBACK_HOSTS = ("127.0.0.1", "localhost", "::1")

# Taken by the one command that every mount obeys (`<root>/all/command/stop`).
RESERVED_SLUG = "all"


def _beside_the_file(value: object, info: ValidationInfo) -> object:
    """Read a relative path as relative to the settings file that names it."""
    if not isinstance(value, str):
        return value
    directory = (info.context or {}).get("directory")
    path = Path(value).expanduser()
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

# Bounds that a command's arguments share with the settings.
ExposureS = Annotated[float, Field(ge=0.001, le=120)]
TargetPole = Literal["refracted", "true", "tonight"]
FrameCount = Annotated[int, Field(ge=3, le=60)]
SweepDeg = Annotated[float, Field(ge=10, le=170)]
WishArcsec = Annotated[float, Field(ge=0.5, le=600)]
SettleS = Annotated[float, Field(ge=0, le=120)]
ToleranceArcsec = Annotated[float, Field(ge=5, le=7200)]


def _state_directory() -> Path:
    """Return the folder of what a person's services keep."""
    state = Path(os.environ.get("XDG_STATE_HOME") or "~/.local/state").expanduser()
    return state / "polewright"


def _clash(key: str, text: str) -> PydanticCustomError:
    """Return the refusal of keys that do not go together, told at the line of ``key``."""
    return PydanticCustomError("clash", "{text}", {"key": key, "text": text})


class Section(BaseModel):
    """What all sections share: nothing unknown, nothing converted, nothing changed later."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False, validate_default=False
    )


class SiteSettings(Section):
    """Where the mount stands; leave latitude and longitude out to take them from a GPS or mount."""

    name: str = Field(default="", max_length=80, description="What you call the place.")
    latitude_deg: float | None = Field(
        default=None, ge=-90, le=90, description="Geodetic latitude, north positive (deg)."
    )
    longitude_deg: float | None = Field(
        default=None, ge=-360, le=360, description="Longitude, east positive (deg)."
    )
    elevation_m: float = Field(default=0.0, ge=-500, le=9000, description="Above the sea (m).")
    pressure_hpa: float | None = Field(
        default=None,
        ge=300,
        le=1100,
        description="Pressure at the station, not reduced to the sea (hPa); "
        "left out: the standard atmosphere at this elevation.",
    )
    temperature_c: float = Field(default=10.0, ge=-60, le=60, description="Air (deg C).")
    relative_humidity: float = Field(default=0.5, ge=0, le=1, description="0 dry to 1 wet.")
    clock: Literal["auto", "host", "gps"] = Field(
        default="auto",
        description="Whose time holds. auto: this computer's where it is set over the network "
        "(NTP), else a GPS receiver's behind the INDI server, else this computer's all the same.",
    )
    write_to_mount: bool = Field(
        default=False,
        description="Whether the mount is told the place and the time where it holds others: when "
        "it is connected, before any motion, never in one.",
    )

    @model_validator(mode="after")
    def _both_or_neither(self) -> "SiteSettings":
        if (self.latitude_deg is None) != (self.longitude_deg is None):
            given = "longitude_deg" if self.latitude_deg is None else "latitude_deg"
            raise _clash(
                given,
                "latitude_deg and longitude_deg are given together, or both left out to take "
                "the place from a GPS or the mount",
            )
        return self

    def place(self) -> Place | None:
        """Return the place, or None where the settings do not say it."""
        if self.latitude_deg is None or self.longitude_deg is None:
            return None
        return Place(
            latitude_deg=self.latitude_deg,
            longitude_deg=self.longitude_deg,
            elevation_m=self.elevation_m,
            pressure_hpa=self.pressure_hpa,
            temperature_c=self.temperature_c,
            relative_humidity=self.relative_humidity,
        )


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


class MqttSettings(Section):
    """The broker through which displays and scripts follow and command polewright."""

    mode: Literal["embedded", "external", "off"] = Field(
        default="embedded",
        description="embedded: a broker inside polewright, for this machine only; "
        "external: your own broker; off: none.",
    )
    host: HostName = Field(default="127.0.0.1", description="Broker's name or address.")
    port: int = Field(
        default=1883,
        ge=0,
        le=65535,
        description="TCP port (8883 is usual with TLS); 0: any free one, embedded only.",
    )
    username: str | None = Field(default=None, min_length=1, description="Left out: nobody.")
    password_file: FilePath | None = Field(
        default=None,
        description=f"File that holds the password and nothing else; the environment variable "
        f"{MQTT_PASSWORD_VARIABLE} goes before it.",
    )
    tls: bool = Field(default=False, description="Encrypt, and check the broker's certificate.")
    ca_file: FilePath | None = Field(
        default=None,
        description="Certificate authority (PEM); left out: the machine's own list.",
    )
    client_certificate_file: FilePath | None = Field(
        default=None, description="polewright's own certificate (PEM), where the broker asks it."
    )
    client_key_file: FilePath | None = Field(
        default=None, description="Key of that certificate (PEM)."
    )
    root: str = Field(
        default="polewright",
        max_length=64,
        pattern=r"^[A-Za-z0-9_\-]+(/[A-Za-z0-9_\-]+)*$",
        description="First level or levels of every topic.",
        json_schema_extra={
            "allowed": "letters, digits, - and _, levels divided by /, at most 64, in quotes"
        },
    )

    discovery: bool = Field(
        default=False,
        description="Whether Home Assistant is told what there is to show (its MQTT discovery); "
        "switched off again, it is told to forget it.",
    )
    discovery_prefix: str = Field(
        default="homeassistant",
        max_length=64,
        pattern=r"^[A-Za-z0-9_\-]+(/[A-Za-z0-9_\-]+)*$",
        description="First level or levels of Home Assistant's discovery topics.",
        json_schema_extra={
            "allowed": "letters, digits, - and _, levels divided by /, at most 64, in quotes"
        },
    )

    @model_validator(mode="after")
    def _fits_together(self) -> "MqttSettings":
        if self.mode == "embedded" and self.host not in LOOPBACK_HOSTS:
            raise _clash(
                "host",
                f'host = "{self.host}" is outside this machine, where the embedded broker lets '
                'nobody in; allowed: host = "127.0.0.1", or mode = "external"',
            )
        if self.mode == "embedded" and (self.tls or self.username is not None):
            raise _clash(
                "tls" if self.tls else "username",
                'tls and username belong to a broker of your own; allowed: mode = "external", or '
                "leave them out",
            )
        if self.mode == "external" and self.port == 0:
            raise _clash(
                "port",
                'port = 0 is refused with mode = "external"; allowed: the port of your broker, '
                "1 to 65535, mostly 1883 or 8883",
            )
        if (self.client_certificate_file is None) != (self.client_key_file is None):
            alone = (
                "client_key_file"
                if self.client_certificate_file is None
                else "client_certificate_file"
            )
            raise _clash(
                alone, f"{alone} is alone; allowed: client_certificate_file and client_key_file"
            )
        for key in ("ca_file", "client_certificate_file"):
            if not self.tls and getattr(self, key) is not None:
                raise _clash(key, f"{key} is given but tls is false; allowed: with tls = true")
        return self

    def password(self) -> str | None:
        """Return the password from the environment or the file; None where there is none.

        Raises
        ------
        UsageError
            The file cannot be read.
        """
        if value := os.environ.get(MQTT_PASSWORD_VARIABLE):
            return value
        if self.password_file is None:
            return None
        try:
            return self.password_file.read_text(encoding="utf-8").rstrip("\r\n")
        except (OSError, UnicodeDecodeError) as error:
            reason = error.strerror if isinstance(error, OSError) else "not UTF-8 text"
            raise UsageError(
                f"[mqtt] password_file = {self.password_file} cannot be read: {reason}",
                remedy="Correct the path or the file's permissions.",
                code="password_file",
            ) from None


class PageSettings(Section):
    """The page that a browser shows, on this machine or on a phone."""

    mode: Literal["on", "off"] = Field(default="on", description="off: no page is served.")
    host: HostName = Field(
        default="127.0.0.1",
        description="Address to listen at. Any other than this machine's own, for example "
        '"0.0.0.0" for every network that it is in, asks browsers for a token.',
    )
    port: int = Field(
        default=8472, ge=0, le=65535, description="TCP port; 0: any free one, told at the start."
    )
    token_file: FilePath | None = Field(
        default=None,
        description="File of the tokens, made where it is missing; left out: beside the journal, "
        "and none at all while host is this machine's own.",
    )
    onlookers: bool = Field(
        default=True, description="Whether a second link lets others look, and not command."
    )
    names: list[HostName] = Field(
        default_factory=list,
        max_length=16,
        description="Names by which browsers reach this machine, besides its own name and its "
        "addresses; the first is shown in links.",
        json_schema_extra={"allowed": "a list of at most 16 host names, in quotes"},
    )
    tls_certificate_file: FilePath | None = Field(
        default=None, description="Certificate (PEM) for https; left out: http."
    )
    tls_key_file: FilePath | None = Field(
        default=None, description="Key of that certificate (PEM), without password."
    )

    @model_validator(mode="after")
    def _certificate_has_a_key(self) -> "PageSettings":
        if (self.tls_certificate_file is None) != (self.tls_key_file is None):
            given = "tls_key_file" if self.tls_certificate_file is None else "tls_certificate_file"
            raise _clash(given, f"{given} is alone; allowed: tls_certificate_file and tls_key_file")
        return self

    def tokens_at(self, slug: str) -> Path:
        """Return the file of a mount's tokens."""
        return self.token_file or _state_directory() / f"{slug}-page-tokens.txt"


class SurveySettings(Section):
    """How the axis is measured."""

    target_pole: TargetPole = Field(
        default="refracted",
        description="Where the axis should point: the pole as the air lifts it (best without "
        "guiding), the true pole (fine with guiding), or the axis that suits the target and the "
        "window of [plan].",
    )
    frames: FrameCount = Field(
        default=6, description="The most frames that a survey may take; fewer where they do."
    )
    sweep_deg: SweepDeg = Field(
        default=75.0,
        description="The farthest turn in right ascension from the first frame to the last; less "
        "where it does (deg).",
    )
    wish_arcsec: WishArcsec | None = Field(
        default=None,
        description="Uncertainty (one sigma) at which a survey stops; left out: a fifth of the "
        "tolerance (arcsec).",
    )
    use_roll: Literal["auto", "yes", "no"] = Field(
        default="auto",
        description="Whether the pictures' roll is trusted; no: for a camera on a field rotator; "
        "auto: until the frames show otherwise.",
    )
    mechanical_floor_arcsec: float | None = Field(
        default=None,
        ge=0.1,
        le=60,
        description="How far the mount wanders from frame to frame (arcsec, one sigma); left out: "
        "3, until the surveys in the journal show this mount's own.",
    )
    settle_s: SettleS = Field(
        default=0.5,
        description="Extra wait after each slew, once the mount's coordinates stand still (s); "
        "trails, and looks that disagree, are waited out without it.",
    )


class ToleranceSettings(Section):
    """When the axis is good enough."""

    arcsec: ToleranceArcsec | None = Field(
        default=None,
        description="Largest total error, two sigma included (arcsec); left out: what [plan] "
        "needs, or 60 without a plan.",
    )


class PlanSettings(Section):
    """What you will shoot: from it follow the tolerance and, where asked for, tonight's pole."""

    focal_length_mm: float | None = Field(
        default=None, gt=0, le=20000, description="Of the imaging telescope or lens (mm)."
    )
    pixel_size_um: float | None = Field(
        default=None, gt=0, le=50, description="Of the imaging camera (um)."
    )
    exposure_s: float | None = Field(default=None, gt=0, le=7200, description="One exposure (s).")
    guided: bool = Field(default=False, description="Whether a guide star is held.")
    farthest_mm: float = Field(
        default=14.0,
        gt=0,
        le=100,
        description="On the sensor, from the guide star to the farthest corner (mm).",
    )
    allowed_px: float = Field(default=1.0, gt=0, le=20, description="Smear that you accept (px).")
    right_ascension_deg: float | None = Field(
        default=None, ge=0, le=360, description="Of the target, ICRS (deg)."
    )
    declination_deg: float | None = Field(
        default=None, ge=-90, le=90, description="Of the target, ICRS (deg)."
    )
    start_utc: AwareDatetime | None = Field(
        default=None,
        description="When the imaging begins.",
        json_schema_extra={"allowed": "a date and time with Z or an offset, without quotes"},
    )
    end_utc: AwareDatetime | None = Field(
        default=None,
        description="When it ends.",
        json_schema_extra={"allowed": "a date and time with Z or an offset, without quotes"},
    )

    @model_validator(mode="after")
    def _whole(self) -> "PlanSettings":
        groups = (
            ("focal_length_mm", "pixel_size_um", "exposure_s"),
            ("start_utc", "end_utc"),
        )
        for names in groups:
            given = [name for name in names if getattr(self, name) is not None]
            if given and len(given) < len(names):
                raise _clash(given[0], f"{', '.join(names)} are given together, or left out")
        if self.right_ascension_deg is not None and self.declination_deg is None:
            raise _clash("right_ascension_deg", "right_ascension_deg needs declination_deg")
        return self

    def exposure(self) -> ExposurePlan | None:
        """Return the planned exposure, or None where the settings do not say it."""
        if self.focal_length_mm is None or self.pixel_size_um is None or self.exposure_s is None:
            return None
        return ExposurePlan(
            focal_length_mm=self.focal_length_mm,
            pixel_size_um=self.pixel_size_um,
            exposure_s=self.exposure_s,
            declination_deg=self.declination_deg or 0.0,
            guided=self.guided,
            farthest_mm=self.farthest_mm,
            allowed_px=self.allowed_px,
        )


class SafetySettings(Section):
    """What the mount must not do."""

    sun_cone_deg: float = Field(
        default=20.0, ge=0, le=90, description="Keep this far from the Sun on the whole way (deg)."
    )
    altitude_floor_deg: float = Field(
        default=15.0, ge=0, le=85, description="Never point lower (deg)."
    )
    hour_angle_min_deg: float = Field(
        default=-90.0, ge=-180, le=0, description="Eastern limit, negative (deg)."
    )
    hour_angle_max_deg: float = Field(
        default=90.0, ge=0, le=180, description="Western limit (deg)."
    )
    horizon: list[tuple[float, float]] = Field(
        default_factory=list,
        max_length=360,
        description="Outline of trees and houses: pairs of azimuth and altitude (deg), any number.",
        json_schema_extra={"allowed": "a list of [azimuth, altitude] pairs, 0 to 360 and 0 to 90"},
    )
    allow_meridian_crossing: bool = Field(
        default=False, description="Whether a survey may cross the meridian."
    )

    @field_validator("horizon", mode="before")
    @classmethod
    def _pairs(cls, value: object) -> object:
        """Take TOML's lists as pairs."""
        if isinstance(value, list):
            return [
                tuple(float(x) for x in pair)
                if isinstance(pair, list | tuple) and all(isinstance(x, int | float) for x in pair)
                else pair
                for pair in value
            ]
        return value

    @field_validator("horizon")
    @classmethod
    def _on_the_sky(cls, pairs: list[tuple[float, float]]) -> list[tuple[float, float]]:
        for azimuth, altitude in pairs:
            if not (0.0 <= azimuth <= 360.0 and 0.0 <= altitude <= 90.0):
                raise PydanticCustomError("horizon", "is not a pair of azimuth and altitude")
        return pairs


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
        return (self.directory or _state_directory()) / f"{slug}.sqlite"


class LoggingSettings(Section):
    """What polewright writes about itself."""

    level: Literal["debug", "info", "warning", "error"] = Field(
        default="info", description="The least important kind that is written."
    )
    format: Literal["auto", "text", "json"] = Field(
        default="auto", description="auto: text on a terminal, JSON otherwise."
    )


class Settings(Section):
    """All settings, each section with its defaults."""

    site: SiteSettings = SiteSettings()
    mount: MountSettings = MountSettings()
    camera: CameraSettings = CameraSettings()
    adjuster: AdjusterSettings = AdjusterSettings()
    indi: IndiSettings = IndiSettings()
    mqtt: MqttSettings = MqttSettings()
    page: PageSettings = PageSettings()
    survey: SurveySettings = SurveySettings()
    tolerance: ToleranceSettings = ToleranceSettings()
    plan: PlanSettings = PlanSettings()
    safety: SafetySettings = SafetySettings()
    journal: JournalSettings = JournalSettings()
    logging: LoggingSettings = LoggingSettings()
