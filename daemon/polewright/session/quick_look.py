"""Quick look: one to three frames against the last survey; nothing turns.

Agreement says that nothing moved, whatever may have happened meanwhile: a base that moved and a
camera that turned by just as much the other way do not come together.  A disagreement is told as a
move, with what else it may be.
"""

import asyncio
import logging
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from polewright.core.axis.correction import Correction, Verdict, amount_words, correct
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.second_look import (
    MOST_FRAMES,
    AxisThen,
    DeclinationTurn,
    SecondLook,
    look_again,
)
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.imaging.optical_train import same_scale
from polewright.ports import MountStatus, PierSide
from polewright.session.following import Standing
from polewright.session.keeping import age_s, age_words
from polewright.session.known_axis import KnownAxis
from polewright.session.measuring import Measured, believed_direction
from polewright.session.sky_fields import is_beyond
from polewright.session.verification import AxisMove, Depth, Verification, Why
from polewright.session.wishes import EveningWishes
from polewright.session.workplace import Workplace

_log = logging.getLogger(__name__)

# A frame that does not solve (a cloud, a gust) is tried this often in all.
_MOST_FAILURES = 2
_FULL = "Survey again, which moves the mount: polewright verify --full --clear."


async def quick_look(
    work: Workplace,
    before: KnownAxis | None,
    untold: Why | None,
    arguments: Mapping[str, Any],
) -> Verification:
    """Return what a few frames say; ``cannot_tell``, with the reason, where they say nothing.

    Raises
    ------
    DeviceError, LinkError
        From camera and mount.
    """
    wishes = work.memory.wishes = work.memory.wishes.asked(arguments)
    status = await _status(work)
    why = untold or _doubted(before) or _hindered(work, wishes, status) or _too_rough(work, before)
    if why is None and before is not None and work.memory.survey is not None:
        looking = _Looking(work, wishes, work.memory.survey, before, status)
        try:
            return await looking.run()
        except MeasurementError as failure:
            why = Why.of(failure)
    return Verification(depth=Depth.QUICK, verdict=Verdict.CANNOT_TELL, why=why)


async def _status(work: Workplace) -> MountStatus | None:
    mount = work.devices.mount
    return None if mount is None else await mount.status()


def _doubted(before: KnownAxis | None) -> Why | None:
    """Return why an axis is none to hold a frame against.

    What a watch saw move may be camera or declination: a look agrees with it either way.
    """
    if before is None or not before.doubtful:
        return None
    return _no(
        "axis_not_seen_since",
        "the watch saw something move, and nobody surveyed the axis since",
    )


def _too_rough(work: Workplace, before: KnownAxis | None) -> Why | None:
    """Return why an axis is known too roughly to vouch for what a frame shows: by a sensor, say."""
    survey = work.memory.survey
    if before is None or survey is None or before.instant == survey.instant:
        return None
    sigma_rad = math.sqrt(float(np.linalg.eigvalsh(before.covariance_rad2)[-1]))
    if sigma_rad <= 0.5 * work.memory.wishes.tolerance_arcsec * ARCSEC_RAD:
        return None
    return _no(
        "axis_known_roughly",
        f"since the survey the axis was seen to {amount_words(sigma_rad, sigma_rad)} only, too "
        "roughly to tell that camera and declination were left as they were",
    )


def _hindered(work: Workplace, wishes: EveningWishes, status: MountStatus | None) -> Why | None:
    """Return why frames of now would say nothing; None where they do."""
    memory = work.memory
    survey, standing = memory.survey, memory.standing or Standing()
    if survey is None:
        return _no("no_survey", "there is no survey by stars to hold a frame against")
    if not survey.roll_used:
        return _no(
            "roll_untrusted",
            "the survey could not trust the pictures' roll, and one frame tells nothing without it",
        )
    age = age_s(survey, work.clock.now())
    if age is None or age > wishes.schedule.survey_holds.total_seconds():
        return _no(
            "survey_too_old",
            f"the survey is {age_words(age)}, and nobody knows whether camera and declination "
            "were left as they were",
        )
    if memory.kept is not None:
        return _no(
            "not_watched_since",
            "the service was started anew since the survey, and nobody knows whether camera and "
            "mount were left as they were",
        )
    if standing.camera and standing.camera != work.devices.camera.name:
        return _no("optics_changed", "another camera is in use than at the survey")
    return None if status is None else _mount_hinders(work, wishes, status, standing)


