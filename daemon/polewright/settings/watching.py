"""Settings of the watch over imaging."""

from pydantic import Field

from polewright.settings.section import FilePath, Section


class WatchSettings(Section):
    """The watch while others image: whether tripod and axis stay where they were."""

    folder: FilePath | None = Field(
        default=None,
        description="Folder into which the imaging program writes its FITS files (folders in it "
        "count, three deep); left out: no frames are looked at.",
    )
    threshold_sigmas: float = Field(
        default=5.0,
        ge=3.5,
        le=20,
        description="How far beyond its noise a change must be before it is an alarm (sigmas). "
        "Under 5 expect false alarms in some nights.",
    )
    least_arcsec: float = Field(
        default=20.0,
        ge=5,
        le=600,
        description="No alarm for less than this (arcsec).",
    )
    dither_arcsec: float = Field(
        default=30.0,
        ge=2,
        le=600,
        description="Largest step between two frames that is made on purpose without the mount "
        "saying so: dithers by the guider (arcsec).",
    )
