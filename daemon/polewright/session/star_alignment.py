"""Star alignment: a few solved fields tell where a mount points when it says something.

As few fields as the wanted go-to error needs, one more that nobody has fitted to check it, and what
the mount is told of it: each field, the last one, or nothing.
"""

import asyncio
import logging
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum

from polewright.core.axis.field_plan import FieldPlan, farthest_field
from polewright.core.axis.goto_error import (
    SkyPoint,
    modelled_goto_rad,
    own_goto_rad,
    sensitivity,
)
from polewright.core.axis.pointing_faults import PointingFault, explain
from polewright.core.axis.pointing_model import PointingFit, fit_pointing
from polewright.core.axis.pointing_priors import without_shape
from polewright.core.axis.sightings import PointingPrior
from polewright.core.errors import DeviceError, MeasurementError, PolewrightError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.geometry.rotations import Matrix, Vector
from polewright.core.sky.mount_frame import right_ascension_deg
from polewright.core.sky.observed import ObservingMoment
from polewright.core.sky.place import Place
from polewright.ports import Clock
from polewright.session.field_sightings import FieldSighting, Shift, sighting_of
from polewright.session.fields_in_reach import FieldsInReach
from polewright.session.frames_at_rest import FramesAtRest
from polewright.session.goto_checks import Check, as_shown_now, check_model, check_mount
from polewright.session.safety import GuardedMount
from polewright.session.stopping import stop_shielded

_log = logging.getLogger(__name__)

# A field that does not solve costs one of these.
_MOST_SPOILED = 8
# A cloud or a tree hides what stands so near to a field that did not solve (deg).
_HIDDEN_DEG = 12.0
# A mount that makes a model of its own needs so many (common practice, no source).
_FIELDS_FOR_ITS_OWN_MODEL = 3
# Fields that are left out before the whole is refused.
_MOST_REJECTED = 2
_MOST_CHECKS = 2


class SyncWay(StrEnum):
    """What the mount is told: every field, the last one, nothing."""

    EACH = "each"
    ONCE = "once"
    NEVER = "never"


@dataclass(frozen=True, slots=True, kw_only=True)
class StarAlignmentWish:
    """How to star-align (settings: ``[star_alignment]``).

    ``goto_arcsec`` is the expected go-to error (rms) at which fewer fields are enough;
    ``repeatability_arcsec`` how well the mount points twice at the same place, each component.
    """

    syncs: SyncWay = SyncWay.ONCE
    goto_arcsec: float = 120.0
    most_fields: int = 8
    repeatability_arcsec: float = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignmentScene:
    """Who takes part, what is known before, and the person's word that a mount may point off."""

    mount: GuardedMount
    frames: FramesAtRest
    place: Place
    clock: Clock
    wish: StarAlignmentWish
    prior: PointingPrior
    settle_s: float
    progress: Callable[[str, int], None]
    tell: Callable[[str, str, str], None]
    points_elsewhere: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AlignmentOutcome:
    """What a star alignment found.

    Attributes
    ----------
    fit : PointingFit or None
        The mount, as it showed itself before any sync; None where its own model hides it.
    fit_now : PointingFit or None
        The same as the mount shows itself now.
    modelled_goto_rad, own_goto_rad : float or None
        Expected go-to error through the model, and by the mount's own coordinates now.
    check : Check
        On the last field.
    fields : int
        Fitted, the last one included.
    rejected, spoiled : int
        Fields that did not fit, and that could not be looked at.
    """

    fit: PointingFit | None
    fit_now: PointingFit | None
    modelled_goto_rad: float | None
    own_goto_rad: float | None
    check: Check
    fields: int
    rejected: int
    spoiled: int


async def run_star_alignment(scene: AlignmentScene) -> AlignmentOutcome:
    """Star-align the mount, which is left at the last field and tracks there.

    Raises
    ------
    MeasurementError
        ``too_few_fields``, ``go_tos_miss``, or what does not fit.
    SafetyError, DeviceError, LinkError
        A motion or a sync was refused, or failed.  The mount has been stopped.
    """
    mount = scene.mount
    mount.require_clear()
    if scene.wish.syncs is not SyncWay.NEVER and not mount.can_sync:
        raise DeviceError(
            f"the driver of {mount.name} cannot be told where it points",
            remedy="Align with --sync never: go-tos then go through the model.",
            code="cannot_sync",
        )
    try:
        return await _Alignment(scene).run()
    except BaseException as failure:
        not_stopped = await stop_shielded(mount)
        if not_stopped is not None and isinstance(failure, PolewrightError):
            raise not_stopped from failure
        raise


