"""Aligning: the evening's star alignment, from what was asked to what is kept and told of it."""

import logging
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any

import numpy as np

from polewright.core.axis.pointing_priors import AXIS_HOLDS_RAD
from polewright.core.axis.sightings import PointingPrior
from polewright.core.errors import DeviceError, UsageError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.records import PointingRecord
from polewright.core.sky.observed import pole_enu
from polewright.core.sky.place_sources import PlaceReading, Source, place_doubts
from polewright.session.frames_at_rest import FramesAtRest
from polewright.session.messages import Message
from polewright.session.pointing_message import pointing_message, terms_words
from polewright.session.safety import GuardedMount
from polewright.session.star_alignment import (
    AlignmentOutcome,
    AlignmentScene,
    StarAlignmentWish,
    SyncWay,
    run_star_alignment,
)
from polewright.session.workplace import Workplace

_log = logging.getLogger(__name__)


async def align_stars(work: Workplace, arguments: Mapping[str, Any]) -> Message:
    """Star-align the mount, remember and keep what was found, and return it as it is told.

    Raises
    ------
    UsageError
        ``no_mount``: only a mount that goes to a place by itself is star-aligned.
    PolewrightError
        What the alignment raises.
    """
    devices, teller = work.devices, work.teller
    mount = devices.mount
    if mount is None or not mount.can_slew:
        raise UsageError(
            "no mount that goes to a place by itself is connected, so there is nothing to align",
            remedy="Connect the mount in the INDI server and name it in [mount] device. A tracker "
            "without go-to needs no star alignment: a survey is all.",
            code="no_mount",
        )

    def progress(step: str, percent: int) -> None:
        teller.state(step=step, frames=devices.measurer.taken, percent=percent)
        work.reply({"step": step, "percent": percent})

    wish = _asked(work.memory.wishes.star_alignment, arguments)
    mount.require_clear()
    await _site_told(work, mount)
    devices.measurer.forget_optics()
    survey = work.memory.wishes.survey
    scene = AlignmentScene(
        mount=mount,
        frames=FramesAtRest(
            mount,
            devices.measurer,
            devices.exposures,
            devices.place,
            work.clock,
            exposure_s=arguments.get("exposure_s") or survey.exposure_s,
            say=lambda words: progress(words, 5),
        ),
        place=devices.place,
        clock=work.clock,
        wish=wish,
        prior=prior_of(work, mount),
        settle_s=survey.settle_s,
        progress=progress,
        tell=lambda text, remedy, code: teller.event(text, remedy=remedy, code=code),
        points_elsewhere=bool(arguments.get("points_elsewhere")),
    )
    from_home = not mount.synced
    outcome = await run_star_alignment(scene)
    _keep(work, mount, outcome, wish, from_home=from_home)
    message = pointing_message(outcome, wish)
    teller.pointing(message)
    _log.info("star alignment: %s", "; ".join(terms_words(message)) or "the mount's own model")
    return message


def prior_of(work: Workplace, mount: GuardedMount) -> PointingPrior:
    """Return what is known of the mount's terms: tonight's axis, and earlier nights' other terms.

    Where syncs have set the zero points tonight, earlier nights' are no longer true.
    """
    place = work.devices.place
    prior = work.experience.pointing(mount.name, work.devices.camera.name, at_home=not mount.synced)
    axis = work.memory.axis
    if axis is None or not axis.holds(work.clock.now()):
        return prior.with_axis(
            pole_enu(place, refracted=True), prior.covariance_rad2[:2, :2], place
        )
    held = np.eye(2) * AXIS_HOLDS_RAD**2
    return prior.with_axis(axis.axis_enu, axis.covariance_rad2 + held, place)


def _asked(wish: StarAlignmentWish, arguments: Mapping[str, Any]) -> StarAlignmentWish:
    asked = {
        name: arguments[name]
        for name in ("goto_arcsec", "most_fields")
        if arguments.get(name) is not None
    }
    if (way := arguments.get("syncs")) is not None:
        asked["syncs"] = SyncWay(way)
    return replace(wish, **asked)


async def _site_told(work: Workplace, mount: GuardedMount) -> None:
    """Tell the mount its site and the time where it holds another and may be told; else warn."""
    held = await mount.place()
    if held is None and not mount.has_place:
        return
    ours = PlaceReading(source=Source.SETTINGS, place=work.devices.place)
    doubts = place_doubts([ours, PlaceReading(source=Source.MOUNT, place=held)])
    if not doubts:
        return
    if work.memory.wishes.tell_site:
        await mount.tell_site()
        _log.info("%s was told its place and the time", mount.name)
        return
    raise DeviceError(
        f"{mount.name} holds another site than holds here: {doubts[0].text}",
        remedy="Let it be told: [site] write_to_mount = true. Or set it at the mount; "
        "`polewright doctor` compares them.",
        code="mount_site_differs",
    )


def _keep(
    work: Workplace,
    mount: GuardedMount,
    outcome: AlignmentOutcome,
    wish: StarAlignmentWish,
    *,
    from_home: bool,
) -> None:
    if (fit := outcome.fit) is None:
        return
    at: datetime = work.clock.now()
    work.experience.learn_pointing(
        PointingRecord(
            at=at,
            mount=mount.name,
            camera=work.devices.camera.name,
            place=work.devices.place,
            terms=fit.terms,
            covariance_rad2=fit.covariance_rad2,
            fields=outcome.fields,
            chi2=fit.chi2,
            degrees_of_freedom=fit.degrees_of_freedom,
            goto_arcsec=(outcome.modelled_goto_rad or 0.0) / ARCSEC_RAD,
            check_promised_arcsec=(outcome.check.promised_rad or 0.0) / ARCSEC_RAD,
            check_met_arcsec=outcome.check.met_rad / ARCSEC_RAD,
            syncs=wish.syncs.value,
            from_home=from_home,
        )
    )