def _mount_hinders(
    work: Workplace, wishes: EveningWishes, status: MountStatus, standing: Standing
) -> Why | None:
    if status.slewing:
        return _no("mount_moves", "the mount moves", "Wait until it stands, then verify again.")
    told_deg = _told_deg(work, standing)
    if told_deg is None:
        return _no(
            "synced_since",
            "the mount was told where it points since the survey, more than once or otherwise than "
            "can be undone, so its declination cannot be compared",
        )
    if standing.declination_deg is not None and status.declination_deg is not None:
        turn = _turn_of(work, status, standing)
        if turn.sigma_rad > 0.5 * wishes.tolerance_arcsec * ARCSEC_RAD:
            there = standing.declination_deg + told_deg
            return _no(
                "declination_moved",
                f"declination stands {abs(math.degrees(turn.turn_rad)):.1f} deg from where it "
                "stood at the survey, too far for what is known of this telescope",
                f"{way_back(there)} A star alignment teaches what is needed to look from anywhere.",
            )
    return None


def way_back(there_deg: float) -> str:
    """Return what to do, with the survey's declination as the mount shows it now (deg).

    A mount that was told where it points after a survey at the pole may show it past the pole,
    where nobody can send it.
    """
    anew = "survey anew: polewright verify --full --clear."
    if abs(there_deg) > 90.0:
        return f"What the mount shows now has the survey's place past the pole: {anew}"
    return (
        f"Go back to declination {there_deg:+.2f} deg, as the mount shows it, and verify again; "
        f"or {anew}"
    )


def _told_deg(work: Workplace, standing: Standing) -> float | None:
    """Return by how much the mount's declination was changed by telling it where it points (deg).

    None where that is not known: told more than once a mount may bend what it shows, and on the
    other side of the pier a change counts the other way.
    """
    mount = work.devices.mount
    if mount is None or mount.syncs == standing.syncs:
        return 0.0
    if mount.syncs != standing.syncs + 1 or mount.last_sync is None:
        return None
    change_deg, side = mount.last_sync
    return None if _differ(side, standing.pier_side) else change_deg


def _turn_of(work: Workplace, status: MountStatus | None, standing: Standing) -> DeclinationTurn:
    """Return how far declination was turned since the survey, and what is known of its axis."""
    mount = work.devices.mount
    now = None if status is None else status.declination_deg
    if mount is None or now is None or standing.declination_deg is None:
        return DeclinationTurn()
    known = work.experience.pointing(mount.name, work.devices.camera.name, at_home=False)
    change_deg = now - standing.declination_deg - (_told_deg(work, standing) or 0.0)
    return DeclinationTurn(
        turn_rad=math.radians(change_deg),
        shape_rad=(known.mean.cone_rad, known.mean.non_perpendicularity_rad),
        shape_covariance_rad2=known.covariance_rad2[4:6, 4:6],
        beyond_the_pole=is_beyond(standing.pier_side),
    )


def _differ(one: PierSide, other: PierSide) -> bool:
    return PierSide.UNKNOWN not in (one, other) and one is not other


