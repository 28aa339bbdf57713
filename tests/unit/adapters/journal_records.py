"""Made-up records for journal tests: every number different, so that a mix-up shows."""

from datetime import UTC, datetime, timedelta

import numpy as np

from polewright.core.axis.correction import correct
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.geometry.rotations import rotation_from_vector
from polewright.core.imaging.attitude import Attitude
from polewright.core.records import (
    FrameRecord,
    LiveRecord,
    LiveSetting,
    PlacementRecord,
    SurveyRecord,
    TransitionRecord,
)
from polewright.core.sky.instant import EarthOrientation
from polewright.core.sky.place import Place

NIGHT = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)
TERRACE = Place(latitude_deg=-32.40, longitude_deg=22.70, elevation_m=1250.0)


def frame_record(number: int, stars: int = 30) -> FrameRecord:
    rng = np.random.default_rng(number)
    instant = NIGHT + timedelta(seconds=17.123457 * number)
    return FrameRecord(
        key=f"frame-{number}",
        camera="Hoopoe",
        place=TERRACE,
        orientation=EarthOrientation(
            dut1_s=0.0123456789 + number, polar_motion_x_rad=1e-7, polar_motion_y_rad=2e-7,
            known=True,
        ),
        attitude=Attitude(
            camera_from_icrs=rotation_from_vector(rng.normal(size=3)),
            covariance_camera_rad2=np.diag(rng.random(3)),
            mid_exposure=instant,
            mid_exposure_sigma_s=0.05,
            star_icrs=rng.normal(size=(stars, 3)),
            star_tangent=rng.normal(size=(stars, 2)),
            star_sigma_px=rng.random(stars),
            star_px=rng.normal(size=(stars, 2)),
            scale_arcsec_px=6.4 + rng.random(),
            mirrored=bool(number % 2),
            width_px=1280,
            height_px=960,
            rms_arcsec=rng.random(),
            solver="memory",
        ),
        observed=ObservedAttitude(
            enu_from_camera=rotation_from_vector(rng.normal(size=3)),
            covariance_camera_rad2=np.diag(rng.random(3)),
            instant=instant,
            label=f"frame {number}",
        ),
    )  # fmt: skip


def survey_record(number: int, frames: tuple[FrameRecord, ...] = ()) -> SurveyRecord:
    """A survey whose chi-square is its number."""
    rng = np.random.default_rng(1000 + number)
    axis = np.array([0.0, -np.cos(0.56), np.sin(0.56)])
    estimate = AxisEstimate(
        axis_enu=axis,
        covariance_rad2=np.diag(rng.random(2) * 1e-10),
        chi2=float(number),
        degrees_of_freedom=2,
        residuals_arcsec=rng.normal(size=(3, 3)),
        turn_angles_rad=np.array([0.0, *rng.random(2)]),
        axis_camera=rng.normal(size=3),
        axis_camera_covariance_rad2=np.diag(rng.random(3)),
        instant=NIGHT + timedelta(minutes=number),
        labels=tuple(frame.observed.label for frame in frames),
    )
    return SurveyRecord(
        committed_at=NIGHT + timedelta(minutes=number, seconds=1),
        place=TERRACE,
        target_pole="refracted",
        target_enu=np.array([0.0, 0.0, 1.0]),
        tolerance_arcsec=60.0,
        mechanical_floor_arcsec=3.0,
        frame_keys=tuple(frame.key for frame in frames),
        estimate=estimate,
        correction=correct(
            axis, estimate.covariance_rad2, np.array([0.0, -0.84, 0.54]) / np.hypot(0.84, 0.54),
            tolerance_rad=3e-4,
        ),
        versions={"polewright": "0.1.0", "numpy": "x"},
    )  # fmt: skip


def live_record(number: int) -> LiveRecord:
    return LiveRecord(
        at=NIGHT + timedelta(seconds=number),
        sequence=number,
        frame_key=f"frame-{number}",
        tracking=None,
        held=False,
        setting=LiveSetting(
            survey_instant=NIGHT,
            place=TERRACE,
            target_pole="true",
            target_enu=np.array([0.0, 0.0, 1.0]),
            tolerance_arcsec=60.0,
            mechanical_floor_arcsec=3.0,
        ),
        correction=survey_record(number).correction,
    )


def transition_record(number: int) -> TransitionRecord:
    return TransitionRecord(
        at=NIGHT + timedelta(seconds=number), before="idle", after="surveying", happening="asked"
    )


def placement_record(name: str, at: datetime = NIGHT, mount: str = "", **said: bool):
    known = {"new_marks": False, "stands_already": False, "bolts_turned": False} | said
    return PlacementRecord(at=at, mount=mount, name=name, place=TERRACE, **known)
