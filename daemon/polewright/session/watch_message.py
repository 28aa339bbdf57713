"""Watch messages: since when the axis is believed, by what evidence, and what alarms there were."""

import math
from collections.abc import Sequence
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.axis_moved import AxisMoved, Evidence
from polewright.core.axis.correction import amount_words
from polewright.core.geometry.directions import ARCMIN_RAD, altaz_from_enu
from polewright.core.geometry.rotations import Vector
from polewright.session.messages import Message

_SHOWN_BY = {
    Evidence.TURN: "the picture turned in a way that no motor of the mount can make",
    Evidence.CREEP: "the picture turned slowly, more than a mount that holds does",
    Evidence.JUMP: "the field jumped along declination, and the mount was not sent",
    Evidence.GUIDE_JUMP: "the guide star jumped, and the mount was not sent",
    Evidence.GUIDE_TREND: "the guide star drifts as if by another axis",
}
# Near certainty is told as this much (percent).
_SUREST = 99.99


def alarm_body(moved: AxisMoved, now: datetime) -> Message:
    """Return one alarm of the ``watch`` payload."""
    sideways, upward = (float(part) / ARCMIN_RAD for part in moved.move_rad)
    sigmas = np.sqrt(np.diag(moved.covariance_rad2)) / ARCMIN_RAD
    return {
        "noticed": now.isoformat(),
        "held_until": moved.since.isoformat(),
        "evidence": moved.evidence.value,
        "altitude_move_arcmin": round(upward, 3),
        "altitude_move_sigma_arcmin": round(float(sigmas[1]), 3),
        "azimuth_move_on_sky_arcmin": round(sideways, 3),
        "azimuth_move_on_sky_sigma_arcmin": round(float(sigmas[0]), 3),
        "size_arcmin": round(moved.size_rad / ARCMIN_RAD, 3),
        "significance": round(moved.significance, 2),
        "confidence_percent": min(
            round(100.0 * math.erf(moved.significance / math.sqrt(2.0)), 2), _SUREST
        ),
        "words": _SHOWN_BY[moved.evidence],
    }


def alarm_words(moved: AxisMoved, axis_enu: Vector) -> str:
    """Return what happened, as a person says it."""
    return (
        f"the axis moved {went_words(moved.move_rad, moved.covariance_rad2, axis_enu)} (as far as "
        f"that shows): {_SHOWN_BY[moved.evidence]}; it stood as before at {moved.since:%H:%M} UTC"
    )


def went_words(
    move_rad: NDArray[np.float64], covariance_rad2: NDArray[np.float64], axis_enu: Vector
) -> str:
    """Return how far an axis went, on the sky with azimuth and up (rad), as a person says it."""
    sideways, upward = (float(part) for part in move_rad)
    sigma_side, sigma_up = (float(s) for s in np.sqrt(np.diag(covariance_rad2)))
    parts = []
    if abs(upward) > sigma_up:
        parts.append(f"{'up' if upward > 0 else 'down'} by {amount_words(upward, sigma_up)}")
    if abs(sideways) > sigma_side:
        # Growing azimuth is toward the east only where the axis points north.
        east = (sideways > 0.0) == (math.cos(altaz_from_enu(axis_enu)[1]) > 0.0)
        amount = amount_words(sideways, sigma_side)
        parts.append(f"toward the {'east' if east else 'west'} by {amount}")
    size = math.hypot(sideways, upward)
    return " and ".join(parts) or f"by about {amount_words(size, sigma_up)}"


def watch_message(
    *,
    watching: bool,
    believed_since: datetime,
    looked_at: str,
    frames: int,
    unsolved: int,
    offsets: int,
    last_frame: datetime | None,
    last_offset: datetime | None,
    mount_vouches: bool,
    alarms: Sequence[Message],
) -> Message:
    """Return the ``watch`` payload."""
    return {
        "watching": watching,
        "believed_since": believed_since.isoformat(),
        "looked_at": looked_at,
        "frames": frames,
        "unsolved_frames": unsolved,
        "guide_offsets": offsets,
        "last_frame": last_frame.isoformat() if last_frame else None,
        "last_guide_offset": last_offset.isoformat() if last_offset else None,
        "mount_vouches": mount_vouches,
        "alarms": list(alarms),
    }
