"""Settings of how the axis is measured, how good it must be, and for what."""

from typing import Annotated, Literal

from pydantic import AwareDatetime, Field, model_validator

from polewright.core.axis.tolerance import USUAL_FARTHEST_MM, ExposurePlan
from polewright.settings.section import Section, clash

# Bounds that a command's arguments share with the settings.
ExposureS = Annotated[float, Field(ge=0.001, le=120)]
TargetPole = Literal["refracted", "true", "tonight"]
FrameCount = Annotated[int, Field(ge=3, le=60)]
SweepDeg = Annotated[float, Field(ge=10, le=170)]
WishArcsec = Annotated[float, Field(ge=0.5, le=600)]
SettleS = Annotated[float, Field(ge=0, le=120)]
ToleranceArcsec = Annotated[float, Field(ge=5, le=7200)]
FocalLengthMm = Annotated[float, Field(ge=1, le=20000)]
PixelSizeUm = Annotated[float, Field(ge=0.1, le=50)]
PlannedExposureS = Annotated[float, Field(ge=0.001, le=7200)]
FarthestMm = Annotated[float, Field(ge=0.1, le=100)]
DiagonalMm = Annotated[float, Field(ge=0.2, le=200)]
AllowedPx = Annotated[float, Field(ge=0.01, le=20)]
VerifyBeforeMin = Annotated[float, Field(ge=0, le=240)]
OpticsName = Annotated[str, Field(min_length=1, max_length=64)]
TargetText = Annotated[str, Field(min_length=1, max_length=160)]
ClockText = Annotated[str, Field(pattern=r"^([01]?[0-9]|2[0-3]):[0-5][0-9][Zz]?$")]

SyncWay = Literal["each", "once", "never"]
GotoArcsec = Annotated[float, Field(ge=10, le=3600)]
FieldCount = Annotated[int, Field(ge=1, le=20)]


