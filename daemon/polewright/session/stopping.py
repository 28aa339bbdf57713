"""Stopping: who does not take a stop, or cannot be told, is told of to whoever can see to it."""

import asyncio
import logging
from collections.abc import Iterable

from polewright.core.errors import DeviceError, LinkError, PolewrightError, SafetyError
from polewright.session.safe_adjuster import GuardedAdjuster
from polewright.session.safety import GuardedMount

_log = logging.getLogger(__name__)

_SEE_TO_IT = "Use its own stop or its power switch now, if it moves."


async def stop_shielded(mount: GuardedMount) -> SafetyError | None:
    """Stop the mount even while this task is being cancelled; bounded by the adapter.

    Returns
    -------
    SafetyError or None
        ``not_stopped``, where the mount did not take it: a person must see to it.
    """
    mount.halt()  # at once: the abort itself begins only when its task does
    try:
        await asyncio.shield(mount.abort())
    except Exception as trouble:
        _log.error("%s did not take the stop: %s", mount.name, trouble)
        what = trouble.text if isinstance(trouble, PolewrightError) else str(trouble)
        return SafetyError(
            f"{mount.name} did not take the stop and may still move: {what}",
            remedy=_SEE_TO_IT,
            code="not_stopped",
        )
    return None


async def stop_motors(adjuster: GuardedAdjuster) -> DeviceError | LinkError | None:
    """Stop the motors where they may turn; return what prevented it: a person must see to it."""
    adjuster.hold()
    if not adjuster.moving:
        return None
    try:
        await adjuster.abort()
    except (DeviceError, LinkError) as trouble:
        _log.error("the motors did not take the stop: %s", trouble)
        return trouble
    return None


def lost_in_motion(name: str) -> SafetyError:
    """Return what to tell of a device that moved when its connection broke."""
    return SafetyError(
        f"the connection to {name} was lost while it moved: it cannot be told to stop from here, "
        "and may still move",
        remedy=f"{_SEE_TO_IT} It is told to stop as soon as it is back.",
        code="lost_in_motion",
    )


def all_of(troubles: Iterable[PolewrightError | None]) -> PolewrightError | None:
    """Return the troubles as one, the first one's remedy first; None where there is none."""
    found = [trouble for trouble in troubles if trouble is not None]
    if len(found) <= 1:
        return found[0] if found else None
    remedies = dict.fromkeys(trouble.remedy for trouble in found if trouble.remedy)
    return SafetyError(
        "; ".join(trouble.text for trouble in found),
        remedy=" ".join(remedies),
        code=found[0].code,
    )
