"""Settings of the site, and of what the mount must not do there."""

from typing import Literal

from pydantic import Field, field_validator, model_validator
from pydantic_core import PydanticCustomError

from polewright.core.sky.place import Place
from polewright.settings.section import Section, clash


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
            raise clash(
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
