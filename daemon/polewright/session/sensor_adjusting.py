"""Adjusting by a sensor: a phone or the like on the polar axis tells roughly which bolt to turn.

By day, without stars.  Nothing moves but by the person's hands.
"""

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from polewright.core.axis.attitude_sensor import SensorAxis
from polewright.core.axis.bolts import BoltTurns
from polewright.core.axis.correction import (
    Correction,
    Verdict,
    amount_words,
    correct,
    says_leave,
)
from polewright.core.axis.device_orientation import OrientationReading
from polewright.core.axis.estimate import Method
from polewright.core.axis.knobs import Bolt
from polewright.core.axis.sensed_axis import disturbance_words, sensed_axis, settle
from polewright.core.errors import MeasurementError, UsageError
from polewright.core.geometry.directions import ARCMIN_RAD
from polewright.core.sky.magnetic import MagneticField, magnetic_field
from polewright.ports import Clock, SensorReading
from polewright.session.adjustment import STEADY_FRAMES
from polewright.session.aim import Aim
from polewright.session.experience import Experience
from polewright.session.following import VALIDITY_S, LiveCorrection, worth_telling
from polewright.session.knob_reports import KnobReports
from polewright.session.live_telling import LiveTelling, verdict_of
from polewright.session.messages import Message
from polewright.session.sensor_desk import SensorDesk, no_sensor
from polewright.session.workplace import Workplace

# A reading comes twice a second at most.
PERIOD_S = 0.5
# Without a new reading for so long the sensor is silent (s).
SILENT_AFTER_S = 3.0
# Scatter of a sensor in hands that turn bolts; beyond it is carried about (rms, rad).
_CARRIED_RAD = math.radians(3.0)
# Looks in a row at which nothing more can be told, before an adjustment ends by itself.
_STEADY_LOOKS = 4 * STEADY_FRAMES


async def adjust_by_sensor(work: Workplace, arguments: Mapping[str, Any]) -> Message:
    """Follow the axis by a sensor that is held to it, while hands turn the bolts.

    Raises
    ------
    UsageError
        ``no_sensor``; ``not_by_sensor``: motors are asked for.
    """
    if arguments.get("motors"):
        raise UsageError(
            "motors are not turned by a sensor: it is too rough to learn from what they do",
            remedy="Turn the bolts by hand, or adjust by stars.",
            code="not_by_sensor",
        )
    desk = work.sensor
    if desk is None or desk.sensor.reading is None:
        raise no_sensor()
    memory = work.memory
    memory.wishes = memory.wishes.asked(arguments)
    work.teller.begin_adjustment()
    follower = SensorFollower(
        desk,
        work.clock,
        magnetic_field(work.place, work.clock.now()),
        Aim(memory, work.place),
        telling=LiveTelling(work, "turn the bolts; by a sensor, roughly"),
        reports=work.knobs,
        experience=work.experience,
        mount=work.mount_name,
    )
    until_done = bool(arguments.get("stop_when_good"))
    steady = 0
    while True:
        live = await follower.look()
        if live is None:
            continue
        steady = steady + 1 if follower.at_rest and done(live.correction) else 0
        if until_done and steady >= _STEADY_LOOKS:
            return verdict_of(live.correction)


def done(correction: Correction) -> bool:
    """Return whether a sensor has no more to say: good enough, or no bolt to turn by it."""
    return correction.verdict is Verdict.GOOD_ENOUGH or (
        says_leave(correction.altitude_words) and says_leave(correction.azimuth_words)
    )


