"""Last axis: where the axis was seen last, and whether anything is known that moved it since."""

import math

import numpy as np

from polewright.core.axis.stands import AxisSeen, BoltsFree, Placed
from polewright.core.geometry.directions import enu_from_altaz
from polewright.session.known_axis import KnownAxis
from polewright.session.verification import Why
from polewright.session.workplace import Workplace


async def axis_before(work: Workplace) -> tuple[KnownAxis | None, Why | None]:
    """Return the axis to compare with; or None, and why there is none.

    The service's own memory knows of everything that it saw.  After a restart the journal tells
    whether bolts were turned, or feet put down, after the survey that it begins with.
    """
    memory = work.memory
    known = memory.axis or memory.doubted
    if known is None:
        return None, Why(
            code="no_known_axis",
            text="the axis was not measured before, so there is nothing to compare with",
            remedy="Measure it: polewright survey.",
        )
    if (mounts := memory.other_mount(work.mount_name)) is not None:
        return None, Why(
            code="mount_changed",
            text=f"the axis was measured on the mount {mounts}, and {work.mount_name} is used now",
            remedy="Measure it: polewright survey.",
        )
    if memory.kept is None:
        return known, None
    moments = await work.keeper.axis_moments(memory.kept.mount)
    after = [one for one in moments or () if one.at > memory.kept.committed_at]
    last = after[-1] if after else None
    match last:
        case AxisSeen() if last.corrected:
            sideways = last.azimuth_sigma_rad * math.cos(last.altitude_rad)
            return KnownAxis(
                axis_enu=enu_from_altaz(last.altitude_rad, last.azimuth_rad),
                covariance_rad2=np.diag([sideways**2, last.altitude_sigma_rad**2]),
                instant=last.at,
            ), None
        case BoltsFree():
            text = "bolts may have been turned after the last survey"
        case Placed():
            text = "the tripod's feet were put down anew after the last survey"
        case _:
            return known, None
    return None, Why(
        code="axis_not_seen_since",
        text=f"{text}, and nobody measured the axis since",
        remedy="Measure it: polewright survey.",
    )