class SurveySettings(Section):
    """How the axis is measured."""

    target_pole: TargetPole | None = Field(
        default=None,
        description="Where the axis should point: the pole as the air lifts it (best without "
        "guiding), the true pole (fine with guiding), or the axis that suits the targets and the "
        "window of the plan; left out: what suits the plan, refracted without one.",
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

    @property
    def roll_trusted(self) -> bool | None:
        """Whether the pictures' roll has a say; None: until the frames show otherwise."""
        return {"auto": None, "yes": True, "no": False}[self.use_roll]


class StarAlignmentSettings(Section):
    """How the mount is star-aligned."""

    syncs: SyncWay = Field(
        default="once",
        description="Whether the mount is told where it points: at each field (mounts that make a "
        "model of their own from it), once at the last field, or never (the model is told, and "
        "whoever sends the mount goes through it).",
    )
    goto_arcsec: GotoArcsec = Field(
        default=120.0,
        description="Expected go-to error over the sky (rms) at which no further field is taken, "
        "and which is good enough (arcsec).",
    )
    most_fields: FieldCount = Field(
        default=8, description="The most fields that are taken, the one that checks left aside."
    )
    repeatability_arcsec: float = Field(
        default=10.0,
        ge=1,
        le=300,
        description="How well the mount points twice at the same place (arcsec, one sigma in each "
        "direction).",
    )


class SightsSettings(Section):
    """What is believed of the mount before it sights the Sun, the Moon or a planet by day."""

    home_sigma_arcmin: float | None = Field(
        default=None,
        gt=0,
        le=600,
        description="How well the mount knows where it points when it is switched on (home "
        "sensors, an index mark; arcmin); left out: not at all, and one sight tells little.",
    )
    cone_sigma_arcmin: float = Field(
        default=10.0,
        gt=0,
        le=300,
        description="How square the telescope sits on the declination axis (arcmin).",
    )
    axis_sigma_deg: float = Field(
        default=3.0, gt=0, le=20, description="How far the axis may be off at first (deg)."
    )
    level_sigma_deg: float = Field(
        default=0.3, gt=0, le=20, description="How level the mount's base is (deg)."
    )
    repeatability_arcsec: float = Field(
        default=12.0,
        gt=0,
        le=600,
        description="How well the mount points twice at the same place (arcsec).",
    )


class ToleranceSettings(Section):
    """When the axis is good enough."""

    arcsec: ToleranceArcsec | None = Field(
        default=None,
        description="Largest total error, two sigma included (arcsec); left out: what [plan] "
        "needs, or 60 without a plan.",
    )


class OpticsSettings(Section):
    """One telescope or lens with its camera that a plan may name."""

    name: OpticsName
    focal_length_mm: FocalLengthMm
    pixel_size_um: PixelSizeUm
    exposure_s: PlannedExposureS | None = None
    guided: bool = False
    farthest_mm: FarthestMm | None = None
    sensor_diagonal_mm: DiagonalMm | None = None
    allowed_px: AllowedPx = 1.0

    @model_validator(mode="after")
    def _once(self) -> "OpticsSettings":
        if self.farthest_mm is not None and self.sensor_diagonal_mm is not None:
            raise clash("optics", "optics have farthest_mm or sensor_diagonal_mm, not both")
        return self

    @property
    def corner_mm(self) -> float:
        """From the guide star to the farthest corner (mm), whichever way it was said."""
        if self.sensor_diagonal_mm is not None:
            return 0.5 * self.sensor_diagonal_mm
        return self.farthest_mm or USUAL_FARTHEST_MM


class PlanSettings(Section):
    """What you will shoot: from it follow the tolerance, the pole and when the axis is verified."""

    focal_length_mm: FocalLengthMm | None = Field(
        default=None, description="Of the imaging telescope or lens (mm)."
    )
    pixel_size_um: PixelSizeUm | None = Field(
        default=None, description="Of the imaging camera (um)."
    )
    exposure_s: PlannedExposureS | None = Field(default=None, description="One exposure (s).")
    guided: bool = Field(default=False, description="Whether a guide star is held.")
    farthest_mm: FarthestMm = Field(
        default=USUAL_FARTHEST_MM,
        description="On the sensor, from the guide star to the farthest corner (mm).",
    )
    sensor_diagonal_mm: DiagonalMm | None = Field(
        default=None,
        description="Said, it goes before farthest_mm, which is half of it with the guide star in "
        "the middle (mm).",
    )
    allowed_px: AllowedPx = Field(default=1.0, description="Smear that you accept (px).")
    optics: Annotated[list[OpticsSettings], Field(max_length=8)] = Field(
        default=[],
        description="Telescopes and lenses by name, for `polewright plan set --optics NAME`: "
        "focal_length_mm, pixel_size_um and, if you like, exposure_s, guided, farthest_mm or "
        "sensor_diagonal_mm, allowed_px.",
        json_schema_extra={"allowed": "a list of tables, at most 8, each with a name"},
    )
    targets: Annotated[list[TargetText], Field(max_length=20)] = Field(
        default=[],
        description="What is shot: names (M 83, NGC 5139, Canopus) or places, hours and degrees; "
        "the tightest rules.",
        json_schema_extra={"allowed": "a list of texts in quotes, at most 20"},
    )
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

    start: ClockText | None = Field(
        default=None,
        description="When the imaging begins, every evening, by this computer's clock, or in UTC "
        "with a Z behind.",
        json_schema_extra={"allowed": 'a clock time in quotes: "21:30" or "19:30Z"'},
    )
    end: ClockText | None = Field(
        default=None,
        description="When it ends.",
        json_schema_extra={"allowed": 'a clock time in quotes: "02:00" or "00:00Z"'},
    )
    night: bool = Field(
        default=False,
        description="Instead of start and end: the dark hours of every night (Sun 18 deg down).",
    )
    verify_before_min: VerifyBeforeMin = Field(
        default=20.0,
        description="So long before the imaging begins the axis should be verified (minutes).",
    )

    @model_validator(mode="after")
    def _whole(self) -> "PlanSettings":
        groups = (
            ("focal_length_mm", "pixel_size_um", "exposure_s"),
            ("start_utc", "end_utc"),
            ("start", "end"),
        )
        for names in groups:
            given = [name for name in names if getattr(self, name) is not None]
            if given and len(given) < len(names):
                raise clash(given[0], f"{', '.join(names)} are given together, or left out")
        if self.right_ascension_deg is not None and self.declination_deg is None:
            raise clash("right_ascension_deg", "right_ascension_deg needs declination_deg")
        if self.targets and self.declination_deg is not None:
            raise clash("targets", "targets are named, or one is given by its place, not both")
        if (self.start_utc is not None) + (self.start is not None) + self.night > 1:
            raise clash(
                "night" if self.night else "start",
                "the window is given by start and end, by start_utc and end_utc, or as the night",
            )
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
            farthest_mm=self.corner_mm,
            allowed_px=self.allowed_px,
        )

    @property
    def corner_mm(self) -> float:
        """From the guide star to the farthest corner (mm), whichever way it was said."""
        diagonal_mm = self.sensor_diagonal_mm
        return self.farthest_mm if diagonal_mm is None else 0.5 * diagonal_mm