class SensorFollower:
    """Follows the axis by a sensor (implements ``LiveSource``).

    Parameters
    ----------
    desk : SensorDesk
        The sensor, and what is known of it.
    clock : Clock
        Waits between looks.
    field : MagneticField
        The Earth's, where the mount stands.
    aim : Aim
        Where the axis shall be, and how near is good enough.
    telling : LiveTelling
        Told of corrections and trouble.
    reports : KnobReports
        What is known of the knobs.
    experience : Experience
        What is known of brackets.
    mount : str
        Whose.
    """

    def __init__(
        self,
        desk: SensorDesk,
        clock: Clock,
        field: MagneticField,
        aim: Aim,
        *,
        telling: LiveTelling,
        reports: KnobReports,
        experience: Experience,
        mount: str,
    ) -> None:
        self._desk = desk
        self._clock = clock
        self._field = field
        self._aim = aim
        self._telling = telling
        self._reports = reports
        self._experience = experience
        self._mount = mount
        self._mean: OrientationReading | None = None
        self._averaged = 0
        self._last: SensorReading | None = None
        self._sequence = 0
        self._held = False
        self._said = ""
        self._last_good_s = clock.monotonic()

    @property
    def at_rest(self) -> bool:
        """Whether nobody moves the sensor."""
        return self._averaged > 1

    async def look(self) -> LiveCorrection | None:
        """Look once and tell what the sensor says; None where it says nothing new."""
        await self._clock.sleep(PERIOD_S)
        reading = self._desk.sensor.reading
        if reading is None:
            self._forget()
            self._trouble(_silent())
            return None
        began_s = self._clock.monotonic()
        if self._last is not None and reading.received_s == self._last.received_s:
            if began_s - reading.received_s > SILENT_AFTER_S:
                self._trouble(_silent())
            return None
        if self._last is not None and not np.array_equal(
            reading.axis_sensor, self._last.axis_sensor
        ):
            self._forget()  # it is held in another way from now on
        self._last = reading
        self._mean, self._averaged = settle(self._mean, self._averaged, reading.orientation)
        try:
            axis = self._axis(reading, self._mean)
        except MeasurementError as failure:
            self._trouble(failure)
            return None
        self._last_good_s = began_s
        self._sequence += 1
        live = self._correction(axis, reading, began_s)
        self._say(axis, live.correction, self._mean)
        self._telling.correction(live)
        self._held = live.correction.verdict is Verdict.GOOD_ENOUGH
        return live

    def _axis(self, reading: SensorReading, mean: OrientationReading) -> SensorAxis:
        if max(mean.tilt_scatter_rad, mean.heading_scatter_rad) > _CARRIED_RAD:
            raise MeasurementError(
                "the sensor is being moved about",
                remedy="Clamp it to the axis, and turn the bolts slowly.",
                code="not_at_rest",
            )
        sight = self._desk.sight
        bracket = self._experience.bracket(
            self._mount,
            self._desk.bracket_of(reading),
            reading.axis_sensor,
            same_compass=sight is None,
        )
        return sensed_axis(mean, self._field, bracket, sight)

    def _correction(
        self, axis: SensorAxis, reading: SensorReading, began_s: float
    ) -> LiveCorrection:
        correction = self._correct(axis, trustworthy=True)
        if correction.verdict is Verdict.GOOD_ENOUGH and not self.at_rest:
            # Of a sensor that is moving nothing is good enough yet.
            correction = self._correct(axis, trustworthy=False)
        knobs = self._reports.advice(
            BoltTurns(
                azimuth_rad=-correction.azimuth_error_arcmin * ARCMIN_RAD,
                altitude_rad=-correction.altitude_error_arcmin * ARCMIN_RAD,
            )
        )
        return LiveCorrection(
            correction=correction,
            sequence=self._sequence,
            frame_age_s=max(0.0, began_s - reading.received_s),
            latency_ms=1000.0 * (self._clock.monotonic() - began_s),
            altitude_knob=worth_telling(knobs[Bolt.ALTITUDE], correction.altitude_words),
            azimuth_knob=worth_telling(knobs[Bolt.AZIMUTH], correction.azimuth_words),
            valid_s=VALIDITY_S,
            method=Method.SENSOR,
        )

    def _correct(self, axis: SensorAxis, *, trustworthy: bool) -> Correction:
        target_enu, tolerance_rad = self._aim()
        return correct(
            axis.axis_enu,
            axis.covariance_rad2,
            target_enu,
            tolerance_rad=tolerance_rad,
            trustworthy=trustworthy,
            held=self._held,
        )

    def _say(self, axis: SensorAxis, correction: Correction, mean: OrientationReading) -> None:
        """Say what is done and how rough it is, where that has changed."""
        sigma = axis.sigma_rad
        known = f"by a sensor, sure to {amount_words(sigma, sigma)} at best"
        if axis.disturbed:
            words = f"{disturbance_words(mean, self._field)}; {known}"
        elif done(correction) and self.at_rest:
            words = f"nothing more to turn {known}: by night measure with stars"
        else:
            words = f"turn the bolts slowly; {known}"
        if words != self._said:
            self._said = words
            self._telling.step(words)

    def _trouble(self, failure: MeasurementError) -> None:
        self._held = False
        self._telling.trouble(
            failure,
            self._clock.monotonic() - self._last_good_s,
            step="the sensor says nothing that can be used",
        )

    def _forget(self) -> None:
        self._mean, self._averaged, self._last = None, 0, None


def _silent() -> MeasurementError:
    return MeasurementError(
        "nothing comes from the sensor any more",
        remedy="Look whether the phone's screen is on and its page streams, or whether the "
        "sensor's driver runs; it goes on by itself.",
        code="sensor_silent",
    )