@dataclass(slots=True)
class _Looking:
    """One quick look, from its first frame to its answer."""

    work: Workplace
    wishes: EveningWishes
    survey: AxisEstimate
    before: KnownAxis
    status: MountStatus | None
    _frames: list[ObservedAttitude] = field(default_factory=list)
    _failures: int = 0

    @property
    def _standing(self) -> Standing:
        return self.work.memory.standing or Standing()

    async def run(self) -> Verification:
        """Look until it is clear, three frames at most."""
        while True:
            count = len(self._frames)
            self._say(f"frame {count + 1}" if count else "a first frame", 25 * count)
            measured = await self._frame()
            self._refuse_other_optics(measured)
            self._frames.append(measured.observed)
            look = await asyncio.to_thread(self._look)
            correction = self._correction(look)
            clear = not look.doubtful and _sure(correction) is not Verdict.CANNOT_TELL
            if clear or len(self._frames) >= MOST_FRAMES:
                return self._answer(look, correction)

    def _say(self, step: str, percent: int) -> None:
        self.work.teller.state(step=step, frames=len(self._frames), percent=percent)
        self.work.reply({"step": step, "percent": percent})

    async def _frame(self) -> Measured:
        devices = self.work.devices
        exposure_s = self.wishes.survey.exposure_s
        while True:
            direction = None
            if self.status is not None:
                direction = believed_direction(self.status, self.work.place, self.work.clock)
            try:
                if exposure_s is None:
                    found = await devices.exposures.find(devices.measurer, direction)
                    return found.measured
                return await devices.measurer.measure(exposure_s, direction)
            except MeasurementError as failure:
                self._failures += 1
                if self._failures >= _MOST_FAILURES or exposure_s is None:
                    raise
                _log.info("no solution, one more try: %s", failure)

    def _refuse_other_optics(self, measured: Measured) -> None:
        then, now = self._standing.scale_arcsec_px, measured.attitude.scale_arcsec_px
        if then and not same_scale(now, then):
            raise MeasurementError(
                f"the picture's scale is {now:.2f} arcsec per pixel and was {then:.2f} at the "
                "survey: another camera or telescope",
                remedy=_FULL,
                code="optics_changed",
            )

    def _look(self) -> SecondLook:
        known = self.before.instant != self.survey.instant
        return look_again(
            self._frames,
            AxisThen(
                survey=self.survey,
                axis_enu=self.before.axis_enu if known else None,
                covariance_rad2=self.before.covariance_rad2 if known else None,
            ),
            mechanical_floor_arcsec=self.wishes.survey.mechanical_floor_arcsec,
            repeatability_arcsec=self.wishes.star_alignment.repeatability_arcsec,
            declination=_turn_of(self.work, self.status, self._standing),
            south=self.work.place.south,
        )

    def _correction(self, look: SecondLook) -> Correction:
        wishes = self.work.memory.wishes  # a plan may have been set since the look began
        return correct(
            look.axis_enu,
            look.covariance_rad2,
            wishes.target_enu(self.work.place),
            tolerance_rad=wishes.tolerance_arcsec * ARCSEC_RAD,
            trustworthy=look.steady,
        )

    def _answer(self, look: SecondLook, correction: Correction) -> Verification:
        went = AxisMove(
            axis_enu=look.axis_enu,
            move_rad=look.move_rad,
            covariance_rad2=look.move_covariance_rad2,
            since=self.before.instant,
        )
        verdict, moved = _sure(correction), look.moved
        why = None
        if not look.steady:
            why = _no(
                "frames_disagree",
                "the frames disagree with one another: wind, a cable, or somebody at the mount",
                "Let it rest, then verify again: polewright verify.",
            )
        elif moved and self._flipped():
            return Verification(
                depth=Depth.QUICK,
                verdict=Verdict.CANNOT_TELL,
                frames=look.frames,
                why=_no(
                    "other_pier_side", "the tube is on the other side of the pier than at the "
                    "survey",
                ),
            )  # fmt: skip
        elif moved:
            # What moved is not known to be the axis: what it shows is no ground for 'good enough'.
            verdict = Verdict.NOT_YET if verdict is Verdict.NOT_YET else Verdict.CANNOT_TELL
            why = _no("moved", _may_be(look))
            memory = self.work.memory
            memory.axis, memory.doubted = None, self.before
        elif verdict is Verdict.CANNOT_TELL:
            why = _no("too_coarse", "so few frames at this place are too coarse for the tolerance")
        return Verification(
            depth=Depth.QUICK,
            verdict=verdict,
            moved=moved if look.steady else None,
            went=went if look.steady else None,
            correction=correction if look.steady else None,
            frames=look.frames,
            why=why,
        )

    def _flipped(self) -> bool:
        now = PierSide.UNKNOWN if self.status is None else self.status.pier_side
        return _differ(self._standing.pier_side, now)


def _sure(correction: Correction) -> Verdict:
    """Return the verdict; where two sigma either way leave it open, a survey can tell."""
    lowest = correction.total_error_arcmin - 2.0 * correction.total_error_sigma_arcmin
    if correction.verdict is Verdict.NOT_YET and lowest <= correction.tolerance_arcmin:
        return Verdict.CANNOT_TELL
    return correction.verdict


def _may_be(look: SecondLook) -> str:
    if look.like_declination:
        return (
            "the tripod moved, or the declination axis slipped, or the mount was told where it "
            "points by another program: one place in the sky cannot tell them apart"
        )
    return (
        "the tripod moved, or the camera was turned or bent in its holder: one place in the sky "
        "cannot tell them apart"
    )


def _no(code: str, text: str, remedy: str = _FULL) -> Why:
    return Why(code=code, text=text, remedy=remedy)
