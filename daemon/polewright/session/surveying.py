"""Surveying: the evening's survey, from what was asked to what is kept and told of it."""

import logging
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from polewright.core.errors import UsageError
from polewright.core.imaging.stars import is_trailed
from polewright.ports import PierSide
from polewright.session.bracket_learning import learn_from_survey
from polewright.session.dusk import first_stars
from polewright.session.following import Standing
from polewright.session.hand_survey import run_hand_survey
from polewright.session.known_axis import KnownAxis
from polewright.session.messages import Message, survey_message
from polewright.session.survey import SurveyScene, run_survey
from polewright.session.workplace import Workplace

_log = logging.getLogger(__name__)


async def survey_axis(work: Workplace, arguments: Mapping[str, Any]) -> Message:
    """Survey the axis, remember and keep what was found, and return it as it is told.

    Raises
    ------
    UsageError
        ``no_mount``: only a mount that is connected turns by itself.
    PolewrightError
        What the survey raises.
    """
    devices, memory, teller = work.devices, work.memory, work.teller
    mount, place = devices.mount, devices.place
    by_hand = bool(arguments.get("by_hand"))
    if mount is None and not by_hand:
        raise UsageError(
            "no mount is connected, so the service cannot turn it for a survey",
            remedy="Connect the mount in the INDI server, name it in [mount] device, or turn "
            "the axis yourself: polewright survey --by-hand.",
            code="no_mount",
        )

    def progress(step: str, frames: int, percent: int) -> None:
        teller.state(step=step, frames=frames, percent=percent)
        work.reply({"step": step, "percent": percent})

    before = memory.wishes
    wishes = before.asked(arguments)
    work.keeper.begin_survey()
    began_s = work.clock.monotonic()
    scene = SurveyScene(
        mount=mount,
        measurer=devices.measurer,
        place=place,
        clock=work.clock,
        wish=wishes.survey,
        progress=progress,
        exposures=devices.exposures,
    )
    if arguments.get("at_dusk"):
        if mount is not None and not by_hand:
            mount.require_clear()  # sooner than at dusk, when nobody may be there any more
        await first_stars(scene)
    work.keeper.begin_survey()
    outcome = await (run_hand_survey(scene) if by_hand else run_survey(scene))
    estimate = outcome.estimate
    if (short := outcome.cut_short) is not None:
        teller.event(
            f"{short.text}; the survey's {len(estimate.labels)} frames before that were enough "
            "for an answer, and the mount was stopped where it is",
            remedy=short.remedy,
            code="survey_cut_short",
        )
    if outcome.left_out:
        teller.event(
            f"the tube went to the other side of the pier in the survey: its first "
            f"{outcome.left_out} frames do not count, the {len(estimate.labels)} since do",
            remedy="Nothing. Stay on this side while adjusting: declination moves with every "
            "change of side.",
            code="other_pier_side",
        )
    trails = [each for each in work.keeper.elongations_of(estimate) if is_trailed(each)]
    if trails:
        teller.event(
            f"the stars are trails in {len(trails)} of the survey's {len(estimate.labels)} frames, "
            f"up to {max(trails):.1f} times longer than wide; each is measured in the middle of "
            "its trail, and the uncertainty is larger for it",
            remedy="Let the mount track, keep hands off, expose shorter ([camera] exposure_s), or "
            "wait longer after a slew ([survey] settle_s).",
            code="trailed_frames",
        )
    memory.survey, memory.kept = estimate, None
    if memory.wishes is before:
        memory.wishes = wishes
    else:  # a plan was set meanwhile: it holds from now on, for this verdict too
        wishes = memory.wishes
    memory.axis = KnownAxis.surveyed(estimate)
    standing = Standing.of(await mount.status()) if mount else Standing()
    memory.standing = replace(
        standing,
        mount=mount.name if mount else "",
        camera=devices.camera.name,
        scale_arcsec_px=devices.measurer.scale_arcsec_px,
        syncs=mount.syncs if mount else 0,
        # Of the frames that count, wherever the tube is by now.
        pier_side=standing.pier_side if outcome.side is PierSide.UNKNOWN else outcome.side,
    )
    result = wishes.correction_of(estimate, place)
    message = survey_message(
        estimate, result, wishes.target_pole, further_sigma_rad=outcome.further_sigma_rad
    )
    not_kept = await work.keeper.commit_survey(
        estimate,
        result,
        place,
        target_pole=wishes.target_pole,
        target_enu=wishes.target_enu(place),
        tolerance_arcsec=wishes.tolerance_arcsec,
        mechanical_floor_arcsec=scene.wish.mechanical_floor_arcsec,
        standing=memory.standing,
        mount=mount.name if mount else "",
    )
    if not_kept is not None:
        teller.event(
            f"this survey is not kept and a restart would forget it: {not_kept.text}",
            remedy=not_kept.remedy,
            code="survey_not_kept",
        )
    learn_from_survey(work, estimate, began_s)
    message = teller.survey(message)
    _log.info(
        "survey: %s; %s (off by %.2f arcmin +- %.2f; %s)",
        result.altitude_words, result.azimuth_words,
        result.total_error_arcmin, result.total_error_sigma_arcmin, result.verdict.value,
    )  # fmt: skip
    return message
