"""Verifying: whether the axis is still good enough before imaging begins, and whether it moved.

A quick look first, which turns nothing; a survey where that cannot tell and the mount may move.
"""

import asyncio
import logging
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from polewright.core.axis.correction import Verdict
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.errors import MeasurementError, PolewrightError, SafetyError, UsageError
from polewright.core.geometry.directions import sky_tangents
from polewright.session.known_axis import KnownAxis
from polewright.session.last_axis import axis_before
from polewright.session.messages import Message
from polewright.session.quick_look import quick_look
from polewright.session.surveying import survey_axis
from polewright.session.verification import AxisMove, Depth, Verification, Why
from polewright.session.workplace import Workplace

_log = logging.getLogger(__name__)

# A mount that begins to turn without anybody who asked for it is told of before (s).
WARNING_S = 30.0


async def verify_axis(work: Workplace, arguments: Mapping[str, Any]) -> Message:
    """Verify the axis, tell what came out, and open the gate where it is good enough.

    Raises
    ------
    SafetyError, DeviceError, LinkError
        A motion was refused or failed, or a device did; told as ``cannot_tell`` before.
    """
    scheduled = bool(arguments.get("scheduled"))
    depth = Depth(arguments.get("depth") or Depth.AUTO)
    try:
        outcome = await _verified(work, depth, arguments)
        if work.stop_asked():
            # A device may take seconds to confirm a stop, and work ends only after it: what comes
            # out meanwhile opens nothing.
            raise asyncio.CancelledError
    except PolewrightError as failure:
        _tell(work, _cannot(Depth.FULL, Why.of(failure), scheduled=scheduled))
        raise
    except asyncio.CancelledError:
        stopped = Why(
            code="stopped",
            text="the verification was stopped, or the devices went away",
            remedy="Verify again when ready: polewright verify.",
        )
        _tell(work, _cannot(depth, stopped, scheduled=scheduled))
        raise
    return _tell(work, replace(outcome, scheduled=scheduled))


async def _verified(work: Workplace, depth: Depth, arguments: Mapping[str, Any]) -> Verification:
    before, untold = await axis_before(work)
    quick: Verification | None = None
    if depth is not Depth.FULL:
        quick = await quick_look(work, before, untold, arguments)
        if depth is Depth.QUICK or _settles(quick):
            return quick
        if quick.why is not None:
            _say(work, f"{quick.why.text}: a survey is needed", 20)
    if (hindered := _hindered(work, arguments)) is not None:
        return _without_survey(quick, hindered)
    if arguments.get("scheduled"):
        await _warn(work)
    try:
        return await _surveyed(work, before, untold, arguments)
    except (MeasurementError, UsageError) as failure:
        return _without_survey(quick, Why.of(failure))


async def _surveyed(
    work: Workplace, before: KnownAxis | None, untold: Why | None, arguments: Mapping[str, Any]
) -> Verification:
    of_survey = {k: v for k, v in arguments.items() if k not in ("depth", "scheduled")}
    await survey_axis(work, of_survey)
    memory = work.memory
    estimate = memory.survey
    assert estimate is not None
    correction = memory.wishes.correction_of(estimate, work.place)
    went = None if before is None else _between(before, estimate)
    return Verification(
        depth=Depth.FULL,
        verdict=correction.verdict,
        moved=None if went is None else went.moved,
        went=went,
        correction=correction,
        frames=estimate.frames,
        why=untold if went is None else None,
    )


def _between(before: KnownAxis, estimate: AxisEstimate) -> AxisMove:
    tangents = np.stack(sky_tangents(estimate.axis_enu))
    return AxisMove(
        axis_enu=estimate.axis_enu,
        move_rad=tangents @ (estimate.axis_enu - before.axis_enu),
        covariance_rad2=before.covariance_rad2 + estimate.covariance_rad2,
        since=before.instant,
    )


def _settles(quick: Verification) -> bool:
    """Return whether a quick look is an answer."""
    return quick.moved is False and quick.verdict is not Verdict.CANNOT_TELL


def _without_survey(quick: Verification | None, hindered: Why) -> Verification:
    """Return what is left where no survey can be made: what the look showed, and why no more."""
    if quick is None:
        return _cannot(Depth.FULL, hindered)
    if quick.why is None:
        return replace(quick, why=hindered)
    both = Why(
        code=quick.why.code,
        text=f"{quick.why.text}; and no survey: {hindered.text}",
        remedy=hindered.remedy,
    )
    return replace(quick, why=both)


def _hindered(work: Workplace, arguments: Mapping[str, Any]) -> Why | None:
    """Return why the mount is not moved for a survey; None where it may be."""
    mount = work.devices.mount
    if mount is None:
        return Why(
            code="no_mount",
            text="no mount is connected that the service could turn",
            remedy="Measure by hand: polewright survey --by-hand.",
        )
    if arguments.get("scheduled") and not work.memory.wishes.schedule.may_move:
        return Why(
            code="schedule_may_not_move",
            text="the schedule does not move the mount",
            remedy="Look that it is clear, then: polewright verify --full --clear.",
        )
    try:
        mount.require_clear()
    except SafetyError as refused:
        return Why(
            code=refused.code,
            text=refused.text,
            remedy="Look that it is clear, then: polewright verify --clear.",
        )
    return None


async def _warn(work: Workplace) -> None:
    """Tell that the mount will move, with time to stop it."""
    work.teller.event(
        f"a scheduled verification moves the mount in {WARNING_S:.0f} s",
        remedy="Keep people and cables away, or stop it: polewright stop.",
        code="schedule_moves",
    )
    _say(work, f"the mount moves in {WARNING_S:.0f} s: keep away, or stop", 20)
    await work.clock.sleep(WARNING_S)


def _tell(work: Workplace, outcome: Verification) -> Message:
    """Tell the outcome to everybody, and return it."""
    message = outcome.message(work.clock.now())
    work.teller.schedule(last=message)
    code = f"verified_{outcome.verdict.value}"
    if outcome.good and not outcome.moved:
        work.teller.tell(outcome.words, remedy="Leave bolts and tripod alone.", code=code)
    else:
        if outcome.moved and outcome.went is not None:
            work.teller.event(
                f"the axis, or what carries the camera, moved {outcome.went.words} since "
                f"{outcome.went.since:%H:%M} UTC",
                remedy="Look at tripod, cables and clamps.",
                code="moved",
            )
        remedy = outcome.why.remedy if outcome.why else "Turn the bolts: polewright adjust."
        work.teller.event(f"verification: {outcome.words}", remedy=remedy, code=code)
    if outcome.good and work.gate is not None:
        work.gate.open(message)
    return message


def _say(work: Workplace, step: str, percent: int) -> None:
    work.teller.state(step=step, percent=percent)
    work.reply({"step": step, "percent": percent})


def _cannot(depth: Depth, why: Why, *, scheduled: bool = False) -> Verification:
    return Verification(depth=depth, verdict=Verdict.CANNOT_TELL, why=why, scheduled=scheduled)
