"""Dusk: a survey that is asked for by day waits for the first stars that can be measured.

The first frames are tried well before the sky is dark: a camera sees stars sooner than the eye.
"""

import logging
import math
from datetime import datetime, timedelta

from polewright.core.errors import MeasurementError
from polewright.core.sky.sun_aids import sun_altitude_rad, sun_crosses
from polewright.session.local_time import wall_clock_words
from polewright.session.survey import SurveyScene

_log = logging.getLogger(__name__)

# Frames are tried from this altitude of the Sun's centre on (rad): bright stars show in a small
# telescope then (a rule of thumb, no source).
FIRST_TRY_RAD = math.radians(-4.0)
# Where no frame was solved by then, something else than light is in the way (rad).
DARK_RAD = math.radians(-15.0)
_LOOK_EVERY_S = 30.0
_TRY_EVERY_S = 45.0
_A_DAY = timedelta(hours=24)


async def first_stars(scene: SurveyScene) -> None:
    """Wait until a frame shows stars that can be measured; at once where one does.

    Nothing moves meanwhile.

    Raises
    ------
    MeasurementError
        ``no_dusk``: the Sun does not set here today; else what solving raised last, once it is
        dark.
    DeviceError, LinkError
        From the camera.
    """
    clock, place, measurer = scene.clock, scene.place, scene.measurer
    begins: datetime | None = None
    while sun_altitude_rad(place, clock.now()) > FIRST_TRY_RAD:
        now = clock.now()
        # Looked for once: again only where the clock was set meanwhile.
        if begins is None or not now < begins <= now + _A_DAY:
            begins = sun_crosses(place, now, now + _A_DAY, FIRST_TRY_RAD)
        if begins is None:
            raise MeasurementError(
                "the Sun does not go down far enough here today for stars to show",
                remedy="Measure by day instead: polewright sight.",
                code="no_dusk",
            )
        words = f"waiting for dusk: the first frame is tried at {wall_clock_words(begins)}"
        scene.progress(words, measurer.taken, 1)
        await clock.sleep(min(_LOOK_EVERY_S, max((begins - now).total_seconds(), 1.0)))
    while True:
        began_s = clock.monotonic()
        try:
            await scene.exposures.find(measurer)
        except MeasurementError as failure:
            if sun_altitude_rad(place, clock.now()) < DARK_RAD:
                raise
            _log.info("no stars yet: %s", failure)
            scene.progress(f"no stars yet: {failure.text}", measurer.taken, 2)
            await clock.sleep(max(_TRY_EVERY_S - (clock.monotonic() - began_s), 1.0))
        else:
            return
