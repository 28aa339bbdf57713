"""A made-up journal: a mount that is put back on its marks evening after evening."""

import math
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from polewright.adapters.journal.store import JournalStore
from polewright.core.axis.correction import correct
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.knobs import Bolt, Knob, after_turn
from polewright.core.geometry.directions import (
    ARCMIN_RAD,
    ARCSEC_RAD,
    altaz_from_enu,
    enu_from_altaz,
)
from polewright.core.records import (
    KnobRecord,
    LiveRecord,
    LiveSetting,
    SurveyRecord,
    TransitionRecord,
)
from polewright.core.sky.observed import pole_enu
from tests.unit.adapters.journal_records import NIGHT, TERRACE, frame_record, placement_record

TARGET = pole_enu(TERRACE, refracted=True)
SIGMA_RAD = 4.0 * ARCSEC_RAD


def correction_of(altitude_arcmin: float, azimuth_arcmin: float):
    altitude, azimuth = altaz_from_enu(TARGET)
    axis = enu_from_altaz(
        altitude + altitude_arcmin * ARCMIN_RAD, azimuth + azimuth_arcmin * ARCMIN_RAD
    )
    covariance = np.eye(2) * SIGMA_RAD**2
    tolerance = 60.0 * ARCSEC_RAD
    return axis, covariance, correct(axis, covariance, TARGET, tolerance_rad=tolerance)


class Diarist:
    """Writes evenings into a journal as a service would have."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.at = NIGHT
        self.count = 0
        self.store: JournalStore | None = None

    def evening(self, at: datetime) -> "Diarist":
        if self.store is not None:
            self.store.close()
        self.at = at
        self.store = JournalStore(self.path, now=lambda: self.at)
        return self

    def close(self) -> None:
        assert self.store is not None
        self.store.close()

    def placed(self, name: str, **said: bool) -> "Diarist":
        self.store.add_placement(placement_record(name, at=self.at, mount="Kudu", **said))
        self.at += timedelta(minutes=9)
        return self

    def _phase(self, before: str, after: str, why: str, code: str | None = None) -> None:
        self.store.add_transition(
            TransitionRecord(at=self.at, before=before, after=after, happening=why, code=code)
        )

    def surveyed(self, altitude: float, azimuth: float, mount: str = "Kudu") -> "Diarist":
        self._phase("idle", "surveying", "survey asked")
        self.at += timedelta(minutes=3)
        self.count += 3
        frames = tuple(frame_record(self.count + index) for index in range(3))
        axis, covariance, correction = correction_of(altitude, azimuth)
        rng = np.random.default_rng(self.count)
        estimate = AxisEstimate(
            axis_enu=axis, covariance_rad2=covariance, chi2=3.1, degrees_of_freedom=4,
            residuals_arcsec=rng.normal(size=(3, 3)), turn_angles_rad=np.array([0.0, 0.4, 0.8]),
            axis_camera=np.array([0.0, 0.0, 1.0]), axis_camera_covariance_rad2=np.eye(3) * 1e-10,
            instant=self.at - timedelta(seconds=5),
            labels=tuple(frame.observed.label for frame in frames),
        )  # fmt: skip
        self.survey = SurveyRecord(
            committed_at=self.at, place=TERRACE, target_pole="refracted", target_enu=TARGET,
            tolerance_arcsec=60.0, mechanical_floor_arcsec=3.0,
            frame_keys=tuple(frame.key for frame in frames), estimate=estimate,
            correction=correction, versions={"polewright": "0.1.0", "numpy": "2.0"}, mount=mount,
        )  # fmt: skip
        self.store.commit_survey(self.survey, frames)
        self._phase("surveying", "idle", "done")
        self.at += timedelta(minutes=2)
        return self

    def adjusted(self, altitude: float, azimuth: float, steps: int = 40) -> "Diarist":
        begin = self.survey.correction
        self._phase("idle", "adjusting", "adjust asked")
        setting = LiveSetting(
            survey_instant=self.survey.estimate.instant, place=TERRACE, target_pole="refracted",
            target_enu=TARGET, tolerance_arcsec=60.0, mechanical_floor_arcsec=3.0,
        )  # fmt: skip
        for step in range(1, steps + 1):
            self.at += timedelta(seconds=6)
            part = math.exp(-6.0 * step / steps) if step < steps else 0.0
            _, _, now = correction_of(
                altitude + part * (begin.altitude_error_arcmin - altitude),
                azimuth + part * (begin.azimuth_error_arcmin - azimuth),
            )
            self.store.add_live(
                LiveRecord(
                    at=self.at, sequence=step, frame_key="", tracking=True, held=False,
                    setting=setting, correction=now,
                )
            )  # fmt: skip
        self._phase("adjusting", "idle", "stopped")
        self.at += timedelta(minutes=2)
        return self

    def turned(self, bolt: Bolt, turns: float, went_arcmin: float) -> "Diarist":
        knob = after_turn(Knob(), turns, went_arcmin * ARCMIN_RAD, 3.0 * ARCSEC_RAD)
        self.store.add_knob(KnobRecord(at=self.at, mount="Kudu", bolt=bolt, knob=knob))
        return self


def write_evenings(path: Path) -> Path:
    """Five evenings: marks drawn, three returns 12 arcmin too low, one with no survey."""
    diarist = Diarist(path).evening(NIGHT)
    diarist.placed("terrace", new_marks=True).surveyed(48.0, -31.0).adjusted(0.1, 0.2)
    diarist.turned(Bolt.ALTITUDE, 0.5, 15.2).turned(Bolt.AZIMUTH, -0.25, 6.1).surveyed(0.15, 0.1)
    for week, (low, off) in enumerate(((-12.0, 3.0), (-11.0, -2.0), (-13.5, 1.0)), 1):
        diarist.evening(NIGHT + timedelta(days=7 * week))
        diarist.placed("terrace").surveyed(0.15 + low, 0.1 + off)
        diarist.adjusted(0.15, 0.1)
    diarist.evening(NIGHT + timedelta(days=28)).placed("terrace")
    diarist.close()
    return path


def write_pier(path: Path) -> Path:
    """A pier that sinks by 0.2 arcmin a week, surveyed each week, its bolts turned once."""
    diarist = Diarist(path).evening(NIGHT)
    rng = np.random.default_rng(4)
    level = 0.0
    for week in range(10):
        diarist.evening(NIGHT + timedelta(days=7 * week))
        diarist.surveyed(level - 0.2 * week + rng.normal(0.0, 0.05), 0.4 + rng.normal(0.0, 0.05))
        if week == 5:
            diarist.adjusted(0.0, 0.4)
            level = 1.0
    diarist.close()
    return path
