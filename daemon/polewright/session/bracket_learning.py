"""Bracket learning: a survey by stars says how crooked a sensor is held to the axis.

Only what the sensor said while the survey ran is compared with it: bolts that were turned in
between would be learned as a crooked bracket.
"""

import logging
import math

import numpy as np

from polewright.core.axis.attitude_sensor import Bracket
from polewright.core.axis.estimate import AxisEstimate, Method
from polewright.core.axis.sensed_axis import sensed_axis
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import angle_between, sky_tangents
from polewright.core.records import BracketRecord
from polewright.core.sky.magnetic import magnetic_field
from polewright.session.workplace import Workplace

_log = logging.getLogger(__name__)

# A sensor that is so improbable on the axis lies on a table (chi-square, 2 degrees of freedom).
_ELSEWHERE_CHI2 = 20.0


def learn_from_survey(work: Workplace, estimate: AxisEstimate, began_s: float) -> bool:
    """Keep what a survey teaches of the bracket; return whether it teaches anything.

    Parameters
    ----------
    work : Workplace
        The evening's.
    estimate : AxisEstimate
        The survey.
    began_s : float
        When it began (monotonic s): older readings do not count.
    """
    rested = None if work.sensor is None else work.sensor.rested_since(began_s)
    if rested is None or estimate.method is not Method.STARS or not estimate.consistent:
        return False
    reading, name = rested
    field = magnetic_field(work.place, estimate.instant)
    held = Bracket.held(reading.axis_sensor)
    try:
        said = sensed_axis(reading.orientation, field, held)
    except MeasurementError as why:
        _log.info("the survey teaches nothing of the sensor's bracket: %s", why.text)
        return False
    if said.disturbed:
        _log.info("the survey teaches nothing of the sensor's bracket: iron bends its compass")
        return False
    apart = np.stack(sky_tangents(said.axis_enu)) @ (estimate.axis_enu - said.axis_enu)
    expected = said.covariance_rad2 + estimate.covariance_rad2
    if float(apart @ np.linalg.solve(expected, apart)) > _ELSEWHERE_CHI2:
        off_deg = math.degrees(angle_between(said.axis_enu, estimate.axis_enu))
        work.teller.event(
            f"the sensor points {off_deg:.0f} deg away from the axis that the survey found: "
            "nothing was learned of how it is held",
            remedy="If it is clamped to the axis, look how [sensor] hold, or the page, says that "
            "it is held; if it is not, this needs no care.",
            code="sensor_elsewhere",
        )
        return False
    work.experience.learn_bracket(
        BracketRecord(
            at=work.clock.now(),
            mount=work.mount_name,
            bracket=name,
            held_sensor=reading.axis_sensor,
            said=said,
            axis_enu=estimate.axis_enu,
            covariance_rad2=estimate.covariance_rad2,
        )
    )
    return True