@dataclass(slots=True)
class _Alignment:
    """One alignment: the fields so far, and where the next one is."""

    scene: AlignmentScene
    prior: PointingPrior = field(init=False)
    fit: PointingFit = field(init=False)
    reach: FieldsInReach = field(init=False)
    seen: list[FieldSighting] = field(default_factory=list)
    last: FieldSighting = field(init=False)
    visited: list[Vector] = field(default_factory=list)
    shift: Shift = field(default_factory=Shift)
    own_model: bool = False
    rejected: int = 0
    spoiled: int = 0
    trouble: PolewrightError | None = None
    looks: int = 0

    def __post_init__(self) -> None:
        self.prior = self.scene.prior
        self.fit = fit_pointing([], self.prior, self.scene.place)

    async def run(self) -> AlignmentOutcome:
        scene = self.scene
        self.reach = await FieldsInReach.find(scene.mount, scene.place, scene.clock.now())
        await self._look_until_known()
        check = await self._checked()
        if not (self.fit.consistent or self.own_model):
            found = await asyncio.to_thread(explain, self.fit)
            raise MeasurementError(found.words, remedy=found.remedy, code=found.fault.value)
        if self.scene.wish.syncs is SyncWay.ONCE:
            await self._sync(self.last)
        return await asyncio.to_thread(self._outcome, check)

    # -- the plan -----------------------------------------------------------------------------

    async def _look_until_known(self) -> None:
        wish = self.scene.wish
        while len(self.seen) < wish.most_fields:
            fields = await self._open_now()
            plan = await asyncio.to_thread(self._plan, fields)
            needed, promised = plan.needed(
                wish.goto_arcsec * ARCSEC_RAD, most=wish.most_fields - len(self.seen)
            )
            if self.seen and self._known(needed):
                return
            target = plan.next_field(self.visited[-1] if self.visited else self.reach.start_enu)
            if target is None:
                break
            told = f"field {len(self.seen) + 1} of about {len(self.seen) + max(needed, 1)}"
            self._say(f"{told}: go-tos then to {promised / ARCSEC_RAD:.0f} arcsec", len(self.seen))
            if (found := await self._visited(target)) is not None:
                await self._take(found)
        if not self.seen:
            raise self._too_few()

    def _known(self, needed: int) -> bool:
        if self.own_model:
            return len(self.seen) >= _FIELDS_FOR_ITS_OWN_MODEL
        return needed == 0 and self.fit.consistent

    async def _open_now(self) -> list[SkyPoint]:
        status, now = await self.scene.mount.status(), self.scene.clock.now()
        return await asyncio.to_thread(self.reach.open_now, status, now, self._reading)

    def _plan(self, fields: list[SkyPoint]) -> FieldPlan:
        return FieldPlan.of(
            self.fit,
            fields,
            self._weights(),
            sigma_rad=self._repeatability_rad,
            repeatability_rad=self._repeatability_rad,
        )

    def _weights(self) -> Matrix:
        return sensitivity(self.fit.terms, self.reach.sky, self.scene.place)

    @property
    def _repeatability_rad(self) -> float:
        return self.scene.wish.repeatability_arcsec * ARCSEC_RAD

    # -- one field ----------------------------------------------------------------------------

    async def _visited(self, target: SkyPoint) -> FieldSighting | None:
        """Go there and take a frame; None where that is not possible: another field is as good."""
        scene = self.scene
        status, now = await scene.mount.status(), scene.clock.now()
        for place_deg in self.reach.way(status, now, target, self._reading):
            await scene.mount.turn_to(*place_deg)
        await scene.clock.sleep(scene.settle_s)
        self.looks += 1
        before = await scene.mount.status()
        try:
            measured = await scene.frames.take(moved=True, toward_icrs=self._toward(target))
        except MeasurementError as failure:
            self._spoil(target, failure)
            return None
        after, now = await scene.mount.status(), scene.clock.now()
        found = await asyncio.to_thread(
            sighting_of, measured, before, after, scene.place, now, shift=self.shift,
            repeatability_rad=self._repeatability_rad, label=f"field {self.looks}",
        )  # fmt: skip
        await scene.mount.compare(found.solved, confirmed=scene.points_elsewhere)
        self.visited.append(found.sighting.direction_enu)
        # One look tells all that is to be learned there.
        self.reach.leave_out(found.sighting.direction_enu, _HIDDEN_DEG)
        return found

    def _reading(self, target: SkyPoint) -> tuple[float, float]:
        """Return what the mount is to show there (rad)."""
        if self.scene.wish.syncs is SyncWay.EACH and self.seen:
            return target.hour_angle_rad, target.declination_rad
        reading = self.fit.readings_for(
            target.direction_enu, beyond_the_pole=target.beyond_the_pole
        )
        return self.shift.done(*reading, beyond=target.beyond_the_pole)

    def _toward(self, target: SkyPoint) -> Vector | None:
        """Return where the camera looks there; None where the mount's word is all that is known."""
        if not self.seen:
            return None
        place, now = self.scene.place, self.scene.clock.now()
        right_ascension = right_ascension_deg(math.degrees(target.hour_angle_rad), now, place)
        moment = ObservingMoment.at(place, now)
        return moment.icrs_from_of_date(math.radians(right_ascension), target.declination_rad)

    def _spoil(self, target: SkyPoint, trouble: PolewrightError) -> None:
        self.trouble = trouble
        self.spoiled += 1
        _log.info("another field instead: %s", trouble)
        self._say(f"{trouble.text}: another field instead", len(self.seen))
        self.reach.leave_out(target.direction_enu, _HIDDEN_DEG)
        if self.spoiled > _MOST_SPOILED:
            raise self._too_few()

    def _too_few(self) -> MeasurementError:
        why = self.trouble
        return MeasurementError(
            f"only {len(self.seen)} fields could be used, and two are the least that check each "
            "other" + (f" (the last one failed: {why.text})" if why else ""),
            remedy=why.remedy if why else "Wait for clear sky, then align again.",
            code="too_few_fields",
        )

    # -- what the fields tell -----------------------------------------------------------------

    async def _take(self, found: FieldSighting) -> None:
        """Learn from a field, and let the mount learn where it shall."""
        self.seen.append(found)
        self.last = found
        await self._refit()
        if self.scene.wish.syncs is SyncWay.EACH:
            await self._sync(found)

    async def _refit(self) -> None:
        try:
            self.fit = await asyncio.to_thread(self._fitted)
        except MeasurementError:
            if self.scene.wish.syncs is not SyncWay.EACH:
                raise
            self.own_model = True
            return
        if self.fit.consistent or self.own_model:
            return
        if self.scene.wish.syncs is SyncWay.EACH and len(self.seen) > 1:
            # Only a mount whose syncs shift its zero points shows what it showed before.
            self.own_model = True
            return
        await self._face_misfit()

    def _fitted(self) -> PointingFit:
        return fit_pointing([one.sighting for one in self.seen], self.prior, self.scene.place)

    async def _face_misfit(self) -> None:
        found = await asyncio.to_thread(explain, self.fit)
        match found.fault:
            case PointingFault.REMOUNTED if found.fit is not None:
                self.scene.tell(found.words, found.remedy, found.fault.value)
                self.prior, self.fit = without_shape(self.prior), found.fit
                return
            case PointingFault.ONE_FIELD if self.rejected < _MOST_REJECTED and found.fit:
                _log.warning("%s", found.words)
                self.rejected += 1
                self.seen = [one for one in self.seen if one.sighting.label != found.field]
                self.fit = found.fit
                return
            case PointingFault.UNKNOWN if len(self.seen) < self.scene.wish.most_fields:
                self._say("the fields disagree: one more shows why", len(self.seen))
                return
        raise MeasurementError(found.words, remedy=found.remedy, code=found.fault.value)

    async def _checked(self) -> Check:
        """Look at a field that no fit has seen, and learn from it as well."""
        for _ in range(_MOST_CHECKS):
            found = None
            while found is None:
                target = farthest_field(await self._open_now(), self.visited)
                if target is None:
                    raise self._too_few()
                self._say("checking on a field that was not used", len(self.seen))
                found = await self._visited(target)
            check, kept = await asyncio.to_thread(self._compared, found)
            await self._take(found)
            if kept:
                return check
            _log.warning(
                "%s: %.0f arcsec off, %.0f promised", found.sighting.label,
                check.met_rad / ARCSEC_RAD, (check.promised_rad or 0.0) / ARCSEC_RAD,
            )  # fmt: skip
        raise MeasurementError(
            f"go-tos miss by {check.met_rad / ARCSEC_RAD:.0f} arcsec where "
            f"{(check.promised_rad or 0.0) / ARCSEC_RAD:.0f} were promised, twice",
            remedy="Check clutches, clamps and cables. A mount that points less repeatably than it "
            "is taken to: set [star_alignment] repeatability_arcsec.",
            code="go_tos_miss",
        )

    def _compared(self, found: FieldSighting) -> tuple[Check, bool]:
        """Return what was promised and met there, and whether that is no more than chance."""
        if self.scene.wish.syncs is not SyncWay.EACH:
            return check_model(self.fit, found)
        fit = None if self.own_model else self.fit
        return check_mount(fit, found, self.scene.place, self.scene.clock.now()), True

    # -- what the mount is told ---------------------------------------------------------------

    async def _sync(self, found: FieldSighting) -> None:
        mount = self.scene.mount
        self._say("telling the mount where it points", len(self.seen))
        before = await mount.status()
        await mount.sync_to(found.solved, confirmed=self.scene.points_elsewhere)
        self.shift = self.shift.after(before, await mount.status())
        _log.info("%s was told where it points", mount.name)

    def _outcome(self, check: Check) -> AlignmentOutcome:
        fit = None if self.own_model else self.fit
        now = None if fit is None else as_shown_now(fit, self.shift)
        modelled = own = None
        if fit is not None and now is not None:
            modelled = modelled_goto_rad(
                fit.covariance_rad2, self._weights(), self._repeatability_rad
            )
            own = own_goto_rad(now, self.reach.sky, self._repeatability_rad)
        return AlignmentOutcome(
            fit=fit,
            fit_now=now,
            modelled_goto_rad=modelled,
            own_goto_rad=own,
            check=check,
            fields=len(self.seen),
            rejected=self.rejected,
            spoiled=self.spoiled,
        )

    def _say(self, step: str, fields: int) -> None:
        most = max(self.scene.wish.most_fields, 1)
        self.scene.progress(step, min(95, 90 * fields // most))
